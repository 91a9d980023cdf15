"""A record as a value and as a file: made, written, read again, found out when it was changed."""

from __future__ import annotations

import copy
import tomllib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.commissioning.points import STRAIGHT_SEGMENTS, content_of
from nightrake.commissioning.record import Record, curve_of, make_record, stored_fit_faults
from nightrake.commissioning.recordtext import record_toml
from nightrake.domain.calibration import torque_of
from nightrake.domain.reading import Exactness
from nightrake.domain.recordcurve import curve_from
from nightrake.domain.recorddigest import record_digest
from nightrake.settings.calibrations import content_digest
from nightrake.settings.recordmodels import CalibrationTable
from unit.commissioning.stands import content, points


def read(text: str) -> CalibrationTable:
    """A record file as the settings read it."""
    return CalibrationTable.model_validate(tomllib.loads(text))


def reverse() -> Record:
    """A record of the reverse direction: positions are negative, torques stay positive."""
    turned = tuple(replace(p, position_mm=-p.position_mm) for p in points())
    contacts = tuple(
        replace(c, operating_mm=-c.operating_mm, release_mm=-c.release_mm) for c in content().contact_points
    )
    return make_record(content(points=turned, contact_points=contacts, direction="reverse"))


@pytest.mark.parametrize("form", ["", "straight line", "quadratic", STRAIGHT_SEGMENTS])
def test_file_says_what_the_record_says(form: str) -> None:
    """Record -> text -> settings: the same content, the same digest, the same curve to the last bit."""
    record = make_record(content(form=form, points=points(square=0.002)))
    table = read(record_toml(record))

    assert table.digest == record.digest == content_digest(table)
    assert curve_from(table.model_dump(), record.ref, record.digest) == curve_of(record)
    assert content_of(table.model_dump()) == record.content
    assert stored_fit_faults(table.model_dump()) == []


def test_reverse_record_goes_the_same_way() -> None:
    """The fit works in magnitudes, positions stay as read."""
    record = reverse()
    forward, back = torque_of(curve_of(make_record(content()))), torque_of(curve_of(record))

    assert read(record_toml(record)).digest == record.digest
    for x in (0.3, 0.8, 5.0, 12.3, 22.0, 24.0):
        assert back(-x) == forward(x)
    assert back(5.0).kind is Exactness.BELOW


def test_torque_lies_between_the_branches_with_its_uncertainty() -> None:
    """8000 N.m and 1600 N.m a mm, within the record's own uncertainty, at every place of the range."""
    convert = torque_of(curve_of(make_record(content())))

    for tenth in range(8, 224):
        reading = convert(tenth / 10)
        assert reading.kind is Exactness.EXACT
        assert reading.value is not None
        assert reading.uncertainty is not None
        assert abs(reading.value - (8_000.0 + 160.0 * tenth)) < 0.3 * reading.uncertainty
        assert 100.0 < reading.uncertainty < 0.02 * 40_000.0


def test_outside_the_points_nothing_is_extrapolated() -> None:
    """Below and beyond say so, with the limit and what it is worth."""
    record = make_record(content())
    convert, fit = torque_of(curve_of(record)), record.table["fit"]
    below, beyond = convert(fit["from_mm"] - 1e-6), convert(fit["to_mm"] + 1e-6)

    assert (below.kind, beyond.kind) == (Exactness.BELOW, Exactness.BEYOND)
    assert below.uncertainty == fit["uncertainty"][0]["expanded_nm"]
    assert beyond.uncertainty == fit["uncertainty"][-1]["expanded_nm"]
    assert convert(fit["from_mm"]).kind is convert(fit["to_mm"]).kind is Exactness.EXACT


@pytest.mark.parametrize(("square", "form"), [(0.0, "straight line"), (0.003, "quadratic")])
def test_form_is_chosen_by_the_test_and_the_record_says_why(square: float, form: str) -> None:
    """Bent springs get the quadratic; straight ones keep the line; both carry the test's figures."""
    fit = make_record(content(points=points(square=square))).table["fit"]

    assert fit["form"] == form
    assert fit["test"] == "lack of fit against repeats"
    assert (fit["test_p"] < 0.05) is (form == "quadratic")


def test_single_run_is_judged_by_the_extra_sum_of_squares() -> None:
    """Without repeats there is no pure error to compare with."""
    fit = make_record(content(points=points(runs=1, square=0.003))).table["fit"]

    assert (fit["form"], fit["test"]) == ("quadratic", "extra sum of squares")
    assert fit["test_dof"] == [2, 6]


def test_table_says_k_and_its_degrees_of_freedom() -> None:
    """Eleven places; few degrees of freedom show in k where the scatter dominates."""
    quiet: dict[str, Any] = {"transducer_error_mm": None, "temperature_range_k": None, "reference_uncertainty_pct": 0.0}
    rough = tuple(
        replace(p, position_mm=p.position_mm + (0.4 if i % 2 else -0.4)) for i, p in enumerate(points(runs=1))
    )
    rows = make_record(content(points=rough, form="straight line", **quiet)).table["fit"]["uncertainty"]

    assert len(rows) == 11
    assert all(7.9 < row["degrees_of_freedom"] < 9.5 and 2.2 < row["k"] < 2.35 for row in rows)


def leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths to every plain value of a table."""
    if isinstance(value, dict):
        return [p for k, v in value.items() for p in leaves(v, (*path, k))]
    if isinstance(value, list):
        return [p for i, v in enumerate(value) for p in leaves(v, (*path, i))]
    return [path]


RECORD = make_record(content())
LEAVES = [p for p in leaves(dict(RECORD.table)) if p != ("digest",)]


@given(st.sampled_from(LEAVES))
@settings(max_examples=200)
def test_every_value_is_under_the_digest(path: tuple[Any, ...]) -> None:
    """Whatever is changed, the digest no longer fits."""
    table: Any = copy.deepcopy(dict(RECORD.table))
    here = table
    for part in path[:-1]:
        here = here[part]
    old = here[path[-1]]
    here[path[-1]] = "changed" if isinstance(old, str) or old is None else old + 1

    assert record_digest(table) != RECORD.digest


def test_points_under_the_digest_keep_their_order() -> None:
    """Points taken away, added or exchanged are found too."""
    rows = list(RECORD.table["point"])
    for changed in (rows[1:], [*rows, rows[0]], [rows[1], rows[0], *rows[2:]]):
        assert record_digest({**RECORD.table, "point": changed}) != RECORD.digest


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        (("coefficients", 1), 1601.0, "coefficients[1]"),
        (("to_mm",), 22.0, "to_mm"),
        (("form",), "quadratic", "is a quadratic"),
        (("residual_nm",), 1.0, "residual_nm"),
    ],
)
def test_fit_of_other_points_is_found(place: tuple[Any, ...], value: Any, words: str) -> None:
    """Computed anew from the points, whatever the digest says."""
    table: Any = copy.deepcopy(dict(RECORD.table))
    here = table["fit"]
    for part in place[:-1]:
        here = here[part]
    here[place[-1]] = value

    assert words in stored_fit_faults(table)[0]


def test_understated_uncertainty_is_found() -> None:
    """Half of what the points give is no rounding."""
    table: Any = copy.deepcopy(dict(RECORD.table))
    table["fit"]["uncertainty"][5]["expanded_nm"] /= 2.0

    assert "uncertainty[5].expanded_nm" in stored_fit_faults(table)[0]
