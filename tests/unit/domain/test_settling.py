"""A drive's first judgement is told once, when it has settled; how old the position was is told with it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.drive import after_restart
from nightrake.domain.inputs import Got, SettingsChanged
from nightrake.domain.quality import SETTLE_NS
from works import MS, Works, lone_rake, rake, site_of, word

EXCEPTION = "exception 2 (illegal data address) at input 10"
SETTLE_MS = SETTLE_NS // MS


def refused_position(works: Works) -> None:
    """What a wrong address of the position looks like: the block fails, is split, and its address left out."""
    (block,) = works.blocks("position", drive="D")
    works.scan(only=works.blocks("running", drive="D"))
    works.scan(bad=[block], got=Got.EXCEPTION, detail=EXCEPTION)
    whole = works.plans["P"]
    point = works.site.drives["D"].points()["position"]
    places = {p: place for p, place in whole.places.items() if p != point}
    works.plans["P"] = replace(
        whole, blocks=whole.blocks[:-1], places=places, refused=(point,), witness_blocks=(0,), layout="less"
    )


def test_wrong_address_is_told_once_when_it_has_settled() -> None:
    """Not read yet, an exception for the whole block, then the one address: one event says how it ended."""
    works = lone_rake()
    refused_position(works)
    works.scans(8)
    assert "refuses this address (position)" in works.reasons("D")
    assert works.told("quality_changed") == []

    works.tick(SETTLE_MS)
    works.scans(40)

    (told,) = works.told("quality_changed")
    assert told.data == {"quality": "failure", "reasons": ["the PLC refuses this address (position)"]}


def test_contact_operated_meanwhile_is_told_at_once() -> None:
    """Only the word on quality waits."""
    works = lone_rake()
    refused_position(works)
    works.operate("D", "shutdown/A")
    works.scan()

    assert len(works.told("shutdown_operated")) == 1
    assert works.latched("D")
    assert works.told("quality_changed") == []


def test_sound_drive_has_settled_as_soon_as_everything_was_read() -> None:
    """What goes wrong after that is told at once, and never late."""
    works = lone_rake()
    works.scan()
    works.set("D", "position", 2_000)
    works.scan()

    assert len(works.told("quality_changed")) == 1


def test_reload_lets_a_changed_drive_settle_anew() -> None:
    """A wrong address that comes with a reload is told once too; one that was told before is not told again."""
    works = lone_rake()
    works.scan()
    works.set("D", "position", 2_000)
    works.scan()
    assert len(works.told("quality_changed")) == 1
    spec = replace(works.site.drives["D"], kept={"level_mm": word(30)})
    works.give(SettingsChanged(works.now_ns, works.utc_ms, site_of(spec)))  # the PLC's plan has no such address
    works.scans(SETTLE_MS // 250 - 1)
    assert "refuses this address (kept:level_mm)" in works.reasons("D")
    assert len(works.told("quality_changed")) == 1
    works.scans(40)

    reasons = works.told("quality_changed")[-1].data["reasons"]
    assert len(works.told("quality_changed")) == 2
    assert reasons == [
        "the PLC refuses this address (kept:level_mm)",
        "position: transducer failure: 3.6 mA or less (NE 43)",
    ]


@pytest.mark.parametrize("after_ms", [0, 750])
def test_event_says_how_old_its_position_was(after_ms: int) -> None:
    """Contacts are read more often than the arm: the torque told with an operation is that of the last reading."""
    works = lone_rake()
    works.scan()
    contacts = works.blocks("contact:forward/shutdown/A", drive="D")
    assert contacts != works.blocks("position", drive="D")
    works.operate("D", "shutdown/A")
    works.scan(after_ms, only=contacts if after_ms else None)

    (told,) = works.told("shutdown_operated")
    assert told.data["position_age_ms"] == after_ms
    assert told.data["torque_nm"] is not None
    assert all("position_age_ms" not in e.data for e in works.told("raised"))


def test_event_without_a_position_has_no_age() -> None:
    """There is nothing that could be old."""
    works = lone_rake(position=False)
    works.scan()
    works.operate("D", "alarm/A")
    works.scan()

    assert "position_age_ms" not in works.told("alarm_operated")[0].data


def test_age_counts_to_the_other_plc_too() -> None:
    """Contacts on one PLC, the arm on another that has long been silent: the position is as old as its own reply."""
    spec = replace(rake("D", running=False), position=replace(rake("D").position, point=word(10, plc="Q", scale=0.001)))  # type: ignore[type-var]
    works = Works(site_of(replace(spec, stale_ns=60_000 * MS)))
    works.scan(plc="Q")
    works.scan()
    works.operate("D", "alarm/A")
    works.scan(4_000)

    assert works.told("alarm_operated")[0].data["position_age_ms"] == 4_250


def test_what_was_known_when_the_last_run_ended_was_known_until_then() -> None:
    """After a restart 'last known' is the end of the last run, not the day on which it began to be known."""
    works = lone_rake()
    works.scan()
    wire, kept = works.state.wires["D"], works.drive("D")
    lived_utc_ms = works.utc_ms + 3_600_000

    back = after_restart(wire, kept, 5, lived_utc_ms=lived_utc_ms)
    again = after_restart(wire, back, 5, lived_utc_ms=lived_utc_ms + 1_000)

    assert {s.known_utc_ms for s in kept.protection.stages} == {works.utc_ms}
    assert {s.known_utc_ms for s in back.protection.stages} == {lived_utc_ms}
    assert {s.known_utc_ms for s in again.protection.stages} == {lived_utc_ms}
