"""`nightrake journal` read, export, account and figures on real stores, beside a writing one too."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from alarmnights import PC1_ALARM, Nights, scripted
from journals import Journal
from nightrake.cli.journal_wanted import last_night
from nightrake.domain.rows import Row, canonical, chain_hash
from shell.journal.makers import Chain as StoreChain
from shell.journal.makers import opened
from unit.alarms.rotas import LONDON, local

ALARM = str(PC1_ALARM)


@pytest.fixture
def journal(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Journal:
    """An empty one."""
    return Journal(tmp_path / "state", capsys, monkeypatch)


@pytest.fixture
def night(journal: Journal) -> Nights:
    """The scripted night, kept."""
    made = scripted("2025-02-11", "2025-02-12")
    journal.keep(made.rows)
    return made


def objects(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


# --- read ---


def test_rows_stand_under_their_dates_in_the_zone_of_the_rota(journal: Journal, night: Nights) -> None:
    """At 80 columns, the newest last, with their numbers."""
    lines = journal.run("read", "--last", "0").out.splitlines()
    text = "\n".join(lines)

    assert all(len(line) <= 80 for line in lines)
    assert "Tuesday 2025-02-11 (Europe/London)" in lines
    assert "Wednesday 2025-02-12 (Europe/London)" in lines
    assert "  23:14:10       2  PC1 Primary clarifier 1" in text
    assert text.index("RELEASED") > text.index("isolation reported")
    assert lines[-1].startswith("  02:22:33 ")


def test_summer_time_is_told_though_the_zone_table_is_of_today(journal: Journal) -> None:
    """A row of July 2019 stands at summer time."""
    made = Nights("2026-07-01 12:00")
    made.utc_ms = local("2019-07-01 12:00") * 1000
    made.started()
    journal.keep(made.rows)

    out = journal.run("read").out
    assert "Monday 2019-07-01" in out
    assert "  12:00:00 " in out


CAME_MS = local("2025-02-11 23:14") * 1000 + 10_000
Keep = Callable[[Row, dict[str, Any]], bool]


@pytest.mark.parametrize(
    ("args", "keep"),
    [
        (("--kind", "lockout"), lambda r, d: r.kind == "lockout"),
        (("--kind", "lockout", "--kind", "link"), lambda r, d: r.kind in ("lockout", "link")),
        (("--drive", "PC1"), lambda r, d: r.drive == "PC1"),
        (("--alarm", ALARM), lambda r, d: d.get("alarm") == ALARM),
        (("--alarm", "plc_silent"), lambda r, d: "plc_silent" in str(d.get("alarm"))),
        (("--person", "fitter1"), lambda r, d: d.get("actor") == "fitter1"),
        (("--person", "eng1"), lambda r, d: "eng1" in d.get("people", [])),
        (("--since", "2025-02-12"), lambda r, d: r.utc_ms >= local("2025-02-12 00:00") * 1000),
        (("--until", "2025-02-11T23:14:10", "--last", "0"), lambda r, d: r.utc_ms < CAME_MS),
        (
            ("--since", "2025-02-11T23:14:10Z", "--until", "2025-02-12"),
            lambda r, d: 0 <= r.utc_ms - CAME_MS < 2_750_000,
        ),
        (
            ("--kind", "call", "--person", "super1", "--drive", "PC1"),
            lambda r, d: r.kind == "call" and r.drive == "PC1" and "super1" in (*d.get("people", ()), d.get("actor")),
        ),
    ],
)
def test_filters_give_the_rows_that_fit_and_no_others(
    journal: Journal, night: Nights, args: tuple[str, ...], keep: Keep
) -> None:
    """Each alone, and together; held against the rows themselves."""
    expected = [r.seq for r in night.rows if keep(r, json.loads(r.payload))]

    assert expected
    assert [o["seq"] for o in objects(journal.run("read", "--json", *args).out)] == expected[-50:]


def test_last_rows_and_all_rows(journal: Journal) -> None:
    """50 by default; as many as asked for; all of them over several pages, in order."""
    chain = StoreChain()
    journal.keep(chain.rows(12_001))
    counts = {n: journal.run("read", "--json", "--last", str(n)).out for n in (1, 6_000, 0)}

    assert [o["seq"] for o in objects(journal.run("read", "--json").out)] == list(range(11_952, 12_002))
    assert [o["seq"] for o in objects(counts[1])] == [12_001]
    assert [o["seq"] for o in objects(counts[6_000])] == list(range(6_002, 12_002))
    assert [o["seq"] for o in objects(counts[0])] == list(range(1, 12_002))


def test_json_holds_all_that_a_hash_is_made_of(journal: Journal, night: Nights) -> None:
    """Whoever has the lines can compute the chain anew."""
    for found, row in zip(objects(journal.run("read", "--json", "--last", "0").out), night.rows, strict=True):
        fields = {name: found[name] for name in Row._fields if name not in ("payload", "prev_hash", "hash")}
        payload, previous = canonical(found["data"]), bytes.fromhex(str(found["prev_hash"]))  # type: ignore[arg-type]
        again = Row(**fields, payload=payload, prev_hash=previous, hash=b"")  # type: ignore[arg-type]

        assert again._replace(hash=row.hash) == row
        assert chain_hash(previous, again).hex() == found["hash"]


def test_words_from_outside_stay_on_their_line(journal: Journal) -> None:
    """Neither a terminal's control codes nor a line of their own, also in JSON."""
    made = Nights()
    made.tell("link", "link_down", link="store", detail="\x1b[2J\x9b\u202e\r\nNight is quiet")
    made.tell("command", "refused", actor="\x1b]0;x\x07", verb="reset\n", reason="\u2028no")
    journal.keep(made.rows)

    for args in ((), ("--json",)):
        out = journal.run("read", *args).out
        assert all(c.isprintable() or c == "\n" for c in out)
        assert not any(line.startswith("Night") for line in out.splitlines())


