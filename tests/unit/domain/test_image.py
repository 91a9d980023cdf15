"""Images of zeros: judged for each unit before any contact, and never carried over into a sound image."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.image import RESTART_NS, SOUND, Image, ImageState, judge_image
from nightrake.domain.site import Form, PositionSignal, Stage, Table
from nightrake.domain.witness import is_witness
from works import MS, SECOND, Works, bit, centred, contact, rake, site_of, values_at, word


def test_zeros_are_a_restart_for_two_seconds_at_most() -> None:
    """To the nanosecond; then suspect, until something is not zero."""
    first = judge_image(SOUND, True, 5 * SECOND)
    assert first == ImageState(Image.RESTARTING, 5 * SECOND)
    assert judge_image(first, True, 5 * SECOND + RESTART_NS) == first
    late = judge_image(first, True, 5 * SECOND + RESTART_NS + 1)
    assert late.image is Image.SUSPECT
    assert judge_image(late, True, 90 * SECOND) == late
    assert judge_image(late, False, 91 * SECOND) == SOUND


def test_two_seconds_run_on_while_no_witness_is_read() -> None:
    """A witness that is not read says nothing, but a restart does not last longer for it."""
    first = judge_image(SOUND, True, 0)
    assert judge_image(first, None, RESTART_NS) == first
    assert judge_image(first, None, RESTART_NS + 1).image is Image.SUSPECT
    assert judge_image(SOUND, None, RESTART_NS * 9) == SOUND


@pytest.mark.parametrize("form", list(Form))
def test_witnesses_are_what_cannot_be_zero(form: Form) -> None:
    """A live-zero loop, a closed contact, a healthy rack; nothing that may well be zero."""
    spec = rake("D", contact("D", Stage.SHUTDOWN, bit(1), form=form), heartbeat=True, rack=True)
    roles = {role for role in spec.points() if is_witness(spec, role)}
    closed = {"contact:forward/shutdown/A"} if form is Form.NORMALLY_CLOSED else set()
    assert roles == {"position", "rack_healthy"} | closed

    assert spec.position is not None
    scaled = replace(spec.position, signal=PositionSignal.SCALED)
    assert not is_witness(replace(spec, position=scaled), "position")
    assert is_witness(replace(spec, position=centred(word(10))), "position")


def test_short_blip_of_zeros_opens_nothing_and_says_so() -> None:
    """The whole site blinks: no contact operates, every drive says why it cannot be read, and all is as before."""
    works = Works(site_of(rake("D"), rake("E", plc="Q")))
    for plc in "PQ":
        works.scan(10, plc)
    held = {plc: works.zero(plc) for plc in "PQ"}
    for _ in range(6):
        for plc in "PQ":
            works.scan(125, plc)
    assert "PLC restarting" in works.reasons("D")
    for values in held.values():
        values_at(works, values)
    for plc in "PQ":
        works.scan(10, plc)

    assert {e.event for e in works.entries} <= {"image_restarting", "image_sound", "quality_changed"}
    assert not works.latched("D")
    assert works.protection("D").reasons == ()
    assert works.drive("D").torque.value is not None


def test_lasting_zeros_are_suspect_and_tell_each_shutdown_contact_they_show() -> None:
    """Told urgently, because it may be true; latched not, because it may not."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.zero()
    works.scans(9)
    assert works.told("shutdown_suspect") == []
    works.scans(3)

    (event,) = works.told("shutdown_suspect")
    assert event.urgent
    assert event.data["contact"] == "D/forward/shutdown/A"
    assert works.told("shutdown_operated") == []
    works.scans(20)
    assert len(works.told("shutdown_suspect")) == 1
    assert not works.latched("D")


def test_contact_operated_in_a_good_image_opens_at_once_although_its_own_block_is_zero() -> None:
    """A true trip: both contacts open, motor off, so the bits are all zero; the position is not."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.operate("D", "alarm/A")
    works.operate("D", "shutdown/A")
    works.set("D", "running", 0)
    works.scan()

    assert len(works.told("shutdown_operated")) == 1
    assert works.told("image_restarting") == []
    assert works.latched("D")


def test_one_unit_behind_a_gateway_restarts_alone() -> None:
    """Its neighbour is read as before, and its own trip counts."""
    works = Works(site_of(rake("D", unit=3), rake("E", unit=4)))
    works.scan()
    works.zero(unit=3)
    works.operate("E", "shutdown/A")
    works.scan()

    assert "PLC restarting" in works.reasons("D")
    assert works.reasons("E") == ""
    assert [e.drive for e in works.told("shutdown_operated")] == ["E"]
    assert [e.data["unit"] for e in works.told("image_restarting")] == [3]


def test_zeros_of_a_restart_are_not_believed_once_the_image_is_sound_again() -> None:
    """The slow witness comes back in a scan that did not read the contacts: they wait for their own next reading."""
    works = Works(site_of(rake("D")))
    works.scan()
    contacts = works.blocks("contact:forward/shutdown/A", "running", drive="D")
    position = works.blocks("position", drive="D")
    held = works.zero()
    works.scan()
    values_at(works, held)
    works.scan(only=position)
    assert works.told("image_sound") != []
    assert "restarting" in works.reasons("D")
    works.tick(100)
    works.scan(only=position)
    works.scan(only=contacts)

    assert works.told("shutdown_operated") == []
    assert works.told("stop_confirmed") == []
    assert works.protection("D").reasons == ()


def test_zeros_that_other_blocks_had_read_before_lose_their_trust_too() -> None:
    """The unit is one image: what a slow block said a second ago does not outlive the restart."""
    works = Works(site_of(rake("D")))
    works.scan()
    contacts = works.blocks("contact:forward/shutdown/A", "running", drive="D")
    works.zero()
    works.scan(only=contacts)

    assert works.drive("D").position.value is None
    assert "restarting" in works.drive("D").position.reason


def test_restart_does_not_last_while_the_witness_is_silent() -> None:
    """Blocks without a witness go on being read: after two seconds the image is suspect all the same."""
    plain = contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL), form=Form.NORMALLY_OPEN)
    works = Works(site_of(rake("D", plain)))
    works.scan()
    witness = works.blocks("position", drive="D")
    works.zero()
    works.scan()
    for _ in range(10):
        works.scan(bad=witness)

    assert len(works.told("image_suspect")) == 1


def test_site_with_normally_open_contacts_and_no_witness_is_healthy_at_zero() -> None:
    """Its resting state is zero everywhere; a contact that closes is believed at once."""
    spec = rake(
        "D",
        contact("D", Stage.ALARM, bit(0), form=Form.NORMALLY_OPEN),
        contact("D", Stage.SHUTDOWN, bit(1), form=Form.NORMALLY_OPEN),
        position=False,
    )
    works = Works(site_of(spec))
    works.zero()
    works.scans(40)
    assert works.entries == []
    works.operate("D", "shutdown/A")
    works.scan()

    assert works.latched("D")


def test_a_changed_plan_keeps_what_is_known_of_the_image() -> None:
    """An exception that splits a block in the middle of a restart does not make zeros sound."""
    works = Works(site_of(rake("D")))
    works.scan()
    works.zero()
    works.scan()
    works.plans["P"] = replace(works.plans["P"], layout="another")
    works.scan()

    assert works.told("shutdown_operated") == []
    assert works.state.endpoints["P"].images[1].image is Image.RESTARTING
    assert works.state.endpoints["P"].images[1].zero_since_ns == works.now_ns - 250 * MS
