"""`nightrake journal verify` against planted damage: each is named by its first wrong row, in one sentence."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from alarmnights import Chain, Nights, scripted
from journals import Journal, rechained
from nightrake.domain.rows import Entry, Row
from nightrake.journal.audit import Audit, Audited, Head
from nightrake.journal.chain import lost_entry
from nightrake.messages.payloads import other_bytes
from peers.mosquitto import Mosquitto


def plain(count: int) -> list[Row]:
    """A short journal."""
    chain = Chain()
    for number in range(1, count + 1):
        chain.add(Entry("drive", "alarm_operated", "PC1", "forward", {"n": number}), number, 1_790_000_000_000 + number)
    return chain.rows


def audited(rows: Sequence[Row], *heads: Row) -> Audited:
    """What an audit makes of rows, with some of them published."""
    published = {r.seq: {r.hash: Head(r.seq, r.hash, r.epoch, "then")} for r in heads}
    audit = Audit(published)
    for row in rows:
        audit.take(row)
    return audit.done()


def canary(row: Row, site: str = "fennmark", **data: Any) -> str:
    """The message in which the watch publishes a row as the newest, made by its own code."""
    whole = {"instance": "i", "count": 1, "head_seq": row.seq, "head_hash": row.hash.hex(), **data}
    return other_bytes(
        id="c", epoch=row.epoch, seq=row.seq, utc_ms=row.utc_ms, site=site, kind="canary", event="canary", data=whole
    ).decode()


@pytest.fixture
def journal(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Journal:
    """An empty one."""
    return Journal(tmp_path / "state", capsys, monkeypatch)


def test_sound_journal_holds(journal: Journal, tmp_path: Path) -> None:
    """A night of the real modules, with heads from the middle and the end."""
    rows = scripted().rows
    journal.keep(rows)
    heads = tmp_path / "heads.txt"
    heads.write_text("".join(f"{canary(r)}\n" for r in (rows[3], rows[3], rows[-1])))
    done = journal.run("verify", "--heads", str(heads))

    assert (done.code, done.err) == (0, "")
    assert f"{len(rows)} rows, from 1 to {len(rows)}; 1 life, 2 starts of the watch." in done.out
    assert "The chain holds" in done.out
    assert "2 published heads fit" in done.out
    assert "give --heads FILE" in journal.run("verify").out.replace("\n", " ")
    assert all(len(line) <= 80 for line in done.out.splitlines())


def test_changed_payload(journal: Journal) -> None:
    """Of one row, hash left as it was."""
    journal.keep(plain(9))
    journal.sql("update journal set payload = cast('{\"n\":99}' as blob) where seq = 5")

    assert "journal row 5 does not fit its own hash: it was changed" in journal.refused("verify")


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("utc_ms", 5),
        ("drive", "SC1"),
        ("kind", "alarm"),
        ("event", "x"),
        ("direction", ""),
        ("urgent", 1),
        ("schema", 2),
        ("input_seq", 7),
        ("boot_id", "b"),
        ("mono_ns", 1),
        ("clock_trusted", 0),
        ("epoch", "e2"),
    ],
)
def test_any_other_column_changed(journal: Journal, column: str, value: object) -> None:
    """Nothing about a row can be changed unseen."""
    journal.keep(plain(9))
    journal.sql(f"update journal set {column} = ? where seq = 5", value)

    assert "journal row 5 does not fit its own hash" in journal.refused("verify")


def test_changed_row_with_its_own_hash_made_anew(journal: Journal) -> None:
    """Then the one after it does not follow any more."""
    rows = plain(9)
    rows[4] = rechained([*rows[:4], rows[4]._replace(payload=b"{}")], 4)[4]
    journal.keep(rows)

    assert "journal row 6 does not follow on row 5" in journal.refused("verify")


def test_dropped_row(journal: Journal) -> None:
    """Named by the row behind the hole."""
    journal.keep(plain(9))
    journal.sql("delete from journal where seq = 5")

    text = journal.refused("verify")
    assert "journal row 6 does not follow on row 4: rows were changed, moved or taken out there" in text


def test_dropped_first_row(journal: Journal) -> None:
    """A journal without its beginning is not one."""
    journal.keep(plain(9))
    journal.sql("delete from journal where seq = 1")

    assert "journal row 2 does not follow on the journal's beginning" in journal.refused("verify")


def test_swapped_rows(journal: Journal) -> None:
    """By number, and by content; the first of the two is named, and how much more is wrong."""
    journal.keep(plain(9))
    for old, new in ((5, 100), (6, 5), (100, 6)):
        journal.sql("update journal set seq = ? where seq = ?", new, old)
    text = journal.refused("verify")

    assert "journal row 5 does not fit its own hash" in text
    assert "more places are wrong after it" in text


def test_cut_tail_shows_beside_a_published_head(journal: Journal, tmp_path: Path) -> None:
    """Without it nothing can show it, and the command says so."""
    rows = plain(9)
    journal.keep(rows)
    journal.sql("delete from journal where seq > 6")
    heads = tmp_path / "heads.txt"
    heads.write_text(canary(rows[7]) + "\n")

    assert "only beside published heads" in journal.run("verify").out.replace("\n", " ")
    text = journal.refused("verify", "--heads", str(heads))
    assert "the journal ends with row 6, but row 8 was published at 2026-" in text
    assert "its end was cut off" in text


def test_cut_tail_with_the_head_written_anew(journal: Journal, tmp_path: Path) -> None:
    """Whoever can compute hashes makes a journal that holds in itself; the published head does not fit."""
    rows = plain(9)
    forged = rechained([*rows[:5], *(r._replace(payload=b'{"n":0}') for r in rows[5:9])], 5)
    journal.keep(forged)
    heads = tmp_path / "heads.txt"
    heads.write_text(f"{canary(rows[3])}\n{canary(rows[8])}\n")

    assert journal.run("verify").code == 0
    assert "journal row 9 is not the one whose hash was published at 2026-" in journal.refused(
        "verify", "--heads", str(heads)
    )


def test_journal_begun_anew_in_place_of_another(journal: Journal, tmp_path: Path) -> None:
    """Its life has another name, which the sentence says."""
    old = plain(4)
    journal.keep([r._replace(epoch="e2") for r in rechained([r._replace(epoch="e2") for r in old], 0)])
    heads = tmp_path / "heads.txt"
    heads.write_text(canary(old[2]) + "\n")

    assert "in another life of the journal (e1)" in journal.refused("verify", "--heads", str(heads))


def test_empty_store(journal: Journal, tmp_path: Path) -> None:
    """Holds nothing, and everything is missing where a head was published."""
    journal.keep(plain(1))
    journal.sql("delete from journal")
    heads = tmp_path / "heads.txt"
    heads.write_text(canary(plain(3)[2]) + "\n")

    assert "the journal holds no row, although numbers up to" in journal.refused("verify")
    assert "the journal holds no row, but row 3 was published" in journal.refused("verify", "--heads", str(heads))


def test_store_that_never_had_a_row_is_no_damage(journal: Journal) -> None:
    """One that was opened and closed before anything happened."""
    journal.keep([])
    done = journal.run("verify")

    assert (done.code, done.out) == (0, "The journal holds no row.\n")


def test_numbers_skipped_with_and_without_a_start_row() -> None:
    """Burnt by a crash they are told by the start; without, the row behind them is named."""
    night = Nights()
    night.tell("drive", "alarm_operated", "PC1", "forward")
    night.started(skipped=[2, 40])
    night.tell("drive", "alarm_released", "PC1", "forward")
    told = audited(night.rows)
    silent = Chain()
    for seq in (1, 2, 9):
        silent.next_seq = seq
        silent.add(Entry("drive", "x", "", "", {}), 1, 1)
    untold = audited(silent.rows)

    assert (told.wrong, told.missing[0][:3], told.missing_count) == ((), (2, 40, 41), 1)
    assert untold.wrong[0].seq == 9
    assert "numbers 3 to 8 are missing before it, and no start row says that they were skipped" in untold.wrong[0].text


def test_start_row_that_tells_of_fewer_numbers_does_not_cover_the_gap() -> None:
    """One number of the gap is told by nobody."""
    night = Nights()
    night.started()
    night.started(skipped=[2, 39])
    rows = rechained([night.rows[0], night.rows[1]._replace(seq=41)], 1)

    assert "numbers 2 to 40 are missing" in audited(rows).wrong[0].text


def test_rows_given_up_for_want_of_a_disk_are_told_by_a_later_row() -> None:
    """They break the chain, and only such a row covers that; a start row does not."""
    rows = plain(6)
    chain = Chain()
    chain.rows, chain.next_seq = list(rows), 7
    chain.add(lost_entry(3, 4), 1, 1)
    kept = [*rows[:2], *chain.rows[4:]]

    assert audited(kept).wrong == ()
    assert audited(kept).missing[0].lost
    assert audited(kept[:-1]).wrong[0].seq == 5
    start = Chain()
    start.rows, start.next_seq = list(rows), 7
    start.add(Entry("service", "started", "", "", {"numbers_skipped": [3, 4]}), 1, 1)
    assert audited([*rows[:2], *start.rows[4:]]).wrong[0].seq == 5


def test_row_that_lost_its_form_is_named(journal: Journal) -> None:
    """A column of another type ends neither this command nor the others with a traceback."""
    journal.keep(plain(9))
    journal.sql("update journal set payload = 'text', drive = cast('x' as blob) where seq = 4")

    assert "journal row 4 has not the form of a row" in journal.refused("verify")
    for command in ("read", "account", "figures"):
        args = ("--last", "0") if command == "read" else ()
        done = journal.run(command, *args)
        assert done.code == 0 or "row 4 has not the form of a row" in done.err


def test_text_that_is_no_text(journal: Journal) -> None:
    """Bytes that are no UTF-8 in a text column."""
    journal.keep(plain(9))
    journal.sql("update journal set event = cast(x'ff80' as text) where seq = 4")

    assert "the file was damaged or changed" in journal.refused("verify")


def test_damaged_file(journal: Journal) -> None:
    """Pages overwritten: one sentence."""
    journal.keep(plain(3_000))
    file = journal.folder / "store.db"
    size = file.stat().st_size
    with file.open("r+b") as damaged:
        damaged.seek(size // 2)
        damaged.write(b"\xa5" * (size // 4))

    assert journal.refused("verify")


def test_published_head_of_a_row_that_is_missing_within() -> None:
    """Told as given up for want of a disk, though it had been on the disk when it was published."""
    rows = plain(6)
    chain = Chain()
    chain.rows, chain.next_seq = list(rows), 7
    chain.add(lost_entry(3, 4), 1, 1)
    found = audited([*rows[:2], *chain.rows[4:]], rows[3])

    assert [w.seq for w in found.wrong] == [4]
    assert "journal row 4 is missing, but it was published" in found.wrong[0].text


def test_much_damage_is_counted_and_the_first_is_first() -> None:
    """Bounded in what is kept."""
    rows = [r._replace(payload=b"x") for r in plain(1_000)]
    found = audited(rows)

    assert (found.wrong_count, len(found.wrong), found.wrong[0].seq) == (1_000, 100, 1)
    holes = [r for i, r in enumerate(plain(1_000)) if i % 2]
    assert (audited(holes).wrong_count, audited(holes).wrong[0].seq) == (500, 2)


# --- the file of heads ---


def wrapped(message: str) -> str:
    """As ``mosquitto_sub -F %j`` prints a message."""
    return json.dumps({"tst": "2026-11-25T18:00:00Z", "topic": "t", "qos": 1, "payload": message})


def test_heads_in_every_form_in_which_a_subscriber_may_keep_them(journal: Journal, tmp_path: Path) -> None:
    """The message itself, %j, %J, -v; other messages, empty lines and a last line that was cut off are passed over."""
    rows = plain(9)
    journal.keep(rows)
    text = canary(rows[8])
    event = json.dumps({**json.loads(text), "kind": "drive", "event": "x", "data": {}})
    as_object = json.dumps({"topic": "t", "payload": json.loads(text)})
    heads = tmp_path / "heads.txt"
    for line in (text, wrapped(text), as_object, f"nightrake/fennmark/events {text}"):
        heads.write_text(f"{event}\n\n{line}\n{text[:100]}")
        assert "1 published head fits" in journal.run("verify", "--heads", str(heads)).out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no published head; keep the messages of the topic 'events'"),
        ("what is this\n", "line 1 is no message of nightrake"),
        ("[1]\n", "line 1 is no message of nightrake"),
        ('{"payload": 5}\n', "line 1 is no message of nightrake"),
        ("{" * 100_000 + "\n", "line 1 is no message of nightrake"),
        (canary(plain(1)[0], site="elsewhere") + "\n", "line 1 is of the site 'elsewhere', not of 'fennmark'"),
        (canary(plain(1)[0], head_hash="xyz") + "\n", "line 1 is a canary without head_seq and head_hash"),
        (canary(plain(1)[0], head_hash=5) + "\n", "line 1 is a canary without head_seq and head_hash"),
        (canary(plain(1)[0], head_seq=0) + "\n", "holds no published head"),
        ('{"kind": "canary", "data": []}\n', "line 1 is a canary without head_seq and head_hash"),
    ],
)
def test_file_that_holds_no_heads(journal: Journal, tmp_path: Path, text: str, words: str) -> None:
    """One sentence with its line, before the store is looked at."""
    heads = tmp_path / "heads.txt"
    heads.write_text(text)

    assert words in journal.refused("verify", "--heads", str(heads))


@pytest.mark.parametrize("form", ["%j", "%J", "%p", "-v"])
def test_heads_as_mosquitto_sub_keeps_them(journal: Journal, tmp_path: Path, mosquitto: Mosquitto, form: str) -> None:
    """The real program, in each of its forms, beside a real broker."""
    rows = plain(9)
    journal.keep(rows)
    where = ("-h", "127.0.0.1", "-p", str(mosquitto.port), "-t", "nightrake/fennmark/events")
    heads = tmp_path / "heads.txt"
    with heads.open("w") as file:
        how = ("-v",) if form == "-v" else ("-F", form)
        command = ["mosquitto_sub", *where, "-q", "1", "-C", "1", "-W", "10", "-i", "keeper", "-c", *how]
        subprocess.run([*command[: -len(how)], "-E"], check=True, timeout=15)  # the session holds what comes meanwhile
        message = ("-q", "1", "-m", canary(rows[8]))
        subprocess.run(["mosquitto_pub", *where, *message], check=True, timeout=15)
        subprocess.run(command, stdout=file, check=True, timeout=15)

    assert "1 published head fits" in journal.run("verify", "--heads", str(heads)).out
    journal.sql("delete from journal where seq > 6")
    assert "row 9 was published" in journal.refused("verify", "--heads", str(heads))


def test_heads_that_cannot_be_read(journal: Journal, tmp_path: Path) -> None:
    """No such file, or a folder."""
    assert "cannot be read (No such file" in journal.refused("verify", "--heads", str(tmp_path / "none"))
    assert "cannot be read" in journal.refused("verify", "--heads", str(tmp_path))
