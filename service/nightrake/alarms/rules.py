"""What holds for one alarm at this site: its kind, with the site's own values on top, spans in ns. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from nightrake.alarms.keys import SITE, AlarmKey, plc_subject
from nightrake.alarms.responses import CAUTION
from nightrake.alarms.table import ALARM_TYPES, MAX_DELAY_S, AlarmType, Priority, Scope

SECOND_NS = 1_000_000_000
TURN_SHARE = 0.6
"""Off-delay in turns: half a turn and 20 % more, so that what is met twice a turn stays one alarm."""
LEAST_TURN_DELAY_NS = 10 * SECOND_NS
"""However fast the machine turns, a contact must have been released this long."""
MAX_RESPOND_S = 24 * 3600.0
MAX_SHELVE_S = 24 * 3600.0
SHELVE_S = 8 * 3600.0
"""Longest shelving where a site sets nothing: a shift."""
TEXT_LIMIT = 400
"""Characters in one text of a site's own."""
STEPS_LIMIT = 8
"""Steps in a first response: more is not read at night."""


class AlarmOverride(NamedTuple):
    """A site's own values for a kind of alarm, or for one drive's; None = as in the table.

    Attributes:
        priority, on_delay_s, off_delay_s, deadband_pct, respond_s, first_step: As in `AlarmType`. An off-delay takes
            the place of 'half a turn and 20 %' too.
        may_shelve: False only; what the table forbids, nobody allows. max_shelve_s: longest shelving.
        cause, consequence, first_response: The site's own words.
    """

    priority: Priority | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    deadband_pct: float | None = None
    respond_s: float | None = None
    first_step: int | None = None
    may_shelve: bool | None = None
    max_shelve_s: float | None = None
    cause: str | None = None
    consequence: str | None = None
    first_response: tuple[str, ...] | None = None


AS_SHIPPED = AlarmOverride()


class AlarmRule(NamedTuple):
    """One alarm as it is to be handled here.

    Attributes:
        type: Its kind.
        priority, deadband_pct, first_step, may_shelve, cause, consequence, first_response: As in `AlarmType`.
        on_delay_ns, off_delay_ns, respond_ns, max_shelve_ns: Spans.
        turn_ns: One turn of the output, 0 = not known.
    """

    type: AlarmType
    priority: Priority
    on_delay_ns: int
    off_delay_ns: int
    deadband_pct: float
    respond_ns: int
    first_step: int
    may_shelve: bool
    max_shelve_ns: int
    turn_ns: int
    cause: str
    consequence: str
    first_response: tuple[str, ...]

    @property
    def instructions(self) -> tuple[str, ...]:
        """What to do first, with the caution once where it may lead somebody to the machine."""
        return (*self.first_response, CAUTION) if self.type.at_machine else self.first_response


def override_faults(alarm_type: AlarmType, given: AlarmOverride) -> tuple[tuple[str, str], ...]:
    """What a site may not set so: (key, one sentence), empty when all is well."""
    faults: list[tuple[str, str]] = []
    for key, limit in (
        ("on_delay_s", alarm_type.max_on_delay_s),
        ("off_delay_s", MAX_DELAY_S),
        ("deadband_pct", 100.0),
        ("respond_s", MAX_RESPOND_S),
        ("max_shelve_s", MAX_SHELVE_S),
    ):
        value = getattr(given, key)
        if value is not None and not 0.0 <= value <= limit:
            faults.append((key, f"{value:g} cannot be taken for '{alarm_type.kind}'; expected 0 to {limit:g}"))
    if given.priority is not None and _class_of(given.priority) != _class_of(alarm_type.priority):
        faults.append(("priority", _priority_fault(alarm_type)))
    if given.may_shelve and not alarm_type.may_shelve:
        faults.append(("may_shelve", f"'{alarm_type.kind}' can never be shelved; leave this out"))
    if given.first_step is not None and given.first_step < 0:
        faults.append(("first_step", f"{given.first_step} cannot be taken; steps are counted from 0"))
    return (*faults, *_text_faults(given))


def _class_of(priority: Priority) -> str:
    """Urgent and notice are for ever; between high and low a site chooses."""
    return priority.value if priority in (Priority.URGENT, Priority.NOTICE) else "alarm"


def _priority_fault(alarm_type: AlarmType) -> str:
    if alarm_type.about_shutdown:
        return f"'{alarm_type.kind}' is urgent always; leave this out"
    if not alarm_type.is_alarm:
        return f"'{alarm_type.kind}' is a notice always; leave this out"
    return f"'{alarm_type.kind}' can be high or low: urgent is kept for what is about a shutdown, notice for no alarm"


def _text_faults(given: AlarmOverride) -> tuple[tuple[str, str], ...]:
    steps = given.first_response
    faults = [
        (key, f"{len(text)} characters are too long to be read at night; expected up to {TEXT_LIMIT}")
        for key, text in (("cause", given.cause), ("consequence", given.consequence))
        if text is not None and len(text) > TEXT_LIMIT
    ]
    if steps is not None and not (1 <= len(steps) <= STEPS_LIMIT and all(0 < len(s) <= TEXT_LIMIT for s in steps)):
        text = f"expected 1 to {STEPS_LIMIT} steps of 1 to {TEXT_LIMIT} characters: what to do first, in order"
        faults.append(("first_response", text))
    return tuple(faults)


