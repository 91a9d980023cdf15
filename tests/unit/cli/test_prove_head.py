"""The head of a proving: every answer is checked when it is given, shown before it counts, corrected afterwards."""

from __future__ import annotations

import datetime
import os
import sys
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path

import pytest

from nightrake.cli.lines import END, Lines
from nightrake.cli.prove_head import ask_about, summary
from nightrake.cli.prove_keys import PARSERS, Head
from nightrake.cli.prove_words import HEAD_NOTES
from nightrake.commissioning.proving import About
from nightrake.errors import CalibrationError
from nightrake.settings import load

CONFIG = Path(__file__).parents[3] / "config"
TODAY = datetime.date(2026, 11, 26)
PULL = ("FM-0101", "F. Example", "", "21", "cell TC-3", "0.3", "2", "13 m", "0", "2027-11-26")
Asking = Callable[..., About]


@pytest.fixture(scope="module")
def head() -> Head:
    """PC1's."""
    drives = load(CONFIG).site.drives
    return Head(drives["PC1"], "forward", TODAY, list(drives.values()))


@pytest.fixture
def asking(head: Head, monkeypatch: pytest.MonkeyPatch) -> Asking:
    """Asks for the head, answered from a pipe."""
    theirs, ours = os.pipe()

    def ask(*answers: str) -> About:
        os.write(ours, "".join(f"{a}\n" for a in answers).encode())
        os.close(ours)
        with open(theirs) as pipe:
            monkeypatch.setattr(sys, "stdin", pipe)
            with Lines() as lines:
                return ask_about(lines, head)

    return ask


def test_answers_become_the_head(asking: Asking, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty answer takes what stands in brackets; no uncertainty of the lever is a value; the whole is shown."""
    about = asking(*PULL, "yes")

    assert (about.device_serial, about.place, about.radius_m) == ("FM-0101", "in place", 13.0)
    assert about.method_uncertainty_pct == 0.0
    said = capsys.readouterr().out
    assert "  method_uncertainty_pct: 0.0\n" in said
    assert said.index("due_on: 2027-11-26") < said.index("Type 'yes' if this is right")


@pytest.mark.parametrize(
    ("place", "wrong", "words"),
    [
        (0, "FM-0201", "is also that of drive SC1"),
        (0, "ZZ-999", "by the settings drive PC1 carries"),
        (1, "x" * 81, "at most 80|1 to 80 characters"),
        (3, "nan", "a number from -60 to 100"),
        (5, "", "a number from 0 to 100"),
        (5, "-1", "a number from 0 to 100"),
        (6, "4", "1, 2 or 3 is needed"),
        (7, "0 m", "a length above 0"),
        (7, "-13 m", "a length above 0"),
        (7, "nan", "a length above 0"),
        (7, "13 kN", "the length is '13 kN'"),
        (8, "101", "a number from 0 to 100"),
        (9, "2020-01-01", "due_on is 2020-01-01, not after the day"),
        (9, "tomorrow", "a date such as"),
    ],
)
def test_wrong_answer_is_refused_at_its_question(
    asking: Asking, capsys: pytest.CaptureFixture[str], place: int, wrong: str, words: str
) -> None:
    """And asked again; nothing comes to light only at the end."""
    asking(*PULL[:place], wrong, *PULL[place:], "yes")

    said = " ".join(capsys.readouterr().out.split())
    assert any(w in said for w in words.split("|"))
    assert said.count("! ") == 1


def test_summary_takes_corrections(asking: Asking, capsys: pytest.CaptureFixture[str]) -> None:
    """By key; what is wrong is said and leaves the rest as it was."""
    about = asking(*PULL, "due_on 2020-01-01", "made_by G. Example", "surprise 1", "radius_m: 12 m", "", "yes")

    assert (about.made_by, about.radius_m, about.due_on) == ("G. Example", 12.0, "2027-11-26")
    said = capsys.readouterr().out
    assert "'surprise' is no key of the head" in said
    assert "! due_on is 2020-01-01" in said


def test_method_that_lacks_its_levers_is_not_agreed_to(asking: Asking, capsys: pytest.CaptureFixture[str]) -> None:
    """Another method in the summary asks for what it multiplies by, and forgets what the one before did."""
    about = asking(*PULL, "method 3", "yes", "arm_m 250 mm", "ratio 590", "efficiency 0.8", "yes")

    assert about.radius_m == 0.0
    assert about.factor == pytest.approx(0.25 * 590 * 0.8)
    assert "! arm_m is missing; 'force at the arm' multiplies by it" in capsys.readouterr().out


def test_leaving_before_the_end_begins_nothing(asking: Asking) -> None:
    """The pipe ends after three answers."""
    with pytest.raises(CalibrationError, match="nothing was begun"):
        asking(*PULL[:3])


def test_every_key_has_words_and_a_reader() -> None:
    """What --help lists is what the head takes, and the other way round."""
    assert set(HEAD_NOTES) == {*PARSERS, "drive", "direction"}
    assert set(HEAD_NOTES) == {f.name for f in fields(About)}


def test_summary_shows_what_the_method_needs(head: Head) -> None:
    """No lever of another method, nothing that was not given and is not asked."""
    about = About("PC1", "forward", "FM-0101", "F", method="factory output")

    shown = [line.split(":")[0].strip() for line in summary(about)]

    assert "radius_m" not in shown
    assert "altered" not in shown
    assert "altered" in " ".join(summary(replace(about, altered="springs")))


def test_record_from_before_the_device_cannot_begin(head: Head) -> None:
    """The settings say that the device comes tomorrow: no answer puts that right."""
    late = Head(replace(head.drive, device_since="2999-01-01"), "forward", TODAY)

    assert any("before the device came" in s for s in late.wrongs(About("PC1", "forward", "FM-0101", "F")))


def test_end_is_not_an_answer() -> None:
    """The character given for it cannot be typed into a text."""
    with pytest.raises(CalibrationError, match="cannot be printed"):
        PARSERS["made_by"](END)


def test_none_takes_away_what_may_be_left_out(head: Head) -> None:
    """A lever, a date, a remark; not what the record needs."""
    about = About("PC1", "forward", "FM-0101", "F", due_on="2030-01-31", altered="springs", method="rakes tied off")

    assert head.changes(about, "altered", "none") == {"altered": ""}
    assert head.changes(about, "due_on", "None") == {"due_on": ""}
    assert head.changes(about, "ambient_c", "none") == {"ambient_c": None}
    with pytest.raises(CalibrationError, match="a number from 0 to 100"):
        head.changes(about, "reference_uncertainty_pct", "none")
