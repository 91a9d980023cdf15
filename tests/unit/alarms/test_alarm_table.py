"""The table of alarms, what a site may put on top of it, and how an alarm is named."""

from __future__ import annotations

import pytest

from nightrake.alarms.keys import AlarmKey, parse_key
from nightrake.alarms.responses import CAUTION
from nightrake.alarms.rules import AlarmOverride, override_faults, rule_for, site_rules
from nightrake.alarms.table import ALARM_TYPES, Priority, Scope

S = 1_000_000_000
NEVER_HIDDEN = {"shutdown_contact", "still_running", "stop_not_confirmed", "running_while_locked_out"}


@pytest.mark.parametrize(
    ("key", "text"),
    [
        (AlarmKey("PC1", "forward", "shutdown_contact"), "PC1/forward/shutdown_contact"),
        (AlarmKey("PC1", "forward", "shutdown_contact", "A"), "PC1/forward/shutdown_contact/A"),
        (AlarmKey("PC1", "", "reading_bad"), "PC1/-/reading_bad"),
        (AlarmKey("plc:P1", "", "plc_silent"), "plc:P1/-/plc_silent"),
        (AlarmKey("site", "", "store_full"), "site/-/store_full"),
    ],
)
def test_key_has_one_text_form(key: AlarmKey, text: str) -> None:
    """There and back."""
    assert (str(key), parse_key(text)) == (text, key)
    assert key.drive == ("PC1" if text.startswith("PC1") else "")


@pytest.mark.parametrize("text", ["", "PC1", "PC1/forward", "PC1//reading_bad", "a/b/c/d/e", "PC1/forward/x/"])
def test_text_that_names_no_alarm_is_refused(text: str) -> None:
    """In one sentence that says how a name looks."""
    with pytest.raises(ValueError, match="is no alarm's name: expected DRIVE/DIRECTION/KIND"):
        parse_key(text)


def test_what_is_about_a_shutdown_can_never_be_hidden() -> None:
    """Neither by a person, nor by logic, nor by the chatter and flood rules; and only it is urgent."""
    for kind in NEVER_HIDDEN:
        t = ALARM_TYPES[kind]
        assert (t.may_shelve, t.may_suppress, t.may_filter, t.priority) == (False, False, False, Priority.URGENT)
    assert {k for k, t in ALARM_TYPES.items() if t.about_shutdown} == {*NEVER_HIDDEN, "shutdown_did_not_act"}
    assert [k for k, t in ALARM_TYPES.items() if t.latches] == ["shutdown_contact"]


def test_every_alarm_says_cause_consequence_and_what_to_do_first() -> None:
    """A notice may do without a cause; nothing does without its first response, and no caution stands in it twice."""
    for t in ALARM_TYPES.values():
        assert t.first_response, t.kind
        assert not t.is_alarm or (t.cause and t.consequence and t.respond_s > 0.0), t.kind
        assert rule_for(t).instructions.count(CAUTION) == int(t.at_machine), t.kind
        assert not any("lock out" in step.lower() for step in t.first_response), t.kind


def test_safe_defaults_of_the_first_response() -> None:
    """On alarm: blanket, underflow, rakes, keep turning. On shutdown: no reset, restart, jog or reverse; isolate."""
    alarm = " ".join(ALARM_TYPES["alarm_contact"].first_response).lower()
    shutdown = " ".join(ALARM_TYPES["shutdown_contact"].first_response).lower()

    assert all(word in alarm for word in ("blanket", "underflow", "raise the rakes", "keep it turning", "unless"))
    assert "do not reset, restart, jog or reverse" in shutdown
    assert all(word in shutdown for word in ("call", "isolate before"))


def test_notices_are_no_alarms() -> None:
    """Never called out, and nothing to answer."""
    notices = {k for k, t in ALARM_TYPES.items() if not t.is_alarm}

    assert notices == {
        *("calibration_due", "dead_letters", "history_behind", "history_damaged", "service_updated", "creep_forecast")
    }
    assert all(ALARM_TYPES[k].respond_s == 0.0 for k in notices)


def test_off_delay_of_a_contact_is_half_a_turn_and_20_percent() -> None:
    """Of this drive's turn; never below ten seconds; a site's own value goes first."""
    alarm = ALARM_TYPES["alarm_contact"]

    assert rule_for(alarm, turn_ns=1800 * S).off_delay_ns == 1080 * S
    assert rule_for(alarm, turn_ns=3 * S).off_delay_ns == 10 * S
    assert rule_for(alarm).off_delay_ns == 1200 * S
    assert rule_for(alarm, AlarmOverride(off_delay_s=30.0), 1800 * S).off_delay_ns == 30 * S
    assert rule_for(ALARM_TYPES["shutdown_contact"], turn_ns=1800 * S).off_delay_ns == 60 * S


