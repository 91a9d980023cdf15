"""What the learning worker writes is what the page reads: the form between them, held at both ends."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from creepfiles import DAY_MS, NOW_MS, leave, trends
from nightrake.learntold.files import trend_json
from nightrake.learntold.words import RECORD_ONLY
from nightrake.page.creep import RECORD_ONLY as ON_THE_PAGE
from nightrake.pagereading import creep
from nightrake.pagereading.creep import Creep
from nightrake.workers import learning
from trends import NOW_MS as TREND_MS
from trends import shift_of, trend_of


def _told(folder: Path, told: dict[str, Any]) -> dict[str, Any]:
    leave(folder, told)
    return Creep(folder, lambda: NOW_MS).site()


def test_what_the_worker_writes_is_what_is_read(tmp_path: Path) -> None:
    """The form by name, and a verdict through the worker's own hands: nothing of it is lost."""
    trend = trend_of(shifts=(shift_of(),))
    one = {**trend_json(trend, "Primary clarifier 1", (32_000.0, 40_000.0), ()), "several": False}

    (found,) = _told(tmp_path, trends({**one, "days": learning._days(trend, learning.POINTS)}, form=learning.FORM))[
        "sides"
    ]
    (drawn,) = Creep(tmp_path, lambda: NOW_MS).drive("PC1")["sides"]

    assert (creep.FORM, creep.FOLDER, creep.REPORTS) == (learning.FORM, learning.FOLDER, learning.REPORTS)
    same = ("drive", "direction", "state", "sentence", "warning", "level_nm", "slope_percent_month", "shifts")
    assert {key: found[key] for key in same} == {key: json.loads(json.dumps(one[key])) for key in same}
    assert found["shutdown"]["days"] == {"low": 300.0, "mid": 500.0, "high": None}
    assert found["alarm"]["within"] == {"7": 0.001, "30": 0.04, "90": 0.9}
    assert found["outliers_utc_ms"] == [TREND_MS - 53 * DAY_MS]
    assert len(drawn["days"]["median_nm"]) == 60
    assert sum(drawn["days"]["outlier"]) == 1


def test_the_caution_is_the_same_everywhere() -> None:
    """In the terminal, in the reports and on the page."""
    assert ON_THE_PAGE == RECORD_ONLY
