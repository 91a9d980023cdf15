"""What must not hide behind something else: a silent PLC, a lockout, a worse torque, a drive's name, a person."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alarmbooks import ALARM, UTC, S, Walk
from callnights import RESPONSE, SHUTDOWN, Night
from nightrake.alarms.accountwords import call_words
from nightrake.alarms.callqueue import Call, More
from nightrake.alarms.lockout import LockoutRules
from nightrake.alarms.lockoutsteps import LockoutStep
from nightrake.alarms.locks import put_on, take_off
from nightrake.alarms.release import MISSING
from nightrake.alarms.rules import rule_for
from nightrake.alarms.table import ALARM_TYPES
from nightrake.alarms.told import Fact, Moment
from nightrake.domain.inputs import LinkHealth, Tick
from nightrake.domain.respond import Responding
from nightrake.domain.state import NOTHING
from nightrake.messages.many import more_summary
from works import Works, rake, site_of

BOSS = {"actor": "boss", "role": "supervisor"}
FITTER = {"actor": "second", "role": "operator"}
SILENT_P, SILENT_Q, SILENT_R = (f"plc:{plc}/-/plc_silent" for plc in "PQR")
PAGING = "site/-/paging_dead"
RUNNING = "D/-/running_while_locked_out"


class Plcs(Works):
    """Three PLCs with a drive each, that only answer or do not."""

    def __init__(self) -> None:
        drives = (replace(rake(drive, plc=plc)) for drive, plc in zip("DEF", "PQR", strict=True))
        super().__init__(site_of(*drives), RESPONSE)
        for plc in "PQR":
            self.link(plc, True)

    def link(self, plc: str, up: bool, after_s: int = 0) -> None:
        """After a while a PLC answers, or does not."""
        self.wait(after_s)
        self.give(LinkHealth(self.now_ns, self.utc_ms, f"plc:{plc}", up, "no answer"))

    def wait(self, seconds: int) -> None:
        """Ticks only."""
        for _ in range(seconds):
            self.tick(1_000)

    def put_aside(self, alarm: str, verb: str) -> None:
        """Shelve an alarm for two hours, or take it out of service."""
        assert self.ask(verb, "", alarm=alarm, for_s=7_200.0, reason="repair of the switch", **BOSS)[0]

    def called(self) -> list[str]:
        """The silences that were called, in order (nobody reads here, so that drives call too)."""
        return [alarm for e in self.told("called") if (alarm := str(e.data["alarm"])).endswith("/plc_silent")]


# --- silent PLCs ---


@pytest.mark.parametrize("verb", ["shelve", "out_of_service"])
def test_plc_that_falls_silent_after_one_whose_alarm_is_put_aside_calls(verb: str) -> None:
    """Under its own name: that one is tried in a repair and falls silent first, nobody has put this one aside."""
    plcs = Plcs()
    plcs.link("Q", False)
    plcs.wait(40)
    plcs.put_aside(SILENT_Q, verb)
    plcs.link("Q", True)
    plcs.wait(300)
    plcs.entries.clear()
    plcs.link("Q", False)
    plcs.link("P", False, 5)
    plcs.wait(40)

    assert plcs.called() == [SILENT_P]


def test_plc_silent_alone_again_leaves_a_name_that_has_been_shelved_since() -> None:
    """They were silent together under the other's name, and both were back for half a minute."""
    plcs = Plcs()
    plcs.link("Q", False)
    plcs.link("P", False, 5)
    plcs.wait(40)
    assert plcs.called() == [SILENT_Q]
    plcs.put_aside(SILENT_Q, "shelve")
    plcs.link("Q", True)
    plcs.link("P", True)
    plcs.entries.clear()
    plcs.link("P", False, 30)
    plcs.wait(40)

    assert plcs.called() == [SILENT_P]


def test_plc_silent_anew_in_the_last_seconds_of_an_acknowledged_silence_is_told() -> None:
    """Whoever acknowledged knew it as back, and it alone unwatches fewer drives than all had done together."""
    plcs = Plcs()
    plcs.link("R", False)
    plcs.link("Q", False, 2)
    plcs.wait(40)
    assert plcs.called() == [SILENT_R]
    assert plcs.ask("acknowledge", "", alarm=SILENT_R, occurrence=1, actor="night", role="operator")[0]
    plcs.link("Q", True)
    plcs.link("R", True, 48)
    plcs.entries.clear()
    plcs.link("Q", False, 9)
    plcs.wait(60)

    assert plcs.called() == [SILENT_R]


# --- what is worse, who is dead, whose drive it is ---


def test_one_message_for_an_urgent_storm_names_the_drives() -> None:
    """Each of thirty on a telephone, each of sixty in the mail; what to do first stays in both."""
    names = [f"D{i:02}" for i in range(60)]
    calls = tuple(Call("n", f"{d}/forward/shutdown_contact", "urgent", {"subject": f"URGENT: {d}"}) for d in names)

    short = more_summary(More("n", calls[:30], {}, 0, urgent=True), "Fennmark").short
    assert [d for d in names[:30] if d not in short] == []
    assert "Do not reset" in short
    long = more_summary(More("n", calls, {}, 0, urgent=True), "Fennmark").long
    assert [d for d in names if d not in long] == []
    assert "Do not reset" in long


