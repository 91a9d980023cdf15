"""Who may do what, and what needs two: every role against every command, refusals in plain words."""

from __future__ import annotations

import pytest

from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.rights import (
    MAX_WAITING,
    MAY,
    SECOND_WITHIN_NS,
    TWO_POSSIBLE,
    Role,
    Seconds,
    Who,
    first_words,
    refusal,
    rule,
)

RELEASE = frozenset({"release"})
SUPER = Who("super1", "supervisor", "signature")
OTHER = Who("super2", "supervisor", "signature")
FITTER = Who("fitter1", "maintenance", "signature")
LOCAL = Who("root", "local", "local user")


@pytest.mark.parametrize("verb", sorted(MAY))
@pytest.mark.parametrize("role", [*(str(r) for r in Role), "", "boss"])
def test_role_may_or_is_told_who_may(verb: str, role: str) -> None:
    """Either nothing is said, or the sentence names the command, the role, and a role that may."""
    text = refusal(verb, role)
    allowed = {str(r) for r in MAY[verb]}

    if role in allowed:
        assert text == ""
    else:
        assert text.startswith(verb.replace("_", " "))
        assert "may not" in text
        assert all(r in text for r in allowed)


def test_release_is_for_supervisors_alone() -> None:
    """As the issue asks; a user of the machine without a name is none."""
    assert {r for r in Role if not refusal("release", r)} == {Role.SUPERVISOR}
    assert refusal("release", "operator") == "release is for supervisor; the role 'operator' may not"


@pytest.mark.parametrize("step", sorted(set(LockoutStep) - {LockoutStep.LOCK_EXCEPTION, LockoutStep.TEST_RUN}))
@pytest.mark.parametrize("role", ["operator", "supervisor", "maintenance", "engineer"])
def test_every_named_person_may_report(step: LockoutStep, role: str) -> None:
    """A report is never lost for want of a rank."""
    assert refusal(step, role) == ""


def test_every_lockout_step_has_a_rule() -> None:
    """No step is forgotten in the table."""
    assert set(LockoutStep) <= set(MAY)
    assert set(MAY) >= TWO_POSSIBLE


def test_unknown_command_is_named_and_cut() -> None:
    """However long it is."""
    assert refusal("open" * 100, "supervisor") == f"unknown command '{'open' * 8}'"


def test_one_is_enough_where_the_site_asks_for_no_second() -> None:
    """The role decides alone."""
    assert rule(Seconds(), frozenset(), "release", "PC1", SUPER, 0)[1].go
    assert not rule(Seconds(), frozenset(), "release", "PC1", FITTER, 0)[1].go


@pytest.mark.parametrize(
    ("first", "second", "goes"),
    [(SUPER, OTHER, True), (FITTER, SUPER, True), (SUPER, FITTER, True), (FITTER, Who("f2", "operator", "s"), False)],
)
def test_two_different_people_of_whom_one_has_the_role(first: Who, second: Who, goes: bool) -> None:
    """In either order."""
    seconds, ruling = rule(Seconds(), RELEASE, "release", "PC1/1", first, 0)
    assert (ruling.go, ruling.waits) == (False, True)
    assert "another one confirms within 15 minutes" in ruling.text

    seconds, ruling = rule(seconds, RELEASE, "release", "PC1/1", second, SECOND_WITHIN_NS - 1)

    assert ruling.go is goes
    assert (ruling.first == first) is goes
    assert (seconds.waiting == {}) is goes


def test_same_person_twice_is_one_person() -> None:
    """In another role too; the request goes on waiting."""
    seconds, _ = rule(Seconds(), RELEASE, "release", "PC1/1", FITTER, 0)
    after, ruling = rule(seconds, RELEASE, "release", "PC1/1", FITTER._replace(role="supervisor"), 1)

    assert not ruling.go
    assert not ruling.waits
    assert "fitter1 has asked already" in ruling.text
    assert after == seconds


def test_request_that_waited_too_long_is_a_first_one_again() -> None:
    """Nobody completes yesterday's release."""
    seconds, _ = rule(Seconds(), RELEASE, "release", "PC1/1", SUPER, 0)
    _, ruling = rule(seconds, RELEASE, "release", "PC1/1", OTHER, SECOND_WITHIN_NS)

    assert ruling.waits


def test_two_people_mean_the_same() -> None:
    """Another drive, or another command, is another request."""
    two = frozenset({"release", "reset"})
    seconds, _ = rule(Seconds(), two, "release", "PC1/1", SUPER, 0)

    assert rule(seconds, two, "release", "PC2/1", OTHER, 1)[1].waits
    assert rule(seconds, two, "reset", "PC1/1", OTHER, 1)[1].waits


@pytest.mark.parametrize("who", [LOCAL, Who("x", "", "signature"), Who("x", "boss", "page")])
def test_who_has_no_name_here_is_not_even_the_first(who: Who) -> None:
    """And leaves nothing waiting."""
    seconds, ruling = rule(Seconds(), RELEASE, "release", "PC1/1", who, 0)
    assert (seconds, ruling.go, ruling.waits) == (Seconds(), False, False)
    asked, _ = rule(Seconds(), RELEASE, "release", "PC1/1", SUPER, 0)

    assert not rule(asked, RELEASE, "release", "PC1/1", who, 0)[1].go


def test_waiting_requests_are_bounded() -> None:
    """The oldest goes first."""
    seconds = Seconds()
    for number in range(3 * MAX_WAITING):
        seconds, _ = rule(seconds, RELEASE, "release", f"D{number}", SUPER, number)

    assert len(seconds.waiting) == MAX_WAITING
    assert first_words(seconds, "release", f"D{3 * MAX_WAITING - 1}", 3 * MAX_WAITING)
    assert not first_words(seconds, "release", "D0", 3 * MAX_WAITING)
