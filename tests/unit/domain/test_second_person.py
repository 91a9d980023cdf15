"""Commands for which a site asks for two people: both mean the same thing, both are people, both are there now."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.response import Response
from nightrake.alarms.rota import Chain, Person, Rota, Step
from nightrake.domain.inputs import SettingsChanged
from works import SECOND, Works, rake, site_of

PEOPLE = {
    "night": Person("night", "Night shift", "operator"),
    "boss": Person("boss", "Supervisor", "supervisor"),
    "fitter": Person("fitter", "Fitter", "maintenance"),
}
ROTA = Rota(PEOPLE, {}, {p: Chain((Step(people=("night",), wait_ns=180 * SECOND),)) for p in ("urgent", "high", "low")})
TWO = frozenset({"out_of_service", "reset", "release", "lock_exception"})
RESPONSE = Response("Works", rota=ROTA, two_persons=TWO)
ALARM, SHUTDOWN = "D/forward/alarm_contact", "D/forward/shutdown_contact"
BOSS = {"actor": "boss", "role": "supervisor"}
FITTER = {"actor": "fitter", "role": "maintenance"}
NIGHT = {"actor": "night", "role": "operator"}


def watched(response: Response = RESPONSE) -> Works:
    """One drive, watched for a while."""
    works = Works(site_of(replace(rake("D"), alarm_nm=28_000.0)), response)
    works.set("D", "position", 8_000)
    run(works, 40)
    works.entries.clear()
    return works


def run(works: Works, seconds: float) -> None:
    """A scan and a tick each second."""
    for _ in range(round(seconds)):
        works.scan(500)
        works.tick(500)


def latched(works: Works) -> None:
    """A shutdown that came, went for its off-delay, and was acknowledged."""
    works.operate("D", "shutdown/A")
    run(works, 3)
    works.operate("D", "shutdown/A", False)
    run(works, 70)
    assert works.ask("acknowledge", "D", alarm=SHUTDOWN, occurrence=works.shutdown("D").occurrence, **NIGHT)[0]


def put_aside(works: Works, seconds: float, reason: str, who: dict[str, str]) -> tuple[bool, str]:
    """Ask for the alarm contact to be out of service."""
    return works.ask("out_of_service", "D", alarm=ALARM, for_s=seconds, reason=reason, **who)


def test_a_lock_that_is_not_on_record_takes_no_first_word() -> None:
    """An exception that nobody could confirm is refused at once; a fitter may still speak first of one that is."""
    works = watched()
    works.ask("isolation_reported", "D", lock_number="21", **NIGHT)
    facts = ["rang twice", "searched the works", "at the gate"]
    refused: list[tuple[dict[str, Any], str]] = [
        ({"whom": "fitter", "facts": facts}, "no lock of 'fitter' is on record"),
        ({"whom": "night", "lock_number": "22", "facts": facts}, "no lock 22 of 'night' is on record"),
        ({"whom": "night", "facts": facts[:2]}, "say how the absence was verified"),
    ]
    for said, why in refused:
        ok, text = works.ask("lock_exception", "D", **said, **BOSS)
        assert (ok, why in text) == (False, True), text
    assert not works.told("first_of_two")
    assert [row.data["verb"] for row in works.told("refused")] == ["lock_exception"] * 3

    assert "noted" in works.ask("lock_exception", "D", whom="night", facts=facts, **FITTER)[1]
    assert "recorded" in works.ask("lock_exception", "D", whom="night", facts=facts, **BOSS)[1]
    assert not works.state.alarms.lockout_of("D").locks_on


def test_the_second_person_confirms_what_the_first_has_asked_for_and_nothing_else() -> None:
    """Ten minutes do not become 92 days."""
    works = watched()
    assert "noted" in put_aside(works, 600, "permit A", BOSS)[1]
    _, text = put_aside(works, 92 * 86_400, "other", FITTER)
    assert "boss has asked for 10 min, which is another request" in text
    assert not works.told("out_of_service")
    assert "out of service for" in put_aside(works, 600, "cable", FITTER)[1]

    (row,) = works.told("out_of_service")
    assert (row.data["actor"], row.data["first"], row.data["reason"]) == ("fitter", "boss", "permit A; cable")
    lying = works.state.alarms.book.subjects["D"].alarms[ALARM].overlays.out_of_service
    assert lying is not None
    assert lying.until_ns - works.now_ns == 600 * SECOND


def test_no_first_word_is_taken_for_what_could_not_be_done() -> None:
    """Without a reason, of an unknown alarm, of a contact that is operated: refused at once."""
    works = watched()
    assert "needs a reason" in put_aside(works, 600, "", BOSS)[1]
    assert not works.ask("out_of_service", "D", alarm="D/forward/nothing", for_s=60, reason="x", **BOSS)[0]
    works.operate("D", "shutdown/A")
    run(works, 2)
    ok, text = works.ask("reset", "D", **BOSS)

    assert not ok
    assert "still operated" in text
    assert not works.state.alarms.seconds.waiting
    assert [e.event for e in works.entries if e.kind == "command"] == ["refused"] * 3


def test_a_first_word_is_old_after_a_further_trip() -> None:
    """It was given for another shutdown."""
    works = watched()
    latched(works)
    assert "noted" in works.ask("reset", "D", **BOSS)[1]
    latched(works)
    ok, text = works.ask("reset", "D", **NIGHT)

    assert works.latched("D")
    assert "noted" in text, (ok, text)
    assert works.ask("reset", "D", **BOSS)[0]
    assert not works.latched("D")


def test_a_user_of_the_machine_whom_nobody_knows_is_no_second_person() -> None:
    """Nor a first: it may be the same person twice."""
    works = watched()
    latched(works)
    root = {"actor": "root", "role": "local"}
    ok, text = works.ask("reset", "D", **root)
    assert not ok
    assert "'root' is nobody whom people.toml names" in text
    assert "noted" in works.ask("reset", "D", **NIGHT)[1]

    assert not works.ask("reset", "D", **root)[0]
    assert works.latched("D")


def test_a_first_person_who_has_left_or_is_another_thing_by_now_has_not_spoken() -> None:
    """Otherwise an operator alone would release."""
    rules = LockoutRules(needs=(), after_shutdown=True)
    two = RESPONSE._replace(lockout=rules)
    for people in (
        {k: v for k, v in PEOPLE.items() if k != "boss"},
        {**PEOPLE, "boss": Person("boss", "Supervisor", "operator")},
    ):
        works = watched(two)
        assert works.ask("lockout_open", "D", **NIGHT)[0]
        assert "noted" in works.ask("release", "D", **BOSS)[1]
        rota = ROTA._replace(people=people)
        works.give(SettingsChanged(works.now_ns, works.utc_ms, works.site, two._replace(rota=rota)))
        text = works.ask("release", "D", **NIGHT)[1]
        assert "noted" in text
        assert works.state.alarms.lockout_of("D").is_open


def test_an_exception_is_made_in_the_name_of_the_one_who_may() -> None:
    """The supervisor asks, somebody else confirms."""
    works = watched()
    assert works.ask("isolation_reported", "D", lock_number="7", **FITTER)[0]
    said: dict[str, Any] = {"whom": "fitter", "facts": ["seen at the gate", "telephoned", "told at the gate"]}
    assert "noted" in works.ask("lock_exception", "D", **said, **BOSS)[1]
    ok, text = works.ask("lock_exception", "D", **said, **NIGHT)

    assert ok, text
    (row,) = works.told("lock_exception")
    assert row.data["actor"] == "boss"
    assert not works.state.alarms.lockout_of("D").locks_on