def test_what_becomes_worse_while_it_chatters_calls() -> None:
    """It bounces and was acknowledged; worse than at its last call is news, as bad as then is not."""
    walk = Walk()
    bouncing = rule_for(ALARM_TYPES["alarm_contact"])._replace(on_delay_ns=0, off_delay_ns=S)
    rules = walk.rules.drives
    walk.rules = walk.rules._replace(drives={**rules, "D0": {**rules["D0"], "alarm_contact": bouncing}})
    for _ in range(4):
        walk.say(ALARM, True)
        walk.wait(4)
        walk.say(ALARM, False)
        walk.wait(4)
    walk.say(ALARM, True)
    assert walk.alarm(ALARM).chatter.active
    assert walk.ask("acknowledge", ALARM, walk.alarm(ALARM).state.occurrence).ok
    walk.wait(5)
    (worse,) = walk.say(ALARM, True, severity=1)

    assert (worse.event, worse.data["call"]) == ("worsened", True)
    walk.wait(4)
    walk.say(ALARM, False)
    walk.wait(4)
    (again,) = walk.say(ALARM, True, severity=1)
    assert (again.event, again.data["call"]) == ("raised_again", False)


def test_another_person_who_does_not_answer_is_news() -> None:
    """Also where somebody else has been heard of meanwhile, so that they are no more than before."""
    night = Night()

    def dead(*people: str) -> None:
        work = Responding(night.state, Tick(night.now_ns, night.utc_ms))
        work.unreached(people)
        night.state, outcome = work.done(NOTHING)
        night.entries += outcome.entries

    dead("second", "boss")
    night.run(90)
    assert night.answer(PAGING)
    night.run(90)
    night.entries.clear()
    dead("boss")
    assert night.calls(PAGING) == []
    dead("boss", "night")

    assert [event for event, _ in night.calls(PAGING)] == ["called"]


def silent_under_another_name(*, answered: bool = True) -> Plcs:
    """P, Q and R fell silent together under P's name; P was back for 20 s and is silent again, called as Q's now."""
    plcs = Plcs()
    for plc in "PQR":
        plcs.link(plc, False, 1)
    plcs.wait(60)
    assert plcs.called() == [SILENT_P]
    assert not answered or plcs.ask("acknowledge", "", alarm=SILENT_P, occurrence=1, **FITTER)[0]
    plcs.link("P", True)
    plcs.wait(20)
    plcs.link("Q", False)  # said once more, in other words
    plcs.link("R", False)
    plcs.entries.clear()
    plcs.link("P", False)
    return plcs


def test_silence_under_another_name_is_raised_at_once() -> None:
    """Q has been silent for more than a minute: no other on-delay is waited for."""
    plcs = silent_under_another_name()

    assert plcs.called() == [SILENT_Q]
    (raised,) = [e for e in plcs.told("raised") if e.data["alarm"] == SILENT_Q]
    assert raised.data["plcs"] == ["P", "Q", "R"]


def test_nobody_is_told_that_a_silence_under_another_name_is_over() -> None:
    """The old name's calls end as gone over into the new one, and once that one is back as over like any other."""
    plcs = silent_under_another_name()
    plcs.wait(15)
    (ended,) = [e for e in plcs.told("calls_ended") if e.data["alarm"] == SILENT_P]
    assert (ended.data["why"], ended.data["goes_on_as"]) == ("renamed", SILENT_Q)
    for plc in "PQR":
        plcs.link(plc, True)
    plcs.wait(15)
    assert plcs.ask("acknowledge", "", alarm=SILENT_Q, occurrence=1, **FITTER)[0]
    (ended,) = [e for e in plcs.told("calls_ended") if e.data["alarm"] == SILENT_Q]

    assert ended.data["why"] == "normal"
    assert "goes_on_as" not in ended.data


def test_calls_that_nobody_answered_stop_as_gone_over_into_another_name() -> None:
    """Those of the new one go on."""
    plcs = silent_under_another_name(answered=False)
    plcs.wait(15)

    (stopped,) = [e for e in plcs.told("calls_stopped") if e.data["alarm"] == SILENT_P]
    assert (stopped.data["why"], stopped.data["goes_on_as"]) == ("renamed", SILENT_Q)
    words = call_words(Fact(1, Moment("boot", 0, 0), "call", stopped.event, "", "", stopped.data))
    assert words == "The calls stopped: it goes on under another name, PLC Q: PLC silent."
    assert plcs.called() == [SILENT_Q]


def test_a_plc_that_is_back_before_its_old_name_has_ended_is_normal_again() -> None:
    """Only a silence goes on under another name; the others of the group do by themselves."""
    plcs = silent_under_another_name()
    plcs.link("P", True, 5)
    plcs.wait(15)

    (ended,) = [e for e in plcs.told("calls_ended") if e.data["alarm"] == SILENT_P]
    assert ended.data["why"] == "normal"


