"""A recorded day of the example site comes again bit for bit; what is otherwise is found, what lacks is said."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from nightrake.cli.main import main
from nightrake.cli.replay_run import Asked, run_replay
from nightrake.errors import NightrakeError
from nightrake.longterm.reading import History
from nightrake.replaying import is_begin
from recordeddays import CONFIG, RecordedDay, with_alarm_point
from shell.longterm.histories import forget_tail, seal

pytestmark = pytest.mark.timeout(60)  # some replay hours several times over, which takes a busy machine a while

CUT = (
    "update tail set payload = substr(payload, 1, 7) where seq = "
    "(select max(seq) from tail where kind = 'scan' and seq < 900)"
)
WHOLE = "2026-09-01/2026-12-01"
"""A period that holds all of the day."""


def busy(day: RecordedDay) -> Iterator[None]:
    """Overloads, a shutdown, silent PLCs, commands, links, a clock that is set back and on, a reload."""
    yield from day.seconds(60)
    day.works.operate("PC1", "forward/alarm/A")
    yield from day.seconds(40)
    day.position("PC1", 0.93)
    yield from day.seconds(60)
    both(day, "PC1", True)
    yield from day.seconds(20)
    day.works.set("PC1", "running", 0)
    yield from day.seconds(100)
    day.command("acknowledge", "PC1", alarm="PC1/forward/shutdown_contact", occurrence=1)
    day.command("test", "SC1", "600")
    day.link("broker", False, "went away")
    yield from day.seconds(50)
    day.link("broker", True)
    day.silent = set(list(day.works.site.endpoints)[:1])
    yield from day.seconds(90)
    day.silent = set()
    day.clock.step_utc(-1_800)
    yield from day.seconds(120)
    day.clock.step_utc(1_805)
    both(day, "PC1", False)
    day.works.operate("PC1", "forward/alarm/A", False)
    yield from day.seconds(120)
    point_nm = day.settings.site.drives["PC2"].alarm_nm
    day.reload(with_alarm_point(day.settings, "PC2", 0.95 * point_nm))
    day.command("reset", "PC1")
    for share in range(40, 95, 2):
        day.position("PC2", share / 100)
        yield from day.seconds(15)
    day.position("PC2", 0.4)
    day.period_s = 5.0
    yield from day.seconds(8_000)
    day.works.operate("GT1", "forward/alarm/A")
    yield from day.seconds(5)


def later(day: RecordedDay) -> Iterator[None]:
    """Another run: what stands is taken up again, something comes and goes."""
    day.works.operate("SC2", "forward/alarm/A")
    yield from day.seconds(100)
    day.works.operate("SC2", "forward/alarm/A", False)
    yield from day.seconds(400)


def both(day: RecordedDay, drive: str, operated: bool) -> None:
    """Both channels of a shutdown stage."""
    for channel in "AB":
        day.works.operate(drive, f"forward/shutdown/{channel}", operated)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The day: two runs of the service, the machine started anew in between."""
    folder = tmp_path_factory.mktemp("day")
    day = RecordedDay(folder, period_s=2.0)
    day.run(busy)
    day.boot = "another boot"
    day.clock.advance(600)
    day.run(later)
    return folder


@pytest.fixture
def day(made: Path, tmp_path: Path) -> Path:
    """The same in the test's own folder."""
    shutil.copy(made / "store.db", tmp_path)
    return tmp_path