def test_rows_whose_clock_could_not_be_trusted_are_marked(journal: Journal) -> None:
    """And a clock beyond every calendar has no date."""
    made = Nights()
    made.note()
    entry = made.rows
    made.started()
    row = entry[0]._replace(clock_trusted=False, utc_ms=2**60)
    journal.keep([row])
    out = journal.run("read").out

    assert "A clock without a date" in out
    assert "--:--:--~" in out
    assert "~ = the clock could not be trusted then." in out


@pytest.mark.asyncio
async def test_reading_beside_a_writing_store(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No lock is taken or needed; what is durable is seen, and the writer goes on."""
    journal = Journal(tmp_path, capsys, monkeypatch)
    async with opened(tmp_path) as (store, _):
        chain = StoreChain.of(store)
        for number in range(1, 4):
            store.append(chain.rows(100), {}, [])
            assert await store.wait_durable(100 * number, 5.0)
            assert f"{100 * number} rows" in journal.run("verify").out
            assert len(objects(journal.run("read", "--json", "--last", "0").out)) == 100 * number
        store.append(chain.rows(1), {}, [])
        assert await store.wait_durable(301, 5.0)


# --- mistakes ---


DAY, NEXT = "2025-02-11T18:00", "2025-02-12T08:00"


@pytest.mark.parametrize(
    ("command", "args", "words"),
    [
        (
            "read",
            "--since yesterday",
            "--since 'yesterday': expected a time such as 2026-11-25T18:00 (in Europe/London)",
        ),
        ("read", "--until 2026-13-01", "--until '2026-13-01': expected a time"),
        ("read", "--since 0001-01-01", "--since '0001-01-01': expected a time"),
        ("read", f"--since {NEXT} --until {DAY}", f"--since {NEXT} is not before --until {DAY}"),
        ("read", "--drive PC3", "there is no drive 'PC3', neither in the settings nor in the journal; did you mean"),
        ("read", "--person nigth1", "--person 'nigth1': neither the settings nor these rows know them; did you mean"),
        ("read", "--kind alram", "--kind 'alram': there is no such kind of row; did you mean 'alarm'"),
        ("read", "--alarm alarm_contcat", "there is no alarm of that kind; did you mean 'alarm_contact'"),
        ("read", "--alarm PC1/alarm_contact", "--alarm: 'PC1/alarm_contact' is no alarm's name: expected DRIVE/"),
        ("read", "--alarm PC9/forward/alarm_contact", "there is no drive 'PC9'"),
        ("account", f"--from {NEXT} --to {DAY}", f"--from {NEXT} is not before --to {DAY}"),
        ("account", f"--from {DAY} --to {DAY}", "is not before"),
        ("account", "--to 2000-01-01", "is not before --to 2000-01-01"),
        ("account", "--from x", "--from 'x': expected a time"),
        ("figures", "--from 2999-01-01", "--from 2999-01-01 is not before the end"),
        ("figures", "--to x", "--to 'x': expected a time"),
        ("export", "", "give one of --csv FILE and --json FILE"),
        ("export", "--csv a --json b", "give one of --csv FILE and --json FILE"),
        ("export", "--csv - --kind x", "there is no such kind of row"),
    ],
)
def test_mistake_is_one_sentence(journal: Journal, night: Nights, command: str, args: str, words: str) -> None:
    """What is wrong, where, what to do."""
    assert words in journal.refused(command, *args.split())


@pytest.mark.parametrize("command", ["read", "verify", "account", "figures", "export"])
def test_no_store_and_a_file_that_is_none(journal: Journal, command: str) -> None:
    """Nothing is made where nothing was."""
    args = ("--csv", "-") if command == "export" else ()
    assert "there is no store; check store.dir in the settings" in journal.refused(command, *args)
    assert not journal.folder.exists()
    journal.folder.mkdir()
    (journal.folder / "store.db").write_bytes(b"no database at all, but rather long" * 200)
    assert "cannot be read" in journal.refused(command, *args)
    (journal.folder / "store.db").write_bytes(b"")
    assert "has store schema 0" in journal.refused(command, *args)


def test_drive_and_person_that_only_the_journal_knows(journal: Journal) -> None:
    """Removed drives and people who have left keep their rows."""
    made = Nights(drives=("OLD1",))
    made.tell("drive", "alarm_operated", "OLD1", "forward", actor="left1")
    journal.keep(made.rows)

    assert len(objects(journal.run("read", "--json", "--drive", "OLD1").out)) == 1
    assert len(objects(journal.run("read", "--json", "--person", "left1").out)) == 1
    assert journal.run("read", "--person", "night1").out == "No row fits.\n"


# --- export ---


def test_csv_gives_every_row_and_value(journal: Journal, night: Nights, tmp_path: Path) -> None:
    """Read back by the standard library's reader."""
    file = tmp_path / "out.csv"
    done = journal.run("export", "--csv", str(file))
    with file.open(newline="", encoding="utf-8") as text:
        rows = list(csv.DictReader(text))

    assert done.out.startswith("Written: ")
    assert f"{len(night.rows)} rows." in done.out
    assert [int(r["seq"]) for r in rows] == [r.seq for r in night.rows]
    for found, row in zip(rows, night.rows, strict=True):
        assert json.loads(found["data"]) == json.loads(row.payload)
        assert (found["hash"], found["kind"], found["drive"]) == (row.hash.hex(), row.kind, row.drive)
    assert rows[1]["utc"] == "2025-02-11T23:14:10.000Z"
    assert rows[1]["local"] == "2025-02-11 23:14:10"
    assert rows[2]["people"] == "day1 eng1 night1 super1"


@pytest.mark.parametrize("begin", ["=", "+", "-", "@", "\t=", " =", "\r", "\n", "|", "%"])
def test_no_cell_is_a_formula(journal: Journal, begin: str) -> None:
    """What a spreadsheet would run begins with an apostrophe (common practice, after OWASP)."""
    made = Nights()
    evil = f"{begin}cmd|' /C calc'!A0"
    made.tell("alarm", "raised", evil, evil, alarm=evil, actor=evil)
    journal.keep(made.rows)
    (row,) = csv.DictReader(io.StringIO(journal.run("export", "--csv", "-").out))

    for column in ("drive", "direction", "alarm", "people"):
        cell = row[column]
        assert "cmd" in cell
        assert cell.isprintable()
        assert cell.lstrip()[:1] not in ("=", "+", "-", "@", "|", "%")


def test_json_lines_to_a_file_and_to_standard_output(journal: Journal, night: Nights, tmp_path: Path) -> None:
    """The same lines, with the same filters as reading."""
    file = tmp_path / "out.jsonl"
    assert journal.run("export", "--json", str(file), "--kind", "lockout").code == 0
    printed = journal.run("export", "--json", "-", "--kind", "lockout").out

    assert file.read_text() == printed == journal.run("read", "--json", "--kind", "lockout", "--last", "0").out
    assert len(objects(printed)) == sum(r.kind == "lockout" for r in night.rows)


def test_file_that_is_there_is_replaced_only_when_asked(journal: Journal, night: Nights, tmp_path: Path) -> None:
    """Nobody loses a file by a name typed wrong."""
    file = tmp_path / "people.toml"
    file.write_text("precious")
    assert "is there already; give another name, or --replace" in journal.refused("export", "--json", str(file))
    assert file.read_text() == "precious"

    assert journal.run("export", "--json", str(file), "--replace").code == 0
    assert len(objects(file.read_text())) == len(night.rows)


def test_what_fails_leaves_no_half_file(journal: Journal, night: Nights, tmp_path: Path) -> None:
    """A row that cannot be exported, late in the journal; a person whom nobody knows; a full disk."""
    folder = tmp_path / "out"
    folder.mkdir()
    assert "neither the settings" in journal.refused("export", "--csv", str(folder / "a.csv"), "--person", "nobody")
    journal.sql("update journal set payload = 'text' where seq = 40")
    assert "row 40 has not the form of a row" in journal.refused("export", "--csv", str(folder / "a.csv"))
    (folder / "old.csv").write_text("old")
    journal.refused("export", "--csv", str(folder / "old.csv"), "--replace")

    assert [(p.name, p.read_text()) for p in folder.iterdir()] == [("old.csv", "old")]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", "is a folder; give the name of a file"),
        ("none/a.csv", "there is no folder"),
        ("x" * 300, "cannot be written"),
    ],
)
def test_file_that_cannot_be_written(journal: Journal, night: Nights, tmp_path: Path, name: str, words: str) -> None:
    """One sentence."""
    assert words in journal.refused("export", "--csv", str(tmp_path / name))