# --- lockouts ---


def test_latched_shutdown_whose_lockout_was_damaged_is_locked_out_anew() -> None:
    """Nobody resets it without what a release asks for."""
    night = Night()
    night.trip()
    assert night.answer(SHUTDOWN)
    night.entries.clear()
    assert night.restart(damage=lambda key: key.startswith("lockout")) == ["lockout:D"]
    night.operate("D", "shutdown/A", False)
    night.run(65)

    assert night.state.alarms.lockout_of("D").is_open
    (opened,) = night.told("opened")
    assert (opened.drive, opened.data["locks_known"]) == ("D", False)
    assert "locks that hang there and steps that were reported before are not known here" in str(opened.data["because"])
    assert not night.ask("reset", "D", actor="night", role="operator")[0]
    assert night.latched("D")


def test_lockouts_switched_on_by_reload_take_in_a_shutdown_that_stands() -> None:
    """A supervisor has come into the settings, say; a drive without a shutdown stays free."""
    night = Night(RESPONSE._replace(lockout=LockoutRules(("sludge",))))
    night.trip()
    assert not night.state.alarms.lockout_of("D").is_open
    night.reload(RESPONSE)

    assert "whoever has a lock on reports it anew" in night.state.alarms.lockout_of("D").because
    assert night.state.alarms.lockout_of("D").is_open
    assert not night.state.alarms.lockout_of("E").is_open


def test_where_a_release_takes_two_cancelling_does_too() -> None:
    """Or one person could end a lockout in another way."""
    night = Night(RESPONSE._replace(two_persons=frozenset({"release"})))
    assert night.ask("lockout_open", "D", remark="bearing broken", actor="night", role="operator")[0]
    for _ in range(2):
        night.ask("lockout_cancel", "D", reason="meant E", **BOSS)
        assert night.state.alarms.lockout_of("D").is_open
    assert night.ask("lockout_cancel", "D", reason="meant E", **FITTER)[0]

    assert not night.state.alarms.lockout_of("D").is_open


def reported(night: Night, *but: LockoutStep) -> None:
    """Everything that a release needs is reported, but for these steps."""
    for step in MISSING:
        if step not in but:
            said = {LockoutStep.ISOLATION: {"lock_number": "21"}, LockoutStep.CAUSE: {"cause": "sludge"}}.get(step, {})
            assert night.ask(str(step), "D", **said, **FITTER)[0]
    if LockoutStep.ISOLATION not in but:
        assert night.ask("lock_removed", "D", lock_number="21", **FITTER)[0]


def tripped_again(night: Night) -> None:
    """Somebody starts the motor, it trips, and the contact is released again."""
    night.operate("D", "shutdown/A", False)
    night.run(20)
    night.set("D", "running", 1)
    night.run(5)
    night.trip()
    night.operate("D", "shutdown/A", False)
    night.run(100)


def test_zero_energy_reported_before_a_further_trip_does_not_count_for_the_release() -> None:
    """The trip has wound the drive up once more: all else reported anew, it alone stands against the release."""
    night = Night()
    night.trip()
    assert night.answer(SHUTDOWN)
    reported(night)
    tripped_again(night)
    night.answer(SHUTDOWN, night.shutdown("D").occurrence)
    assert night.told("shutdown_again")
    reported(night, LockoutStep.ISOLATION, LockoutStep.ZERO_ENERGY)
    done, text = night.ask("release", "D", reason="transducer proved", **BOSS)

    assert not done
    assert [said for said in MISSING.values() if said in text] == [MISSING[LockoutStep.ZERO_ENERGY]]
    assert night.ask(str(LockoutStep.ZERO_ENERGY), "D", **FITTER)[0]
    assert night.ask("release", "D", reason="transducer proved", **BOSS)[0]


def test_lock_number_that_is_misread_is_no_number_of_an_old_lock() -> None:
    """It is said that nothing came off, and what is on record."""
    locks = take_off(put_on((), "fitter", "", UTC).locks, "fitter", "fitter", "", UTC).locks
    locks = put_on(locks, "fitter", "21", UTC).locks
    noted = take_off(locks, "fitter", "fitter", "12", UTC)

    assert (noted.locks, noted.done) == (locks, False)
    assert noted.notes == ("no lock 12 of fitter was on record; none was taken off (on record: 21)",)


def test_test_run_that_trips_is_over() -> None:
    """The motor has ten seconds to stop; whoever starts it after that is told that it is locked out."""
    night = Night()
    night.trip()
    night.operate("D", "shutdown/A", False)
    night.run(65)
    assert night.ask("test_run", "D", name="trial", limit_s=3_600.0, **BOSS)[0]
    night.set("D", "running", 1)
    night.run(10)
    night.entries.clear()
    night.trip()
    assert night.told("test_run_end") == []
    night.run(10)
    assert night.told("test_run_end")
    assert night.calls(RUNNING) == []
    night.set("D", "running", 1)
    night.run(5)

    assert ("called", ("night",)) in night.calls(RUNNING)