def rule_for(alarm_type: AlarmType, given: AlarmOverride = AS_SHIPPED, turn_ns: int = 0) -> AlarmRule:
    """The rule of one kind, for one drive where `turn_ns` is its turn.

    Args:
        given: The site's values, checked by `override_faults`. turn_ns: 0 = not known.

    Raises:
        ValueError: A value that may not be set so.
    """
    faults = override_faults(alarm_type, given)
    if faults:
        raise ValueError("; ".join(f"{alarm_type.kind}.{key}: {text}" for key, text in faults))
    mine = {key: value for key, value in given._asdict().items() if value is not None}
    off_delay_ns = _ns(mine.get("off_delay_s", alarm_type.off_delay_s))
    if alarm_type.half_turn and turn_ns and "off_delay_s" not in mine:
        off_delay_ns = max(LEAST_TURN_DELAY_NS, round(turn_ns * TURN_SHARE))
    return AlarmRule(
        type=alarm_type,
        priority=mine.get("priority", alarm_type.priority),
        on_delay_ns=_ns(mine.get("on_delay_s", alarm_type.on_delay_s)),
        off_delay_ns=off_delay_ns,
        deadband_pct=mine.get("deadband_pct", alarm_type.deadband_pct),
        respond_ns=_ns(mine.get("respond_s", alarm_type.respond_s)),
        first_step=mine.get("first_step", alarm_type.first_step),
        may_shelve=mine.get("may_shelve", alarm_type.may_shelve),
        max_shelve_ns=_ns(mine.get("max_shelve_s", SHELVE_S)),
        turn_ns=turn_ns,
        cause=mine.get("cause", alarm_type.cause),
        consequence=mine.get("consequence", alarm_type.consequence),
        first_response=mine.get("first_response", alarm_type.first_response),
    )


def _ns(seconds: float) -> int:
    return round(seconds * SECOND_NS)


class AlarmRules(NamedTuple):
    """The rules of a whole site; made once for each settings value.

    Attributes:
        common: By kind, for what is about no drive (and for drives that are gone).
        drives: By drive and kind.
        keys: Every alarm that there is at this site, in text form, by subject.
    """

    common: Mapping[str, AlarmRule]
    drives: Mapping[str, Mapping[str, AlarmRule]]
    keys: Mapping[str, frozenset[str]]

    def of(self, key: AlarmKey) -> AlarmRule | None:
        """The rule of one alarm, None where there is no such kind."""
        return self.drives.get(key.subject, self.common).get(key.kind)

    def there_is(self, key: AlarmKey) -> bool:
        """Whether there is such an alarm at this site."""
        return str(key) in self.keys.get(key.subject, ())

    def judging(self, keys: Mapping[str, frozenset[str]]) -> AlarmRules:
        """The same with the alarms of the drives (`Setup.texts`, by drive), which follow from how each is equipped."""
        return self._replace(keys={**self.keys, **keys})


def site_rules(
    turns_ns: Mapping[str, int],
    overrides: Mapping[str, AlarmOverride] | None = None,
    drive_overrides: Mapping[str, Mapping[str, AlarmOverride]] | None = None,
    plcs: Iterable[str] = (),
) -> AlarmRules:
    """Make the rules of a site.

    Args:
        turns_ns: Every drive, with one turn of its output (0 = not known).
        overrides: The site's values by kind. drive_overrides: those of single drives, on top of these.
        plcs: Ids of the PLCs.

    Raises:
        ValueError: As `rule_for`, or a kind that there is not.
    """
    whole, single = overrides or {}, drive_overrides or {}
    for kind in {*whole, *(k for each in single.values() for k in each)} - set(ALARM_TYPES):
        raise ValueError(f"there is no alarm of the kind '{kind[:80]}'; expected one of {', '.join(ALARM_TYPES)}")
    common = {kind: rule_for(t, whole.get(kind, AS_SHIPPED)) for kind, t in ALARM_TYPES.items()}
    drives: dict[str, Mapping[str, AlarmRule]] = {}
    alike: dict[int, Mapping[str, AlarmRule]] = {}  # by turn: most of a large site's drives have nothing of their own
    for drive, turn_ns in turns_ns.items():
        if single.get(drive):
            drives[drive] = _drive_rules(whole, single[drive], turn_ns)
            continue
        if turn_ns not in alike:
            alike[turn_ns] = _drive_rules(whole, {}, turn_ns)
        drives[drive] = alike[turn_ns]
    return AlarmRules(common, drives, _keys(plcs))


def _drive_rules(
    whole: Mapping[str, AlarmOverride], mine: Mapping[str, AlarmOverride], turn_ns: int
) -> dict[str, AlarmRule]:
    return {
        kind: rule_for(t, _upon(whole.get(kind, AS_SHIPPED), mine.get(kind, AS_SHIPPED)), turn_ns)
        for kind, t in ALARM_TYPES.items()
        if t.scope in (Scope.DIRECTION, Scope.DRIVE)
    }


def _keys(plcs: Iterable[str]) -> dict[str, frozenset[str]]:
    """Alarms that are about no drive."""
    kinds = {scope: [k for k, t in ALARM_TYPES.items() if t.scope is scope] for scope in Scope}
    keys = {SITE: frozenset(str(AlarmKey(SITE, "", k)) for k in kinds[Scope.SITE])}
    for subject in map(plc_subject, plcs):
        keys[subject] = frozenset(str(AlarmKey(subject, "", k)) for k in kinds[Scope.PLC])
    return keys


def _upon(below: AlarmOverride, above: AlarmOverride) -> AlarmOverride:
    return below._replace(**{key: value for key, value in above._asdict().items() if value is not None})
