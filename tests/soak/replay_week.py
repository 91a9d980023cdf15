"""A week of the example site with faults, commands, clock steps, reloads and restarts comes again bit for bit.

    PYTHONPATH=tests:service python tests/soak/replay_week.py [--days 7] [--period 4] [--seed 3]

Each day another mixture, by chance: overloads, shutdowns with what people do about them, silent PLCs, links that go and
come, clocks that are set, settings that are taken in, services that end and begin. Then everything is sealed, the hot
tail forgotten, and the whole week replayed out of the blocks: not one row may be otherwise, nor any hourly snapshot.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import structlog

from nightrake.cli.replay_run import Asked, run_replay
from nightrake.longterm.reading import History
from recordeddays import CONFIG, RecordedDay, with_alarm_point
from shell.longterm.histories import forget_tail, seal

DAY_S = 86_400


def eventful(day: RecordedDay) -> Iterator[None]:
    """A day by chance; about thirty things happen."""
    chance, left_s = day.chance, float(DAY_S)
    while left_s > 0:
        quiet_s = min(left_s, chance.expovariate(1 / 2_400))
        yield from day.seconds(quiet_s)
        left_s -= quiet_s
        act = chance.choice((overload, overload, silence, link, clock, reload, test_of_contacts))
        for _ in act(day):
            left_s -= day.period_s
            yield


def overload(day: RecordedDay) -> Iterator[None]:
    """A drive's torque rises past its contacts; somebody answers, and after a while resets."""
    drive = day.chance.choice(list(day.works.site.drives))
    spec = day.works.site.drives[drive]
    for share in range(40, 95, day.chance.randint(1, 6)):
        day.position(drive, share / 100)
        yield from day.seconds(day.chance.choice((4, 20, 60)))
    contacts = [f"{c.id.direction}/{c.id.stage}/{c.id.channel}" for c in spec.contacts if c.id.direction == "forward"]
    for which in contacts:
        day.works.operate(drive, which)
        yield from day.seconds(30)
    if day.chance.random() < 0.7:
        day.works.set(drive, "running", 0)
    yield from day.seconds(day.chance.choice((60, 600, 3_600)))
    day.command("acknowledge", drive, alarm=f"{drive}/forward/shutdown_contact", occurrence=1)
    for which in contacts:
        day.works.operate(drive, which, False)
    day.position(drive, 0.4)
    yield from day.seconds(120)
    day.works.set(drive, "running", 1)
    day.command("reset", drive)


def silence(day: RecordedDay) -> Iterator[None]:
    """A PLC does not answer."""
    day.silent = {day.chance.choice(list(day.works.site.endpoints))}
    yield from day.seconds(day.chance.choice((8, 60, 1_800)))
    day.silent = set()


def link(day: RecordedDay) -> Iterator[None]:
    """The broker goes and comes."""
    day.link("broker", False, "went away")
    yield from day.seconds(day.chance.choice((4, 300)))
    day.link("broker", True)


def clock(day: RecordedDay) -> Iterator[None]:
    """UTC is set, by little or much, and put right again."""
    by_s = day.chance.choice((-3_600, -7, 5, 1_800, 86_400 * 400))
    day.clock.step_utc(by_s)
    yield from day.seconds(day.chance.choice((8, 600)))
    day.clock.step_utc(-by_s)


def reload(day: RecordedDay) -> Iterator[None]:
    """Another alarm point."""
    day.reload(with_alarm_point(day.settings, "PC2", float(day.chance.randint(25_000, 35_000))))
    yield


def test_of_contacts(day: RecordedDay) -> Iterator[None]:
    """A drive in test while somebody operates a contact by hand."""
    day.command("test", "SC1", "900")
    day.works.operate("SC1", "forward/alarm/A")
    yield from day.seconds(120)
    day.works.operate("SC1", "forward/alarm/A", False)


def main() -> None:
    """Record, seal, replay."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--period", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=3)
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = RecordedDay(folder, seed=asked.seed, period_s=asked.period)
        begin_s = time.monotonic()
        for number in range(asked.days):
            day.run(eventful)
            if day.chance.random() < 0.5:
                day.boot = f"boot {number}"
            day.clock.advance(day.chance.choice((5, 600)))
            print(f"day {number + 1} recorded after {time.monotonic() - begin_s:.0f} s", flush=True)
        print(f"{seal(folder)} cuts sealed", flush=True)
        with History(folder) as history:
            up_to = history.sealed_seq()
        forget_tail(folder, up_to)
        code = run_replay(CONFIG, {"store.dir": name}, Asked("2020-01-01/2030-01-01", quiet=True))
    raise SystemExit(code)


if __name__ == "__main__":
    main()