def replayed(folder: Path, *words: str, capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    """What `nightrake replay --json` says, as it is said."""
    period, sets = words[0] if words else WHOLE, words[1:]
    overrides: dict[str, str | int | float] = {"store.dir": str(folder)}
    overrides.update({key: float(value) for key, _, value in (one.partition("=") for one in sets)})
    capsys.readouterr()
    code = run_replay(CONFIG, overrides, Asked(period, as_json=True))
    said: dict[str, object] = json.loads(capsys.readouterr().out)
    assert code == (0 if said.get("same", True) else 1)
    return said


def change(folder: Path, file: str, statement: str, *values: object) -> None:
    """Change a file behind everybody's back."""
    db = apsw.Connection(str(folder / file))
    try:
        list(db.execute(statement, values))
    finally:
        db.close()


@pytest.mark.parametrize("sealed", [False, True])
def test_recorded_day_comes_again_bit_for_bit(day: Path, sealed: bool, capsys: pytest.CaptureFixture[str]) -> None:
    """Faults, commands, clock steps, a reload, a restart; out of the hot tail, and out of sealed blocks alone."""
    if sealed:
        seal(day)
        with History(day) as history:
            up_to = history.sealed_seq()
        forget_tail(day, up_to)
    said = replayed(day, capsys=capsys)
    assert said["difference"] is None
    assert said["begins"] == 1
    assert int(str(said["inputs"])) > 1_500
    assert int(str(said["rows"])) > 40


def test_planted_change_of_one_input_is_found(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One bit of one recorded reply: the replay names the input from which on it is not the same."""
    with History(day) as history:
        plan = next(p for r in history.records(1, 50) if (p := history.plan_of(r.layout)).endpoint and r.layout)
        scan = next(r for r in history.records(1_000, 3_000) if r.layout == plan.layout)
    payload = bytearray(scan.payload)
    payload[15] ^= 0xFF
    change(day, "store.db", "update tail set payload = ? where seq = ?", bytes(payload), scan.seq)
    said = replayed(day, capsys=capsys)
    assert isinstance(said["difference"], dict)
    assert int(said["difference"]["input_seq"]) >= scan.seq
    assert said["difference"]["text"]


def test_changed_row_of_the_journal_is_found(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A number in a payload, a row that is gone, a row that nobody made: each is named with its input."""
    statement = "select seq, input_seq, payload from journal where event = 'shutdown_operated'"
    db = apsw.Connection(str(day / "store.db"))
    ((seq, number, payload),) = list(db.execute(statement))
    db.close()
    other = json.dumps({**json.loads(payload), "position_mm": 1.5}, sort_keys=True, separators=(",", ":"))
    for act, values, words in (
        (
            "update journal set payload = ? where seq = ?",
            (other.encode(), seq),
            "position_mm is 1.5 in the journal and",
        ),
        ("delete from journal where seq = ?", (seq,), "which the journal does not have|in the journal and"),
    ):
        change(day, "store.db", act, *values)
        said = replayed(day, capsys=capsys)
        assert isinstance(said["difference"], dict)
        assert said["difference"]["input_seq"] == number
        assert any(word in said["difference"]["text"] for word in words.split("|"))


def test_state_that_a_snapshot_keeps_otherwise_is_found(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The hourly snapshots are held against the replay's own state, alarms that no row tells of included."""
    db = apsw.Connection(str(day / "store.db"))
    found = list(db.execute("select input_seq, payload from snapshot order by input_seq"))
    db.close()
    number, payload = found[1]
    state = json.loads(payload)
    assert state["endpoints"]
    state["links"]["broker"] = [False, "gone"]
    change(day, "store.db", "update snapshot set payload = ? where input_seq = ?", json.dumps(state).encode(), number)
    said = replayed(day, capsys=capsys)
    assert isinstance(said["difference"], dict)
    assert said["difference"]["input_seq"] == number + 1
    assert str(said["difference"]["text"]).endswith("is otherwise in links")


def test_snapshot_of_an_older_program_is_held_against_in_what_it_kept(
    day: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a state holds counts, not how it was written down; what is new since was not kept then."""
    db = apsw.Connection(str(day / "store.db"))
    number, payload = list(db.execute("select input_seq, payload from snapshot order by input_seq"))[1]
    db.close()
    state = json.loads(payload)
    state["endpoints"] = dict(reversed(state["endpoints"].items()))
    for watch in state["alarms"][0].values():
        watch.pop()  # by a program that did not know of the record's last field yet
    other = json.dumps(dict(reversed(state.items())), indent=1).encode()
    change(day, "store.db", "update snapshot set payload = ? where input_seq = ?", other, number)
    assert replayed(day, capsys=capsys)["same"] is True


def test_stretch_whose_inputs_are_gone_is_refused_with_the_reason(day: Path) -> None:
    """Lost inputs: up to where it went, why no further, and from where on it can again."""
    change(day, "store.db", "delete from tail where seq between 2000 and 2010")
    with pytest.raises(
        NightrakeError, match=r"cannot be replayed beyond .*inputs 2000 to 2010 are not kept.*again from"
    ):
        run_replay(CONFIG, {"store.dir": str(day)}, Asked(WHOLE, quiet=True))


def test_rows_whose_inputs_a_kill_took_along_are_counted(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rows are kept at once, scans within a second: after a kill rows may stand alone, and that is no difference."""
    with History(day) as history:
        begins = [seq for seq, _ in history.snapshots() if is_begin((history.snapshot_before(seq) or (0, 0, b""))[2])]
    assert len(begins) == 2
    change(day, "store.db", "delete from tail where seq between ? and ?", begins[1] - 5, begins[1])
    said = replayed(day, capsys=capsys)
    assert said["difference"] is None
    assert int(str(said["lost"])) >= 1


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("delete from snapshot", "no snapshot of the state is kept"),
        ("update snapshot set payload = cast('{}' as blob)", "snapshot there is damaged"),
        ("update snapshot set payload = substr(payload, 1, 900)", "snapshot there is damaged"),
        ("delete from settings where digest like '%/built'", "are not kept as they were built"),
        ("delete from layout", "the read plan .* is not kept"),
        (CUT, "input 89[0-9] is damaged"),
        (CUT.replace("payload = substr(payload, 1, 7)", "kind = 'other'"), "input 89[0-9] is damaged"),
    ],
)
def test_what_lacks_is_said_in_a_sentence(day: Path, statement: str, reason: str) -> None:
    """Whatever a replay rests on may be gone or damaged."""
    change(day, "store.db", statement)
    with pytest.raises(NightrakeError, match=reason):
        run_replay(CONFIG, {"store.dir": str(day)}, Asked(WHOLE, quiet=True))


@pytest.mark.parametrize(
    ("period", "words"),
    [
        ("", "expected"),
        ("last 3 moons", "is no unit"),
        ("2026-12-01/2026-09-01", "ends before it begins"),
        ("2026-09-21/2026-09-21", "it is empty"),
        ("P1D/P2D", "two lengths"),
        ("2026-02-30", "expected a time"),
        ("0001-01-01/9999-12-31", "expected a time"),
        ("1999-01-01", "nothing is recorded in .*; recorded is 2026-09-21"),
        ("last 5 minutes", "nothing is recorded in"),
        ("2026-09-21/PT0S", "it is empty"),
        ("PT1H/2026-09-21T12:00", "nothing is recorded in"),
        ("2026-09-21T15:00/2026-09-21T15:00:00", "it is empty"),
        ("'; drop table tail; --", "expected"),
        ("2026-09-21T25:00/P1D", "expected a time"),
        ("٣ days", "expected"),
    ],
)
def test_hostile_periods_are_refused_in_a_sentence(day: Path, period: str, words: str) -> None:
    """Whatever is typed as a period."""
    with pytest.raises(NightrakeError, match=words) as refused:
        run_replay(CONFIG, {"store.dir": str(day)}, Asked(period, quiet=True))
    assert "\n" not in str(refused.value)


def test_part_of_the_day_is_replayed_with_the_way_to_it(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Only events of the period are printed, though the snapshot lies before it; stamps of a clock set back count."""
    run_replay(CONFIG, {"store.dir": str(day)}, Asked("2026-09-21T15:02:00/PT3M"))
    out = capsys.readouterr().out
    assert "shutdown operated" in out
    assert "alarm operated" not in out
    assert "14:3" not in out
    assert "The same as the journal to the last" in out
    run_replay(CONFIG, {"store.dir": str(day)}, Asked("2026-09-21T14:36/PT3M"))
    assert "14:36" in capsys.readouterr().out


def test_alarm_point_five_percent_lower_is_shown_side_by_side(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The rise of PC2: 'torque high' comes earlier, everything else when it came."""
    said = replayed(day, WHOLE, "drive.PC2.alarm_nm=28800", capsys=capsys)
    alarms = {a["alarm"]: a for a in said["alarms"]}  # type: ignore[attr-defined]
    high = alarms["PC2/forward/torque_high"]
    assert (high["was"], high["now"], high["earlier"]) == (1, 1, 1)
    reached = said["set_points_reached"][0]  # type: ignore[index]
    assert reached["set_point"] == "PC2/forward alarm point"
    assert reached["later_ms"] < -20_000
    others = [a for name, a in alarms.items() if not name.startswith("PC2/")]
    assert len(others) > 8
    assert all(a["same"] == a["was"] == a["now"] for a in others)


def test_longer_delay_of_an_alarm_makes_it_later_or_never(day: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What stood for longer comes later by the difference; what had gone by then would not have come."""
    said = replayed(day, WHOLE, "alarm.alarm_contact.on_delay_s=60", capsys=capsys)
    alarms = {a["alarm"]: a for a in said["alarms"]}  # type: ignore[attr-defined]
    assert alarms["PC1/forward/alarm_contact"]["later"] == 1
    assert alarms["PC1/forward/shutdown_contact"]["same"] == 1
    later = [o["later_ms"] for o in said["occurrences"] if o["alarm"].endswith("alarm_contact")]  # type: ignore[attr-defined]
    assert all(57_000 <= ms <= 60_000 for ms in later)


def test_service_that_ends_right_after_a_reload_is_replayed_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """No PLC has been read then, as at a begin; the next run's snapshot is taken up all the same."""

    def reloading(day: RecordedDay) -> Iterator[None]:
        yield from day.seconds(20)
        plcs = day.settings.site.endpoints
        moved = {name: replace(plc, port=plc.port + 1) for name, plc in plcs.items()}
        site = replace(day.settings.site, endpoints=moved, digest="f" * 64)
        day.reload(replace(day.settings, site=site, digest="f" * 64, content="{}"))

    day = RecordedDay(tmp_path, period_s=2.0)
    day.run(reloading)
    day.run(lambda day: day.seconds(20))
    said = replayed(tmp_path, capsys=capsys)
    assert said["difference"] is None
    assert said["begins"] == 1


def test_what_cannot_be_asked_is_refused(day: Path) -> None:
    """Another address was never read; a limit that is no such limit; a setting that judges nothing."""
    for key, value, words in (
        ("drive.PC1.position.point.scale", 2.0, "is read"),
        ("drive.PC1.stop_confirm_s", 4.0, None),
        ("drive.PC1.name", "Primary one", "nothing to compare"),
        ("site.id", "other", "nothing to compare"),
        ("plc.PLCA.port", 1502, "nothing to compare"),
        ("mqtt.port", 1884, "nothing to compare"),
        ("drive.PC1.alarm_nm", 32000, "nothing to compare"),
    ):
        overrides: dict[str, str | int | float] = {"store.dir": str(day), key: value}
        if words is None:
            assert run_replay(CONFIG, overrides, Asked(WHOLE, quiet=True)) == 0
            continue
        with pytest.raises(NightrakeError, match=words):
            run_replay(CONFIG, overrides, Asked(WHOLE, quiet=True))


def test_command_line_says_it_all(
    day: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As typed: a table for the alarm point, in 80 columns, with what it does not say; a mistake in one sentence."""
    command = ["nightrake", "replay", "2026-09-21", "--config", str(CONFIG), "--set", f"store.dir={day}"]
    monkeypatch.setattr("sys.argv", [*command, "--set", "drive.PC2.alarm_nm=28800"])
    with pytest.raises(SystemExit) as end:
        main()
    out = capsys.readouterr().out
    assert end.value.code == 0
    assert out.startswith("What if drive.PC2.alarm_nm = 28800: 2026-09-21 00:00:00 to 2026-09-22 00:00:00")
    assert "earlier" in out.splitlines()[2]
    assert "PC2/forward/torque_high  would have come" in out
    assert "not the" in out
    assert max(map(len, out.splitlines())) <= 84
    monkeypatch.setattr("sys.argv", [*command, "--set", "drive.PC2.alarm_nm=99999999"])
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 1
    assert "alarm_nm: is" in capsys.readouterr().err
