"""An uncertainty that lacks a source is marked wherever it goes: view, event, forwarded sample, status, check."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pytest
from rich.console import Console

from nightrake.alarms.told import Fact, Moment
from nightrake.alarms.told import torque_text as torque_words_of
from nightrake.cli.status import drives_table
from nightrake.cli.text import event_text, lacking_text, torque_text, with_uncertainty
from nightrake.commissioning.record import curve_of, make_record
from nightrake.domain.inputs import RawScan
from nightrake.domain.site import CalibrationCurve, Direction
from nightrake.domain.view import drive_view
from nightrake.historian.sampling import Sampler
from nightrake.messages.about import About
from nightrake.messages.payloads import EventData, TorqueData
from unit.commissioning.stands import content
from unit.historian.fieldtexts import fields_of
from works import Works, rake, site_of

WHOLE = curve_of(make_record(content()))
LACKING = curve_of(make_record(content(transducer_error_mm=None, temperature_range_k=None)))
LACKS = ["transducer", "temperature"]


def works_with(curve: CalibrationCurve) -> Works:
    """One drive, its arm at 10 mm, scanned once."""
    works = Works(site_of(replace(rake(), calibrations={Direction.FORWARD: curve})))
    works.scan()
    return works


def view_of(curve: CalibrationCurve) -> dict[str, Any]:
    """What is shown of it."""
    works = works_with(curve)
    return drive_view(works.state, "D", works.now_ns, works.utc_ms)


def test_record_tells_the_watch_what_its_budget_lacks() -> None:
    """And nothing where it has everything."""
    assert WHOLE.not_in_budget == ()
    assert LACKING.not_in_budget == ("transducer", "temperature")


@pytest.mark.parametrize(("curve", "lacks", "mark"), [(WHOLE, [], ""), (LACKING, LACKS, "*")])
def test_view_names_it_and_people_see_a_mark(curve: CalibrationCurve, lacks: list[str], mark: str) -> None:
    """In the published shape; the mark follows the figure."""
    view = view_of(curve)

    assert TorqueData.model_validate(view["torque_nm"]).uncertainty_lacks == lacks
    assert torque_text(view) == f"24.0 ±0.{'2' if curve is WHOLE else '1'}{mark}"


def test_what_the_mark_means_is_said_once() -> None:
    """Below the table, for all drives together."""
    assert lacking_text([view_of(WHOLE)]) == ""
    assert lacking_text([view_of(WHOLE), view_of(LACKING), view_of(LACKING)]) == (
        "*: nothing is known of transducer, temperature; it is not in the ±"
    )


@pytest.mark.parametrize(("curve", "lacks"), [(WHOLE, []), (LACKING, LACKS)])
def test_event_names_it(curve: CalibrationCurve, lacks: list[str]) -> None:
    """The key is there only where something lacks."""
    works = works_with(curve)
    works.operate("D", "shutdown/A")
    works.scan()
    (entry,) = works.told("shutdown_operated")

    assert EventData.model_validate(entry.data).torque_uncertainty_lacks == lacks
    assert ("torque_uncertainty_lacks" in entry.data) is bool(lacks)


def test_event_line_has_the_mark() -> None:
    """As in the table."""
    data = {"torque_nm": 24_000.0, "torque_is": "exact", "torque_uncertainty_nm": 300.0}
    row = {"utc_ms": 0, "drive": "D", "direction": "forward", "event": "shutdown_operated"}

    assert "24.0 ±0.3 kN.m" in event_text({**row, "data": data})
    assert "24.0 ±0.3* kN.m" in event_text({**row, "data": {**data, "torque_uncertainty_lacks": ["transducer"]}})
    assert with_uncertainty(24_000.0, None, lacks=True) == "24.0"


@pytest.mark.parametrize(("curve", "count"), [(WHOLE, None), (LACKING, 2.0)])
def test_forwarded_sample_says_how_many_sources_lack(curve: CalibrationCurve, count: float | None) -> None:
    """A store holds numbers only."""
    works = works_with(curve)
    scan = next(i for i in works.inputs if isinstance(i, RawScan))
    fields = fields_of(Sampler(scan.plan, works.state.wires).texts(scan)[0]["D"])

    assert fields.get("torque_uncertainty_lacks") == count


def test_status_says_what_the_mark_means() -> None:
    """Under the table of status and demo, at 80 columns."""
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(drives_table([view_of(LACKING)]))
    text = console.export_text()

    assert "±0.1*" in text
    assert "*: nothing is known of transducer, temperature; it is not in the ±" in text


@pytest.mark.parametrize(("curve", "lacks", "mark"), [(WHOLE, [], ""), (LACKING, LACKS, "*")])
def test_alarm_and_the_call_for_it_show_the_mark(curve: CalibrationCurve, lacks: list[str], mark: str) -> None:
    """In the facts of the row, in the words of the account, and in what a person is told."""
    works = works_with(curve)
    works.operate("D", "shutdown/A")
    works.scan()
    (raised,) = (e for e in works.told("raised") if str(e.data["alarm"]).endswith("/shutdown_contact"))
    fact = Fact(1, Moment("", 0, 0), raised.kind, raised.event, "D", "forward", raised.data)
    about = About("Works", str(raised.data["alarm"]), 1, "x", "urgent", 0, now=view_of(curve))

    assert raised.data.get("torque_uncertainty_lacks", []) == lacks
    assert torque_words_of(fact).endswith(f"{mark} kN.m")
    assert about.torque.endswith(f"{mark} kN.m")
    assert ("*" in about.torque) is bool(mark)
