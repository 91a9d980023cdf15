"""Quality: what is told when, and that no reading can make a flood of it; heartbeat, rack, stale, due dates."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightrake.domain.inputs import NO_FRAME, Got
from nightrake.domain.quality import CLEAR_NS
from nightrake.domain.reading import Category, Exactness, Reason, absent, worst
from nightrake.domain.site import Direction, Form, Stage, Table
from works import FAR_SIDE, MS, NEAR_SIDE, PRELOADED, Works, bit, centred, contact, rake, site_of, word

CLEAR_MS = CLEAR_NS // MS


def qualities(works: Works) -> list[tuple[str, tuple[str, ...]]]:
    """What was told of the quality, in order."""
    return [(e.data["quality"], tuple(e.data["reasons"])) for e in works.told("quality_changed")]


def test_categories_rank_as_in_ne_107() -> None:
    """Failure before function check before out of specification before maintenance before good."""
    order = [
        Category.FAILURE,
        Category.FUNCTION_CHECK,
        Category.OUT_OF_SPECIFICATION,
        Category.MAINTENANCE,
        Category.GOOD,
    ]
    reasons = tuple(Reason(c, str(c)) for c in reversed(order))
    for n in range(len(order)):
        assert worst(reasons[: len(order) - n]) is order[n]
    assert worst(()) is Category.GOOD


def test_worse_is_told_at_once_and_better_after_five_seconds() -> None:
    """To the millisecond."""
    works = Works(site_of(rake()))
    works.scan()
    works.scan(bad=[0])
    assert [q for q, _ in qualities(works)] == ["failure"]
    works.scan(250)
    for _ in range(CLEAR_MS // 100 - 1):
        works.scan(100)
    works.tick(99)
    assert len(qualities(works)) == 1
    works.tick(1)

    assert qualities(works)[1:] == [("good", ())]


def test_flapping_blocks_are_told_once_each_until_they_settle() -> None:
    """One block after the other fails and heals with each scan: the same few sentences, not one with each scan."""
    works = Works(site_of(rake("D", contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL)), rack=True)))
    works.scan()
    blocks = range(len(works.plans["P"].blocks))
    for n in range(200):
        works.scan(bad=[b for b in blocks if (n >> b) & 1])

    assert len(qualities(works)) <= 2 ** len(blocks)
    before = len(qualities(works))
    works.scans(40)
    assert qualities(works)[before:] == [("good", ())]


def test_reasons_by_turns_are_told_once_each() -> None:
    """A gateway that is silent now, and gone then: two sentences, not one with each scan."""
    works = Works(site_of(rake()))
    works.scan()
    for n in range(100):
        works.scan(bad=[0, 1], detail="no reply within 1 s" if n % 2 else "not connected")

    assert [reasons for _, reasons in qualities(works)] == [("not connected",), ("no reply within 1 s",)]


def test_reason_that_gives_way_to_another_is_told_once() -> None:
    """'No reply' that becomes 'not connected' is two sentences, not a third one five seconds later."""
    works = Works(site_of(rake()))
    works.scan()
    for _ in range(10):
        works.scan(bad=[0, 1], detail="no reply within 1 s")
    for _ in range(60):
        works.scan(bad=[0, 1], got=Got.NO_CONNECTION, detail="not connected")

    assert qualities(works) == [("failure", ("no reply within 1 s",)), ("failure", ("not connected",))]


@pytest.mark.parametrize("got", [Got.WRONG_TRANSACTION, Got.GARBAGE])
def test_detail_that_changes_with_each_reply_is_no_news_each_time(got: Got) -> None:
    """Transaction ids and bytes differ in every reply; the reason stays the same."""
    works = Works(site_of(rake()))
    works.scan()
    for n in range(50):
        works.scan(bad=[0], got=got, detail=f"asked transaction {n}, answered transaction {n + 1}")

    ((_, (reason,)),) = qualities(works)
    assert "transaction id" in reason or "no Modbus/TCP frame" in reason


def test_drive_that_is_read_again_block_by_block_is_good_again_and_nothing_between() -> None:
    """What is read slowly comes later; that the rest still lacks the same is no news on the way."""
    works = Works(site_of(rake()))
    works.scan()
    works.scan(bad=[0, 1])
    works.scan(only=[0])
    works.scan(only=[0])
    works.scans(CLEAR_MS // 250 + 2)

    assert qualities(works) == [("failure", ("no reply within 1 s",)), ("good", ())]


def test_part_that_stays_bad_is_told_once_it_has_stayed_so() -> None:
    """As any other change for the better."""
    works = Works(site_of(rake()))
    works.scan()
    works.scan(bad=[0, 1])
    for _ in range(CLEAR_MS // 250 + 2):
        works.scan(bad=[1])

    (_, whole), (quality, (part,)) = qualities(works)
    assert whole == ("no reply within 1 s",)
    assert quality == "failure"
    assert part.startswith("no reply within 1 s (")


def test_garbage_is_no_news_with_each_connection() -> None:
    """Something else listens there: each attempt brings other bytes, which the detail keeps until the next one."""
    works = Works(site_of(rake()))
    works.scan()
    for n in range(8):
        words = f"{NO_FRAME}: 48 54 54 {n:02x}"
        works.scan(bad=[0, 1], got=Got.GARBAGE, detail=words)
        for _ in range(40):
            works.scan(bad=[0, 1], got=Got.NO_CONNECTION, detail=words)

    assert qualities(works) == [("failure", ("answers are no Modbus/TCP frames",))]


def test_bad_reply_without_a_detail_is_named_by_its_kind() -> None:
    """A reason is never empty."""
    works = Works(site_of(rake()))
    works.scan(bad=[0, 1], got=Got.WRONG_COUNT, detail="")

    assert works.reasons("D") == "wrong count"


def test_noise_on_a_broken_loop_is_told_once() -> None:
    """3.50, 3.51, 3.52 mA: one failure, not one event with each reading."""
    works = Works(site_of(rake()))
    works.scan()
    for n in range(40):
        works.set("D", "position", 3_500 + n)
        works.scan()

    ((quality, (reason,)),) = qualities(works)
    assert quality == "failure"
    assert "3.6 mA" in reason


@pytest.mark.parametrize(
    ("micro_ampere", "category"),
    [
        (3_600, "failure"),
        (3_601, "out of specification"),
        (3_799, "out of specification"),
        (3_800, "out of specification"),
        (4_000, "good"),
        (20_000, "good"),
        (20_001, "out of specification"),
        (20_500, "out of specification"),
        (20_501, "out of specification"),
        (21_000, "failure"),
    ],
)
def test_currents_from_microamperes_meet_the_limits_exactly(micro_ampere: int, category: str) -> None:
    """0.001 x 20500 must not miss a limit of NE 43 by a rounding error."""
    works = Works(site_of(rake(position=True)))
    # The record reaches over the whole scale here, so that only the current is judged.
    curve = replace(PRELOADED, position_mm=(-1.0, 10.0, 26.0))
    works = Works(site_of(replace(rake(), calibrations={Direction.FORWARD: curve})))
    works.set("D", "position", micro_ampere)
    works.scan()

    assert worst(works.protection("D").reasons).value == category
    usable = 3_800 <= micro_ampere <= 20_500
    assert (works.drive("D").position.value is not None) is usable


def test_torque_beyond_or_without_a_record_is_out_of_specification() -> None:
    """It is shown as a limit, or not at all, and says why."""
    works = Works(site_of(rake()))
    works.set("D", "position", 19_000)  # 23.4 mm, the record ends at 20 mm
    works.scan()
    assert works.drive("D").torque[:3] == (Exactness.BEYOND, 40_000.0, "beyond the last calibrated point")
    assert worst(works.protection("D").reasons) is Category.OUT_OF_SPECIFICATION

    bare = Works(site_of(replace(rake(), calibrations={})))
    bare.scan()
    assert bare.drive("D").position.value is not None
    assert "no calibration record" in bare.reasons("D")


def test_two_directions_use_the_record_of_the_side_that_the_arm_leans_to() -> None:
    """A centred spring pair: negative positions are the reverse direction, torque is a magnitude on both sides."""
    spec = replace(
        rake(),
        directions=(Direction.FORWARD, Direction.REVERSE),
        position=centred(word(10)),
        calibrations={Direction.FORWARD: NEAR_SIDE, Direction.REVERSE: FAR_SIDE},
    )
    works = Works(site_of(spec))
    for counts, side, torque_nm in ((2457, "forward", 0.0), (2948, "forward", 37_469.5), (1966, "reverse", 37_469.5)):
        works.set("D", "position", counts)
        works.scan()
        drive = works.drive("D")
        assert drive.side == side
        assert drive.torque.value == pytest.approx(torque_nm, rel=1e-5)


# --- heartbeat and rack -----------------------------------------------------------------------------------------------


def beating() -> Works:
    """A drive whose contacts, heartbeat and position lie in three blocks."""
    works = Works(site_of(rake(heartbeat=True)))
    works.scan()
    return works


def test_heartbeat_that_stands_still_is_told_after_its_time() -> None:
    """Neither before, nor while it moves."""
    works = beating()
    for n in range(40):
        works.set("D", "heartbeat", n)
        works.scan()
    assert works.protection("D").reasons == ()
    works.scans(20)
    assert works.protection("D").reasons == ()
    works.tick(1)

    assert "heartbeat stands still" in works.reasons("D")
    assert works.protection("D").running == -1
    works.set("D", "heartbeat", 77)
    works.scan()
    assert works.protection("D").reasons == ()


def test_heartbeat_that_cannot_be_read_is_not_a_frozen_one() -> None:
    """Its block fails, the contacts' block does not: they are read, and a shutdown counts."""
    works = beating()
    beat = works.blocks("heartbeat", drive="D")
    for _ in range(40):
        works.scan(bad=beat)
    assert "stands still" not in works.reasons("D")
    works.operate("D", "shutdown/A")
    works.scan(bad=beat)

    assert works.latched("D")