@pytest.mark.parametrize(
    ("kind", "given", "key", "text"),
    [
        ("shutdown_contact", AlarmOverride(on_delay_s=0.1), "on_delay_s", "expected 0 to 0"),
        ("shutdown_contact", AlarmOverride(may_shelve=True), "may_shelve", "can never be shelved"),
        ("shutdown_contact", AlarmOverride(priority=Priority.LOW), "priority", "is urgent always"),
        ("alarm_contact", AlarmOverride(priority=Priority.NOTICE), "priority", "high or low"),
        ("alarm_contact", AlarmOverride(priority=Priority.URGENT), "priority", "high or low"),
        ("calibration_due", AlarmOverride(priority=Priority.LOW), "priority", "is a notice always"),
        ("alarm_contact", AlarmOverride(on_delay_s=61.0), "on_delay_s", "expected 0 to 60"),
        ("torque_high", AlarmOverride(deadband_pct=float("nan")), "deadband_pct", "expected 0 to 100"),
        ("torque_high", AlarmOverride(first_step=-1), "first_step", "counted from 0"),
        ("torque_high", AlarmOverride(first_response=()), "first_response", "expected 1 to 8 steps"),
        ("torque_high", AlarmOverride(cause="x" * 401), "cause", "expected up to 400"),
    ],
)
def test_what_a_site_may_not_set_is_named(kind: str, given: AlarmOverride, key: str, text: str) -> None:
    """With the key, and what may be set."""
    ((found, sentence),) = override_faults(ALARM_TYPES[kind], given)

    assert (found, text in sentence) == (key, True)
    with pytest.raises(ValueError, match=kind):
        rule_for(ALARM_TYPES[kind], given)


def test_a_site_and_a_drive_put_their_values_on_top() -> None:
    """The drive's go before the site's, and what neither names stays as shipped."""
    rules = site_rules(
        {"PC1": 1800 * S, "PC2": 0},
        {"alarm_contact": AlarmOverride(on_delay_s=2.0, respond_s=60.0, first_response=("Ring the works.",))},
        {"PC1": {"alarm_contact": AlarmOverride(on_delay_s=3.0, priority=Priority.LOW)}},
    )
    first, second = (rules.of(AlarmKey(d, "forward", "alarm_contact")) for d in ("PC1", "PC2"))

    assert first is not None
    assert second is not None
    assert (first.on_delay_ns, first.respond_ns, first.priority) == (3 * S, 60 * S, Priority.LOW)
    assert (second.on_delay_ns, second.priority, second.off_delay_ns) == (2 * S, Priority.HIGH, 1200 * S)
    assert second.instructions == ("Ring the works.", CAUTION)
    assert rules.of(AlarmKey("site", "", "store_full")) == rule_for(ALARM_TYPES["store_full"])
    assert rules.of(AlarmKey("PC1", "", "no_such_kind")) is None
    with pytest.raises(ValueError, match="there is no alarm of the kind 'alarm_contatc'; expected one of"):
        site_rules({}, {"alarm_contatc": AlarmOverride()})


def test_figures_that_a_site_is_promised() -> None:
    """On-delays and times to respond as they stand in the manual, in seconds."""
    on_s = {k: ALARM_TYPES[k].on_delay_s for k in ("shutdown_contact", "shutdown_did_not_act", "alarm_did_not_act")}
    assert on_s == {"shutdown_contact": 0.0, "shutdown_did_not_act": 3.0, "alarm_did_not_act": 3.0}
    assert (ALARM_TYPES["stopped_without_trip"].on_delay_s, ALARM_TYPES["plc_silent"].on_delay_s) == (600.0, 30.0)
    assert (ALARM_TYPES["alarm_contact"].respond_s, ALARM_TYPES["shutdown_contact"].respond_s) == (1800.0, 3600.0)


def test_scopes_fit_the_kinds() -> None:
    """What is about a PLC or the site has no rule of its own for a drive."""
    rules = site_rules({"PC1": 0})

    assert set(rules.common) == set(ALARM_TYPES)
    assert {ALARM_TYPES[k].scope for k in rules.drives["PC1"]} == {Scope.DIRECTION, Scope.DRIVE}
