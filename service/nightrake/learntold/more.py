"""What stands beside a drive's creep in its report: duty, trips sorted by their approach, drift of contacts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import NamedTuple

from nightrake.domain.cleantext import clean
from nightrake.domain.site import Direction, DriveSpec
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.learning.approach import Approach
from nightrake.learning.contactdrift import Drift
from nightrake.learning.duty import Cycles, Duty
from nightrake.learnreading.contacts import ContactRows, read_drifts
from nightrake.learnreading.duty import EVERYTHING, FOR_A_SITE, read_duty, rule_of
from nightrake.learnreading.told import Told
from nightrake.learnreading.trips import Trips, read_trips
from nightrake.longterm.drivereading import DriveReading, Opened
from nightrake.longterm.tripfolder import record_paths
from nightrake.settings import Settings

PART = 0.1
"""Of the hours of the longest count of cycles; a shorter one is not told."""
TRIPS = 8
"""Trips that are told at most, the latest."""
LONGEST = 600
Seen = Callable[[int], object]


class More(NamedTuple):
    """Beside one direction's creep.

    Attributes:
        duty: None = it could not be read. trips: In the period, in order of time. drifts: One for each contact.
        faults: What could not be read, sentences.
    """

    duty: Duty | None = None
    trips: tuple[Approach, ...] = ()
    drifts: tuple[Drift, ...] = ()
    faults: tuple[str, ...] = ()

    def facts(self) -> Iterator[tuple[str, str]]:
        """All of it under labels."""
        if self.duty is not None:
            yield from _duty_facts(self.duty)
        for trip in self.trips[-TRIPS:]:
            yield "Trip", clean(trip.sentence, LONGEST)
        if len(self.trips) > TRIPS:
            yield "Trip", f"and {len(self.trips) - TRIPS} before these; nightrake trips list has all"
        for drift in self.drifts:
            yield "Contact", clean(drift.sentence, LONGEST)
        for fault in self.faults:
            yield "Note", clean(fault, LONGEST)


NOTHING_MORE = More()


def _duty_facts(duty: Duty) -> Iterator[tuple[str, str]]:
    yield "Duty", clean(duty.counts.sentence or duty.sentence, LONGEST)
    if duty.at_torque is not None:
        yield "At torque", clean(duty.at_torque.sentence, LONGEST)
    for cycles in _worth_telling(duty):
        yield "Cycles", clean(cycles.sentence, LONGEST)
    if duty.agreement:
        yield "Cycles", clean(duty.agreement, LONGEST)


def _worth_telling(duty: Duty) -> list[Cycles]:
    """Counts of cycles that are of a good part of the time; at least the one of the longest."""
    longest = max((c.to_utc_ms - c.from_utc_ms for c in duty.cycles), default=0)
    hours = max((c.running_h for c in duty.cycles if c.running_h == c.running_h), default=0.0)
    return [c for c in duty.cycles if c.running_h >= PART * hours or c.to_utc_ms - c.from_utc_ms == longest]


class Beside:
    """Reads what stands beside the creep of some drives.

    Args:
        settings: Of the site. period: What is looked at. contacts: Rows of the journal, taken in. deep: Every reading
            that is kept is looked at, and minutes; else hours only, for many drives.
    """

    def __init__(self, settings: Settings, period: Period, contacts: ContactRows, *, deep: bool) -> None:
        self._settings, self._period, self._contacts, self._deep = settings, period, contacts, deep

    def of(self, spec: DriveSpec, told: Told, seen: Seen) -> dict[str, More]:
        """By direction.

        Args:
            told: What the journal says; a trip in a function check is none.
            seen: Told up to which moment (UTC ms) readings have been read, now and then.
        """
        try:
            with Opened(self._settings.store_dir) as opened:
                reading = DriveReading(opened, spec.id, seen)
                trips = read_trips(record_paths(self._settings.store_dir), opened.summaries, spec.id, self._period)
                return {
                    str(side): self._side(reading, spec, side, _in_service(trips, told)) for side in spec.directions
                }
        except StoreError as error:
            return {str(side): More(faults=(f"Not all could be read: {error}.",)) for side in spec.directions}

    def _side(self, reading: DriveReading, spec: DriveSpec, side: Direction, trips: Trips) -> More:
        overloads = self._contacts.overloads(spec.id, side)
        rule, learning = rule_of(spec, side), self._settings.learning
        if rule is not None:
            rule = replace(rule, cycle_exponent=learning.cycle_exponent, hour_exponent=learning.hour_exponent)
        wish = (EVERYTHING if self._deep else FOR_A_SITE)._replace(rule=rule)
        duty = read_duty(reading, spec, side, self._period, overloads, wish)
        drifts = read_drifts(reading, spec, self._contacts, self._settings.records, trips.operations, side)
        mine = tuple(trip for trip in trips.approaches if trip.direction == side)
        return More(duty, mine, tuple(drifts), trips.faults)


def _in_service(trips: Trips, told: Told) -> Trips:
    """Without those in a function check."""
    kept = [one for one in trips.approaches if not any(low <= one.utc_ms < high for low, high in told.left_out)]
    count = len(trips.approaches) - len(kept)
    said = f"{count} trip record{'s' if count > 1 else ''} of function checks left out."
    return trips._replace(approaches=tuple(kept), faults=(*trips.faults, *([said] if count else [])))


__all__ = ["NOTHING_MORE", "Beside", "More", "Seen"]