def test_contact_that_goes_bad_is_no_sign_of_life() -> None:
    """Only a change from one good value to another shows that the image still moves."""
    works = beating()
    contacts = works.blocks("running", drive="D")
    works.scan(4_900)
    works.scan(200, bad=contacts)

    assert "stands still" in works.reasons("D")


def test_values_of_another_plc_are_not_blocked_by_this_ones_heartbeat() -> None:
    """A drive may draw on two PLCs; only what comes the same way freezes with it."""
    spec = rake("D", contact("D", Stage.SHUTDOWN, bit(1, plc="Q"), form=Form.NORMALLY_OPEN), heartbeat=True)
    works = Works(site_of(spec))
    for plc in "PQ":
        works.scan(0, plc)
    for _ in range(26):
        works.scan(200, "P")
        works.scan(0, "Q")
    works.operate("D", "shutdown/A")
    works.scan(0, "Q")

    assert "stands still" in works.reasons("D")
    assert works.latched("D")


def test_contact_read_while_the_rack_was_dead_is_read_anew_before_it_counts() -> None:
    """The rack's bit heals in one block; what the contact's block had said before is no evidence."""
    far = contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL), form=Form.NORMALLY_OPEN)
    works = Works(site_of(rake("D", far, rack=True)))
    works.scan()
    contact_block = works.blocks("contact:forward/shutdown/A", drive="D")
    rack_block = works.blocks("rack_healthy", drive="D")
    works.set("D", "rack_healthy", 0)
    works.operate("D", "shutdown/A")
    works.scan()
    assert "rack" in works.reasons("D")
    works.set("D", "rack_healthy", 1)
    works.scan(only=rack_block)
    works.tick(100)
    assert works.told("shutdown_operated") == []
    works.scan(only=contact_block)

    assert len(works.told("shutdown_operated")) == 1


