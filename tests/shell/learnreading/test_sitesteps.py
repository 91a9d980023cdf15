"""Steps that a look keeps for the next: whole, by drive, and with what the look itself had been taught."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from nightrake.learning.trend import Step, Trend
from nightrake.learnreading.site import judged
from nightrake.learnreading.sitesteps import FILE, FORM, MOST_STEPS, Kept, beside, kept, kept_json
from shell.learnreading.test_site import DRIVES, asked_of, folder

__all__ = ["folder"]

EARLY, LATE, OTHER = Step(1_000, 3.1, 0.2), Step(2_000, -2.9, 0.25), Step(1_500, 3.0, 0.15)


def trend(drive: str, *steps: Step) -> Trend:
    """A verdict, as far as it matters here."""
    return cast(Trend, SimpleNamespace(drive=drive, steps=steps))


def keep(folder: Path, data: bytes) -> None:
    """As the worker does."""
    (folder / FILE).parent.mkdir(exist_ok=True)
    (folder / FILE).write_bytes(data)


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    """Both directions of a drive together, in order of time; what the look was taught beside it."""
    before = Kept({"D1": (OTHER,)}, {})
    keep(tmp_path, kept_json([trend("D1", LATE), trend("D1", EARLY), trend("D2")], before, ["D1", "D2"]))

    assert kept(tmp_path) == Kept({"D1": (EARLY, LATE), "D2": ()}, {"D1": (OTHER,)})


def test_drive_that_could_not_be_judged_keeps_its_steps(tmp_path: Path) -> None:
    """Of the look before; a drive that is no more in the settings has none."""
    before = Kept({"D1": (EARLY,), "D2": (OTHER,), "GONE": (LATE,)}, {})
    keep(tmp_path, kept_json([trend("D1", EARLY, LATE)], before, ["D1", "D2"]))

    assert kept(tmp_path).found == {"D1": (EARLY, LATE), "D2": (OTHER,)}


def test_of_very_many_the_newest_stay(tmp_path: Path) -> None:
    """A record full of steps does not fill the file."""
    many = [Step(n, 3.0, 0.2) for n in range(MOST_STEPS + 50)]
    keep(tmp_path, kept_json([trend("D1", *many)], Kept({}, {}), ["D1"]))

    assert kept(tmp_path).found["D1"] == tuple(many[50:])


def test_step_of_which_the_size_is_not_known_is_not_kept(tmp_path: Path) -> None:
    """JSON has no such number, and nobody learns from it."""
    keep(tmp_path, kept_json([trend("D1", Step(1, 3.0, float("inf")), EARLY)], Kept({}, {}), ["D1"]))

    assert kept(tmp_path).found == {"D1": (EARLY,)}


def test_nothing_kept_yet_is_no_fault(tmp_path: Path) -> None:
    """Before the first look each drive is judged alone."""
    assert kept(tmp_path) == Kept({}, {}, "")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b"[" * 100_000,
        json.dumps({"form": "another", "found": {}, "taught": {}}).encode(),
        json.dumps({"form": FORM, "found": {}}).encode(),
        json.dumps({"form": FORM, "found": {"D1": [[1, 2.0]]}, "taught": {}}).encode(),
        json.dumps({"form": FORM, "found": {"D1": [[1, "x", 0.1]]}, "taught": {}}).encode(),
        json.dumps({"form": FORM, "found": {"D1": 3}, "taught": {}}).encode(),
        b'{"form": "nightrake steps 1", "found": {"D1": [[1, NaN, 0.1]]}, "taught": {}}',
        b'{"form": "nightrake steps 1", "found": {"D1": [[1, 3.0, -0.1]]}, "taught": {}}',
        b'{"form": "nightrake steps 1", "found": {"D1": [[1e999, 3.0, 0.1]]}, "taught": {}}',
    ],
)
def test_damaged_file_is_one_sentence_and_teaches_nothing(tmp_path: Path, data: bytes) -> None:
    """Whatever stands in it."""
    keep(tmp_path, data)
    found = kept(tmp_path)

    assert (found.found, found.taught) == ({}, {})
    assert "steps.json: cannot be read" in found.lacking


def test_others_are_all_but_the_drive() -> None:
    """A drive does not teach itself."""
    assert beside("D1", {"D1": (EARLY,), "D2": (OTHER,), "D3": (LATE,)}) == [OTHER, LATE]


def test_each_drive_is_taught_by_the_others_here_and_apart(folder: Path) -> None:
    """Eleven drives by two processes, and one alone: the same steps of the others count, never its own."""
    taught = {spec.id: (Step(10 * n, 3.0, 0.2),) * (n % 3 + 1) for n, spec in enumerate(DRIVES)}
    asked = asked_of(folder)._replace(taught=taught)
    some = DRIVES[:-1]
    together = [one[0].notes["taught_by"] for one in judged(asked, some, {}) if isinstance(one, list)]
    (alone,) = judged(asked, some[3:4], {})
    assert isinstance(alone, list)

    assert together == [24 - (n % 3 + 1) for n in range(11)]
    assert alone[0].notes["taught_by"] == together[3]
