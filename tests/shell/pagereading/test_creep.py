"""Creep read from the files that the learning worker leaves: missing, damaged, huge, no files at all, replaced."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from creepfiles import DAY_MS, FORM, NOW_MS, cannot_say, days, leave, side, trends
from nightrake.errors import NightrakeError
from nightrake.pagereading import creep
from nightrake.pagereading.answers import Answers
from nightrake.pagereading.creep import Creep
from nightrake.pagereading.creepshape import CURVES

LATER_MS = NOW_MS + 3_600_000


def creep_in(folder: Path) -> Creep:
    """An hour after the example was judged."""
    return Creep(folder, lambda: LATER_MS)


def told_by(folder: Path, told: Any) -> dict[str, Any]:
    """What is read of a file with that in it."""
    leave(folder, told if isinstance(told, bytes) else json.dumps(told).encode())
    return creep_in(folder).site()


def test_ranking_comes_as_it_was_left(tmp_path: Path) -> None:
    """In its order, without the days; when it was judged and read; the reports that are kept."""
    leave(tmp_path, trends(beware=["GT1: damaged"], report="creep-2026-11-23.html"), ("2026-11-16", "2026-11-23"))

    told = creep_in(tmp_path).site()

    assert [(s["drive"], s["state"], s["warning"]) for s in told["sides"]] == [
        ("PC1", "creeping", True), ("PC2", "steady", False), ("SC1", "steady", False), ("GT1", "cannot say", False),
    ]  # fmt: skip
    assert (told["judged_utc_ms"], told["read_utc_ms"], told["took_s"]) == (NOW_MS, LATER_MS, 41.3)
    assert (told["beware"], told["notes"], told["report"]) == (["GT1: damaged"], [], "creep-2026-11-23.html")
    assert [r["name"] for r in told["reports"]] == ["creep-2026-11-23.html", "creep-2026-11-16.html"]
    assert not any("days" in one for one in told["sides"])


def test_ranking_comes_in_pages(tmp_path: Path) -> None:
    """So many after so many; how many there are of all; beyond the end is the last page, and without a limit all."""
    leave(
        tmp_path, trends(*(side(f"R{n}", days=None, warning=n < 2) for n in range(5)), side("R0", direction="reverse"))
    )
    known = creep_in(tmp_path)

    pages = [known.site(skip, 2) for skip in (0, 2, 3, 4, 10**9)]

    assert [(p["skip"], [s["drive"] for s in p["sides"]]) for p in pages] == [
        (0, ["R0", "R1"]), (2, ["R2", "R3"]), (3, ["R3", "R4"]), (4, ["R4", "R0"]), (4, ["R4", "R0"]),
    ]  # fmt: skip
    assert {(p["total"], p["warnings"], p["drives"]) for p in pages} == {(6, 3, 5)}
    assert len(known.site()["sides"]) == 6
    leave(tmp_path, trends(sides=[]))
    assert (known.site(7, 2)["skip"], known.site(7, 2)["total"]) == (0, 0)


def test_one_drive_comes_with_its_days_and_place(tmp_path: Path) -> None:
    """Both of its directions, each with its rank; of a day without a median null; another drive: said to be new."""
    both = cannot_say("GT1", several=True), side("GT1", several=True, direction="reverse")
    leave(tmp_path, trends(side("PC1"), *both))

    told, strange = creep_in(tmp_path).drive("GT1"), creep_in(tmp_path).drive("SC9")

    assert [(s["direction"], s["place"]) for s in told["sides"]] == [("forward", 2), ("reverse", 3)]
    assert told["of"] == 3
    assert told["sides"][0]["days"]["median_nm"] == [None] * 120
    assert told["sides"][0]["days"]["below_nm"] == [9_000.0] * 120
    assert told["sides"][1]["days"]["utc_ms"] == days(400, 1.0)["utc_ms"]
    assert told["sides"][1]["days"]["outlier"][37] == 1
    assert strange["sides"] == []
    assert "nothing was judged of this drive" in strange["notes"][0]


def test_before_the_first_look_it_says_so(tmp_path: Path) -> None:
    """No folder is no fault."""
    told, drive = creep_in(tmp_path).site(), creep_in(tmp_path).drive("PC1")

    assert (told["judged_utc_ms"], told["sides"], told["reports"]) == (None, [], [])
    assert told["notes"] == drive["notes"]
    assert told["notes"] == ["creep has not been looked for yet; that is done once a day, where history is kept"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is damaged"),
        (b'{"form": "nightrake tre', "is damaged"),
        (b"\xff\xfe\x00", "is damaged"),
        (b"[" * 200_000, "is damaged"),
        (b'{"form": ' + b"9" * 6_000 + b"}", "is damaged"),
        (b"[]", "is of another form than this page knows"),
        (b'{"form": 7}', "is of another form than this page knows"),
        (b'{"form": "nightrake trends 2\\n"}', "is of another form ('nightrake trends 2') than this page knows"),
        (b'{"form": "nightrake trends 1", "sides": []}', "lacks the time it was made, or its drives"),
        (b'{"form": "nightrake trends 1", "now_utc_ms": 1, "sides": {}}', "lacks the time it was made, or its drives"),
    ],
)
def test_what_cannot_be_understood_is_a_sentence(tmp_path: Path, data: bytes, words: str) -> None:
    """Which file, what is wrong, and that it is made anew by itself."""
    told = told_by(tmp_path, data)

    assert (told["judged_utc_ms"], told["sides"]) == (None, [])
    (note,) = told["notes"]
    assert note.startswith(f"learning/trends.json: {words}")
    assert note.endswith(creep.NEW_OR_NONE)


def test_entries_that_are_none_are_left_out_and_counted(tmp_path: Path) -> None:
    """Without a drive there is nothing to show."""
    told = told_by(tmp_path, trends(sides=[side(), 7, {"drive": "X"}, {**side(), "drive": ["PC1"]}]))

    assert [s["drive"] for s in told["sides"]] == ["PC1"]
    assert told["notes"] == ["learning/trends.json: 3 of 4 entries cannot be read, and are left out"]


WRONG: tuple[Any, ...] = (None, 7, -1e300, "x\u202e\x1b[31m", [], ["a", None, {}], {}, {"low": "x"}, True, [[[]]])
"""What a field may hold instead of what it should."""


@pytest.mark.parametrize("key", side())
def test_no_field_is_believed(tmp_path: Path, key: str) -> None:
    """Whatever stands in one field: numbers are numbers, texts one clean line; the rest is as it was."""
    known = creep_in(tmp_path)
    leave(tmp_path, trends(side()))
    whole = known.drive("PC1")["sides"][0]
    for wrong in WRONG:
        leave(tmp_path, trends(side("PC1", **{key: wrong}) if key != "drive" else side(wrong)))
        found = known.drive("PC1")["sides"]
        if key in ("drive", "direction") and not (isinstance(wrong, str) and key == "direction"):
            assert found == []
            continue
        assert set(found[0]) == set(whole)
        assert {k: v for k, v in found[0].items() if k != key} == {k: v for k, v in whole.items() if k != key}
        text = json.dumps(found[0], ensure_ascii=False, allow_nan=False)
        assert text.isprintable()


def test_numbers_beyond_reason_are_none(tmp_path: Path) -> None:
    """JSON has no NaN, yet writers have written it; 1e999 is infinite; a count of days is no moment."""
    text = json.dumps(trends(side(level_nm="@", since_utc_ms=-5, p_value=2.0)))

    for number in ("NaN", "Infinity", "-1e999", "1e13"):
        (found,) = told_by(tmp_path, text.replace('"@"', number).encode())["sides"]
        assert (found["level_nm"], found["since_utc_ms"], found["p_value"]) == (None, None, None)


@pytest.mark.parametrize(
    "more",
    [
        {"utc_ms": []},
        {"utc_ms": [2, 1]},
        {"utc_ms": [1, None]},
        {"utc_ms": list(range(1, 3_000))},
        {"utc_ms": "x"},
    ],
)
def test_days_that_do_not_rise_are_no_days(tmp_path: Path, more: dict[str, Any]) -> None:
    """Then there is nothing to draw, and the verdict is shown all the same."""
    leave(tmp_path, trends(side(days={**days(2, 1.0), **more})))

    (found,) = creep_in(tmp_path).drive("PC1")["sides"]

    assert (found["days"], found["state"]) == (None, "creeping")


def test_column_of_another_length_is_not_drawn(tmp_path: Path) -> None:
    """The others are."""
    leave(tmp_path, trends(side(days={**days(3, 100.0), "low_nm": [1.0], "high_nm": ["x", 5, None]})))

    (found,) = creep_in(tmp_path).drive("PC1")["sides"]

    assert (found["days"]["low_nm"], found["days"]["high_nm"]) == ([None] * 3, [None, 5.0, None])
    assert set(found["days"]) == {"utc_ms", "outlier", *CURVES}


def test_file_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    """A hole of 33 MiB: refused by its size, and read again once it is small."""
    file = leave(tmp_path, b"")
    with file.open("r+b") as hole:
        hole.truncate(33 << 20)
    reader = creep_in(tmp_path)

    (note,) = reader.site()["notes"]
    leave(tmp_path, trends())

    assert note.startswith("learning/trends.json: is larger than 32 MiB, so it is not read; ")
    assert len(reader.site()["sides"]) == 4


def test_what_is_no_plain_file_is_not_opened(tmp_path: Path) -> None:
    """A link would lead elsewhere, a pipe would wait for ever, a folder is no file."""
    (tmp_path / "learning").mkdir()
    (tmp_path / "elsewhere").write_text(json.dumps(trends()))
    file = tmp_path / "learning" / "trends.json"
    said = []
    makes: list[Callable[[], object]] = [lambda: file.symlink_to(tmp_path / "elsewhere"), lambda: os.mkfifo(file)]
    for make in (*makes, file.mkdir):
        make()
        told = creep_in(tmp_path).site()
        said += told["notes"]
        assert told["sides"] == []
        file.rmdir() if file.is_dir() and not file.is_symlink() else file.unlink()

    assert [note.partition("(")[0] for note in said] == ["learning/trends.json: cannot be read "] * 3


def test_next_judgement_is_seen_at_once_and_the_same_not_parsed_again(tmp_path: Path) -> None:
    """What is known is kept until the file is another, and forgotten when it is gone."""
    leave(tmp_path, trends())
    reader = creep_in(tmp_path)
    first = reader._found()

    assert reader._found() is first
    file = leave(tmp_path, trends(side(), now_utc_ms=NOW_MS + DAY_MS))
    assert reader.site()["judged_utc_ms"] == NOW_MS + DAY_MS
    file.unlink()
    assert reader.site()["judged_utc_ms"] is None


def test_reports_are_those_of_the_list_and_nothing_else(tmp_path: Path) -> None:
    """Neither another folder, nor a link, nor what only looks like one."""
    leave(tmp_path, trends(report="../../etc/passwd"), ("2026-11-16", "2026-11-23"))
    reports = tmp_path / "reports"
    (reports / ".creep-2026-11-30.html.new").write_text("half")
    (reports / "creep-2026-11-09.html").symlink_to(tmp_path / "learning" / "trends.json")
    (reports / "creep-2026-11-02.html").mkdir()
    reader = creep_in(tmp_path)

    told = reader.site()

    assert [r["name"] for r in told["reports"]] == ["creep-2026-11-23.html", "creep-2026-11-16.html"]
    assert told["report"] == ""
    assert "Report of 2026-11-16" in reader.report("creep-2026-11-16.html")["html"]
    days_gone = ("09", "02", "30")
    for name in (*(f"creep-2026-11-{day}.html" for day in days_gone), "../learning/trends.json", "", "."):
        with pytest.raises(LookupError, match="there is no such report"):
            reader.report(name)


def test_report_that_is_too_large_is_refused(tmp_path: Path) -> None:
    """By its size, in a sentence."""
    leave(tmp_path, trends(), ("2026-11-23",))
    with (tmp_path / "reports" / "creep-2026-11-23.html").open("r+b") as hole:
        hole.truncate(17 << 20)

    with pytest.raises(NightrakeError, match=r"^reports/creep-2026-11-23\.html: is larger than 16 MiB"):
        creep_in(tmp_path).report("creep-2026-11-23.html")


def test_answers_are_json_by_name(tmp_path: Path) -> None:
    """As the page's worker asks for them, whatever text there is."""
    leave(tmp_path, trends(side(sentence="half a pair \ud800, \u202eturned")), ("2026-11-23",))
    answers = Answers(tmp_path)

    site, one, report = (
        json.loads(answers.answer(what, args))
        for what, args in (
            ("creep", {"skip": 0, "limit": 0}), ("creep_of", {"drive": "PC1"}),
            ("creep_report", {"name": "creep-2026-11-23.html"}),
        )
    )  # fmt: skip

    assert site["sides"][0]["sentence"] == one["sides"][0]["sentence"] == "half a pair ?, ?turned"
    assert report["html"].startswith("<!doctype html>")
    assert FORM == creep.FORM