def test_contact_that_is_sound_again_after_a_dead_rack_needs_no_change_to_be_known() -> None:
    """Its next reading makes it known, although it reads what it read before."""
    works = Works(site_of(rake("D", contact("D", Stage.SHUTDOWN, bit(40, table=Table.COIL)), rack=True)))
    works.scan()
    works.set("D", "rack_healthy", 0)
    works.scan()
    works.set("D", "rack_healthy", 1)
    works.scan(only=works.blocks("rack_healthy", drive="D"))
    assert not works.protection("D").stages[0].known
    works.scan(only=works.blocks("contact:forward/shutdown/A", drive="D"))

    assert works.protection("D").stages[0].known


# --- age --------------------------------------------------------------------------------------------------------------


def test_each_drive_has_its_own_limit_of_age() -> None:
    """Two drives in one block: the one that allows less is stale first, and both recover on an unchanged reading."""
    quick = replace(rake("D"), stale_ns=2_000 * MS, position=None, calibrations={})
    slow = rake("E", contact("E", Stage.SHUTDOWN, bit(4)), position=False, running=False)
    works = Works(site_of(quick, slow))
    works.scan()
    works.tick(2_100)
    assert ("stale" in works.reasons("D"), "stale" in works.reasons("E")) == (True, False)
    works.tick(3_000)
    assert ("stale" in works.reasons("D"), "stale" in works.reasons("E")) == (True, True)
    works.tick(100)
    works.scan()

    assert works.reasons("D") == works.reasons("E") == ""
    assert len(works.told("quality_changed", "D")) == 1


def test_calibration_past_its_due_date_is_noticed_by_time_alone() -> None:
    """No reading changes at midnight; a date does."""
    works = Works(site_of(rake()))
    due_utc_ms = works.utc_ms + 3_600_000
    spec = replace(rake(), calibrations={Direction.FORWARD: replace(PRELOADED, due_utc_ms=due_utc_ms)})
    works = Works(site_of(replace(spec, stale_ns=10**18)))
    works.scan()
    works.tick(3_599_000)
    assert works.reasons("D") == ""
    works.tick(1_000)

    assert "past its due date" in works.reasons("D")
    assert worst(works.protection("D").reasons) is Category.MAINTENANCE
    assert len(works.told("quality_changed")) == 1


def test_drive_without_position_has_a_torque_that_is_absent() -> None:
    """Absent with a reason, never zero, and no reason to distrust the contacts."""
    works = Works(site_of(rake(position=False)))
    works.scan()

    assert works.drive("D").torque == absent("no position transducer")
    assert works.protection("D").reasons == ()


def test_refused_address_is_named() -> None:
    """A point that the PLC does not serve has no value, and says so until the plan has it again."""
    works = Works(site_of(rake()))
    works.scan()
    plan = works.plans["P"]
    point = works.site.drives["D"].points()["position"]
    (block,) = works.blocks("position", drive="D")
    places = {p: place for p, place in plan.places.items() if p != point}
    assert block == len(plan.blocks) - 1
    works.plans["P"] = replace(
        plan, blocks=plan.blocks[:-1], places=places, refused=(point,), witness_blocks=(0,), layout="less"
    )
    works.scan()
    assert "refuses this address (position)" in works.reasons("D")
    works.plans["P"] = plan
    works.scan()

    assert works.reasons("D") == ""
