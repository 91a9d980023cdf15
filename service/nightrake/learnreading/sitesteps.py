"""Steps that a site's drives have shown, kept by each daily look for the next: ``learning/steps.json``.

    found   what the last look found on each drive, in its own record
    taught  what that look had been taught: what the look before it had found

The next look is taught ``found``. Whoever judges in between is taught ``taught``, as the last look was, so that all
tell the same of the same record. Steps are found without what is taught here: nothing goes round in a circle.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from nightrake.learning.trend import Step, Trend

FORM = "nightrake steps 1"
FILE = Path("learning") / "steps.json"
MOST_BYTES = 16 * 1024 * 1024
MOST_STEPS = 100
"""Of one drive, the newest."""

BySite = Mapping[str, Sequence[Step]]
"""Steps by drive."""


class Kept(NamedTuple):
    """What is kept, see the module.

    Attributes:
        found, taught: By drive. lacking: Why it could not be read, a sentence without its stop; "" = it could, or there
            is nothing yet.
    """

    found: BySite
    taught: BySite
    lacking: str = ""


def kept(state_dir: Path) -> Kept:
    """What the last look has kept; nothing where there was none, or what it kept is damaged."""
    path = state_dir / FILE
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise ValueError("it is too long")
        whole = json.loads(data)
        if not isinstance(whole, dict) or whole.get("form") != FORM:
            raise ValueError("it is of another form")
        return Kept(_by_drive(whole["found"]), _by_drive(whole["taught"]))
    except FileNotFoundError:
        return Kept({}, {})
    except (OSError, ValueError, TypeError, KeyError, ArithmeticError, RecursionError):
        return Kept({}, {}, f"{path}: cannot be read, so each drive is judged by its own record alone")


def kept_json(trends: Iterable[Trend], before: Kept, drives: Iterable[str]) -> bytes:
    """What a look keeps.

    Args:
        trends: Its verdicts. before: What it was taught with; a drive that it could not judge keeps its steps of then.
        drives: Those of the site; of others nothing is kept.
    """
    found: dict[str, list[Step]] = {}
    for trend in trends:
        found.setdefault(trend.drive, []).extend(trend.steps)
    own = {drive: sorted(found.get(drive, before.found.get(drive, ())))[-MOST_STEPS:] for drive in drives}
    whole = {"form": FORM, "found": _plain(own), "taught": _plain(before.found)}
    return json.dumps(whole, separators=(",", ":"), allow_nan=False).encode()


def beside(drive: str, steps: BySite) -> list[Step]:
    """Steps of all drives but one."""
    return [step for other, some in steps.items() if other != drive for step in some]


def _plain(steps: BySite) -> dict[str, list[list[float]]]:
    return {
        drive: [[s.utc_ms, round(s.percent, 4), round(s.error, 4)] for s in some if math.isfinite(s.percent + s.error)]
        for drive, some in steps.items()
    }


def _by_drive(given: Any) -> dict[str, tuple[Step, ...]]:
    return {str(drive): tuple(_step(*one) for one in some) for drive, some in dict(given).items()}


def _step(utc_ms: Any, percent: Any, error: Any) -> Step:
    step = Step(int(utc_ms), float(percent), float(error))
    if not (math.isfinite(step.percent) and 0.0 <= step.error < math.inf):
        raise ValueError("that is no step")
    return step
