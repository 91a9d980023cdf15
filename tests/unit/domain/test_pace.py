"""How fast one person may fill the record: a burst, then a share a minute; whoever it is, whichever way they come."""

from __future__ import annotations

import re

import pytest

from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.rights import MAY, Role, Who
from nightrake.domain.lockoutrequests import ABOUT_LOCKOUTS
from nightrake.domain.pace import FREE, LOCKOUTS_A_MINUTE, MINUTE_NS, OTHERS_A_MINUTE, Pace
from nightrake.page.people import People

SECOND = 1_000_000_000
FITTER = Who("fitter1", "maintenance", "page session")
CAUSE = "cause"


def taken(pace: Pace, verb: str, who: Who, times: list[int]) -> tuple[Pace, list[int]]:
    """Give a command at these times; when it was taken."""
    found = []
    for now_ns in times:
        if not pace.why_not(verb, who, now_ns):
            pace = pace.and_one(verb, who, now_ns)
            found.append(now_ns)
    return pace, found


def test_a_walk_in_one_breath_is_taken_and_a_flood_is_not() -> None:
    """Thirty at once, no more; the sentence says whose, how many, and when again."""
    pace, found = taken(Pace(), CAUSE, FITTER, [SECOND] * 1_000)

    assert len(found) == LOCKOUTS_A_MINUTE == 30
    assert pace.why_not(CAUSE, FITTER, SECOND) == (
        "fitter1 has given 30 reports about lockouts within a minute, and more are not taken from one person; "
        "give it again in 2 s"
    )


def test_page_has_the_name_in_place_of_the_id() -> None:
    """As in every other sentence of the watch."""
    pace, _ = taken(Pace(), CAUSE, FITTER, [SECOND] * 30)
    told = People({"fitter1": {"name": "Maintenance fitter"}}).in_words(f"PC1: {pace.why_not(CAUSE, FITTER, SECOND)}")

    assert told.startswith("PC1: Maintenance fitter has given 30 reports")


def test_after_the_wait_that_is_said_it_is_taken() -> None:
    """Not before, and then once."""
    pace, _ = taken(Pace(), CAUSE, FITTER, [SECOND] * 30)
    wait = re.search(r"in (\d+) s$", pace.why_not(CAUSE, FITTER, SECOND))
    assert wait is not None
    then_ns = SECOND + int(wait[1]) * SECOND

    assert pace.why_not(CAUSE, FITTER, then_ns - SECOND)
    assert taken(pace, CAUSE, FITTER, [then_ns] * 3)[1] == [then_ns]


@pytest.mark.parametrize("step_ns", [SECOND // 100, SECOND, 7 * SECOND // 3, 3 * SECOND])
def test_no_hour_brings_more_than_its_minutes_share(step_ns: int) -> None:
    """However it is spread: the burst, and thirty a minute; who keeps below that loses none."""
    times = list(range(0, 20 * MINUTE_NS, step_ns))
    _, found = taken(Pace(), CAUSE, FITTER, times)

    assert len(found) <= LOCKOUTS_A_MINUTE * 21
    if step_ns >= 2 * SECOND:
        assert found == times


def test_each_person_has_their_own() -> None:
    """One person's flood keeps nobody else from a report; another way in is no other person."""
    pace, _ = taken(Pace(), CAUSE, FITTER, [SECOND] * 40)

    assert not pace.why_not(CAUSE, Who("night1", "operator", "signature"), SECOND)
    assert pace.why_not(CAUSE, FITTER._replace(known_by="signature"), SECOND)


def test_user_of_the_machine_is_nobody_and_counts_for_nobody() -> None:
    """Also where they are called like a person; what they may do at all is none of this."""
    local = Who("fitter1", str(Role.LOCAL), "local user")
    pace, found = taken(Pace(), "test", local, [SECOND] * 1_000)

    assert len(found) == 1_000
    assert pace == Pace()
    assert not {"test", "test_end", "reset", "acknowledge"} - {v for v, roles in MAY.items() if Role.LOCAL in roles}
    assert all(verb not in ABOUT_LOCKOUTS for verb, roles in MAY.items() if Role.LOCAL in roles)


def test_every_step_of_a_lockout_counts_as_one_kind_and_the_rest_as_another() -> None:
    """Whoever has filled one may still do the other; every verb of the rights belongs somewhere."""
    steps = [*map(str, LockoutStep), "lockout_open", "lockout_cancel", "release"]
    pace, _ = taken(Pace(), "lockout_open", FITTER, [SECOND] * 40)
    assert all(pace.why_not(verb, FITTER, SECOND) for verb in steps)

    others = set(MAY) - set(steps) - FREE
    assert {"standby", "test", "shelve"} <= others
    assert not any(pace.why_not(verb, FITTER, SECOND) for verb in others)
    pace, found = taken(pace, "standby", FITTER, [SECOND] * 1_000)
    assert len(found) == OTHERS_A_MINUTE
    assert all(pace.why_not(verb, FITTER, SECOND) for verb in others)


def test_nobody_is_kept_from_acknowledging() -> None:
    """A flood of a thousand alarms is acknowledged and reset as fast as one can; a test call is always answered."""
    pace, _ = taken(Pace(), CAUSE, FITTER, [SECOND] * 40)
    pace, _ = taken(pace, "standby", FITTER, [SECOND] * 400)
    for verb in FREE:
        assert len(taken(pace, verb, FITTER, [SECOND] * 1_000)[1]) == 1_000


def test_who_is_quiet_is_forgotten() -> None:
    """What is kept does not grow with all who ever spoke."""
    pace = Pace()
    for number in range(500):
        pace = pace.and_one(CAUSE, Who(f"p{number}", "operator", "signature"), number * SECOND)

    assert len(pace.used_ns) <= 3
