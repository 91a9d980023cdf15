"""JSON and CSV of trends: what programs read is what was judged, without NaN and without formulas."""

from __future__ import annotations

import csv
import io
import json
from math import inf, nan

from nightrake.learning.trend import Forecast, Span
from nightrake.learntold.files import days_csv, table_csv, trend_json
from trends import NOW_MS, cannot_say, fitted_of, shift_of, side_of, trend_of


def test_json_has_every_field_and_no_number_that_json_lacks() -> None:
    """Spans by name, infinity and NaN as null."""
    trend = trend_of(alarm=Forecast(Span(40.0, inf, inf), {7: 0.0}, ""), shifts=(shift_of(size=Span(nan, nan, nan)),))
    told = json.loads(json.dumps(trend_json(trend, "Primary", (32_000.0, 0.0), [("Duty", "x")]), allow_nan=False))
    assert told["slope_percent_month"] == {"low": 2.5, "mid": 3.0, "high": 3.5}
    assert told["alarm"] == {"days": {"low": 40.0, "mid": None, "high": None}, "within": {"7": 0.0}, "why_not": ""}
    assert told["shifts"][0]["size_nm"] == {"low": None, "mid": None, "high": None}
    assert (told["name"], told["alarm_nm"], told["shutdown_nm"]) == ("Primary", 32_000.0, None)
    assert (told["state"], told["facts"]) == ("creeping", [["Duty", "x"]])
    assert "fitted" not in told
    assert told["outliers_utc_ms"] == list(trend.outliers)


def test_table_is_a_row_for_each_verdict() -> None:
    """In the order given; empty where nothing is known; a name is no formula."""
    given = [(trend_of(), "=cmd()", (32_000.0, 40_000.0)), (cannot_say(), "Secondary", (18_000.0, 22_500.0))]
    rows = list(csv.DictReader(io.StringIO(table_csv(given).decode())))
    assert [(row["rank"], row["drive"], row["name"]) for row in rows] == [
        ("1", "PC1", "'=cmd()"),
        ("2", "SC1", "Secondary"),
    ]
    assert (rows[0]["slope_percent_month_mid"], rows[0]["alarm_within_30_d"], rows[0]["warning"]) == ("3", "0.04", "1")
    assert (rows[1]["level_nm"], rows[1]["slope_nm_month_low"], rows[1]["alarm_days_low"]) == ("", "", "")


def test_days_stand_beside_what_was_made_of_them() -> None:
    """By their time; a day that was not judged has no figures of the judgement."""
    fitted = fitted_of()
    rows = list(csv.DictReader(io.StringIO(days_csv(side_of(), fitted).decode())))
    assert len(rows) == 58
    assert int(rows[-1]["utc_ms"]) == NOW_MS - 86_400_000
    assert rows[-1]["utc"] == "2026-11-25T00:00Z"
    assert float(rows[20]["median_nm"]) == float(rows[20]["line_nm"]) == 20_000.0 + 50.0 * 22
    assert (rows[7]["is_outlier"], rows[8]["is_outlier"]) == ("1", "0")
    few = fitted._replace(**{f: getattr(fitted, f)[30:] for f in fitted._fields if f != "cusum_limit"})
    assert next(csv.DictReader(io.StringIO(days_csv(side_of(), few).decode())))["line_nm"] == ""


def test_nothing_is_a_head_alone() -> None:
    """No drive, no row."""
    assert table_csv([]).decode().splitlines() == ["rank,drive"]