# --- account and figures ---


def test_account_of_the_night(journal: Journal, night: Nights) -> None:
    """By the store, with the labels of the settings."""
    done = journal.run("account", "--from", "2025-02-11T18:00", "--to", "2025-02-12T08:00")

    assert (done.code, done.err) == (0, "")
    assert all(len(line) <= 80 for line in done.out.splitlines())
    assert done.out.startswith("Fennmark treatment works (fennmark): account of the journal\n")
    flat = " ".join(done.out.split())
    assert "super1 acknowledged it, 17 min 20 s after it had come." in flat
    assert "super1 = Shift supervisor (supervisor)" in flat
    assert "1 lockout opened, 1 released" in flat


def test_account_of_last_night_by_default(journal: Journal, night: Nights) -> None:
    """Whatever today is, it begins at 18:00 of yesterday and ends at 08:00."""
    out = journal.run("account").out

    assert " 18:00 to " in out
    assert " 08:00, Europe/London." in out


@pytest.mark.parametrize(
    ("now", "begins", "ends"),
    [
        ("2025-02-12 03:00", "2025-02-11 18:00", "2025-02-12 08:00"),
        ("2025-02-12 17:59", "2025-02-11 18:00", "2025-02-12 08:00"),
        ("2025-02-12 23:30", "2025-02-11 18:00", "2025-02-12 08:00"),
        ("2026-03-29 12:00", "2026-03-28 18:00", "2026-03-29 08:00"),  # a night of 13 hours
        ("2026-10-25 12:00", "2026-10-24 18:00", "2026-10-25 08:00"),  # a night of 15 hours
    ],
)
def test_last_night(now: str, begins: str, ends: str) -> None:
    """By the wall, in the nights in which the clock changes too."""
    from_ms, to_ms = last_night(LONDON, local(now) * 1000)

    assert (from_ms, to_ms) == (local(begins) * 1000, local(ends) * 1000)


def test_figures_of_the_night(journal: Journal, night: Nights) -> None:
    """As text with limits, as JSON, for two positions, and of an empty period."""
    period = ("--from", "2025-02-11T18:00", "--to", "2025-02-12T08:00")
    text = journal.run("figures", *period).out
    found = json.loads(journal.run("figures", *period, "--json").out)
    halved = json.loads(journal.run("figures", *period, "--json", "--positions", "2").out)
    calm = journal.run("figures", "--from", "2025-02-12T04:00", "--to", "2025-02-12T07:00").out
    before = journal.run("figures", "--from", "2025-02-01", "--to", "2025-02-02").out

    assert "ISA-18.2" in text
    assert all(len(line) <= 80 for line in text.splitlines())
    assert (found["annunciated"], found["watched_s"]) == (3, 49_800.0)
    assert found["by_priority"] == {"urgent": 1, "high": 2, "low": 0}
    assert halved["average"] == found["average"] / 2
    assert "No alarm was annunciated in this period." in calm
    assert "The journal begins only at 2025-02-11 18:00:00." in before
    assert "there are no figures" in before


def test_mistakes_in_the_folder_are_told_as_ever(journal: Journal, tmp_path: Path, night: Nights) -> None:
    """A folder that is none ends the command before the store is opened."""
    journal.config = tmp_path / "nothing"
    done = journal.run("read")

    assert done.code == 1
    assert "nothing was changed or started" in done.err
