"""`nightrake trend` on Fennmark with two simulated years: table, drives in words, page, picture, files, refusals."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import struct
from contextlib import redirect_stdout
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import apsw
import pytest

from nightrake.cli.main import main
from nightrake.history.rows import PARTS, Grain
from nightrake.longterm.summaries import day_key
from recordeddays import CONFIG
from twoyears import make

pytestmark = pytest.mark.timeout(300)
LAST = (date(2026, 11, 25) - date(1970, 1, 1)).days
YEARS = "2024-11-26/2026-11-26"


class Done(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


class Command:
    """Runs ``nightrake trend`` on a store."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self._capsys, self._monkeypatch = folder, capsys, monkeypatch

    def run(self, *words: str) -> Done:
        """To its end."""
        store = ("--config", str(CONFIG), "--set", f"store.dir={self.folder}")
        self._monkeypatch.setattr("sys.argv", ["nightrake", "trend", *words, *store])
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        out, err = self._capsys.readouterr()
        return Done(int(end.value.code or 0), out, err)

    def said(self, *words: str) -> str:
        """What it prints."""
        done = self.run(*words)
        told = [
            line for line in done.err.splitlines() if not re.fullmatch(r"(judging|reading|drawing): .*drives", line)
        ]
        assert (done.code, told) == (0, [])
        return done.out

    def refused(self, *words: str) -> str:
        """The one sentence of a refusal."""
        done = self.run(*words)
        assert done.code == 1, done
        lines = done.err.splitlines()
        assert len(lines) == 1, done.err
        return lines[0].removeprefix("nightrake: ")


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The two years with their events, four hours of each day."""
    folder = tmp_path_factory.mktemp("years")
    with redirect_stdout(io.StringIO()):
        make(folder, LAST, hours=range(6, 18, 3), minute_days=0)
    return folder


@pytest.fixture
def command(years: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """The command on it."""
    return Command(years, capsys, monkeypatch)


def test_who_will_trip_first(command: Command) -> None:
    """The one that creeps comes first and is said to; the one below its preload comes last; 80 columns."""
    lines = command.said("site", YEARS).splitlines()
    head = next(n for n, line in enumerate(lines) if "DRIVE" in line)
    order = [line.split()[1] for line in lines[head + 1 : head + 7]]
    assert order[0] == "GT1"
    assert order[-1] == "SC1"
    assert sorted(order) == ["GT1", "PC1", "PC2", "SC1", "SC2", "SCR1"]
    assert any(line.startswith("GT1") and "reep" in line for line in lines[head + 7 :])
    assert max(map(len, lines)) <= 80
    assert "lock out" in " ".join(lines)


def test_area_and_drive_are_parts_of_the_site(command: Command) -> None:
    """An area's table has its drives; one drive gives the same figures as the table."""
    told = {t["drive"]: t for t in json.loads(command.said("site", YEARS, "--json"))["trends"]}
    area = json.loads(command.said("sludge", YEARS, "--json"))["trends"]
    assert {t["drive"] for t in area} == {"GT1", "SCR1"}
    (one,) = json.loads(command.said("GT1", YEARS, "--json"))["trends"]
    assert {**one, "facts": []} == told["GT1"]


def test_creep_of_the_thickener_is_measured(command: Command) -> None:
    """GT1 was given 3 % of shutdown a month since day 560: the interval holds it; what was before is no part of it."""
    (one,) = json.loads(command.said("GT1", YEARS, "--json"))["trends"]
    slope = one["slope_percent_month"]
    assert slope["low"] <= 3.0 <= slope["high"]
    assert slope["high"] - slope["low"] < 1.5
    assert one["warning"] is True
    assert 75_000 < one["level_nm"] < 80_500
    assert one["alarm"]["days"]["low"] < 130
    assert any("lockout released, cause: heavy sludge" in shift["why"] for shift in one["shifts"])


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        ("GT1", ["Alarm of GT1 at 2025-12-23", "creep"]),
        ("PC2", ["Shutdown of PC2 at 2026-04-30", "load-up"]),
        ("SC2", ["Shutdown of SC2 at 2026-07-29", "jam"]),
        ("PC1", ["Shutdown of PC1 at 2026-08-28", "contact fault", "function check left out"]),
    ],
)
def test_each_trip_is_sorted_by_its_approach(command: Command, drive: str, words: list[str]) -> None:
    """One of each kind, in the drive's report."""
    text = " ".join(command.said(drive, YEARS).split())
    for word in words:
        assert word in text


def test_drives_that_do_not_creep_are_not_said_to(command: Command) -> None:
    """Steady, stepped, recalibrated, below the preload, and PC2, which rises with the season: no warning."""
    told = {t["drive"]: t for t in json.loads(command.said("site", YEARS, "--json"))["trends"]}
    assert {drive for drive, t in told.items() if t["warning"]} == {"GT1"}
    assert told["SC1"]["slope_nm_month"] is None
    records = " ".join(command.said("SCR1", YEARS).split())
    assert "SCR1-forward-2024-02-05, then SCR1-forward-2026-03-14" in records
    assert "calibration record changed to SCR1-forward-2026-03-14" in records


def test_as_of_the_end_of_the_period(command: Command) -> None:
    """Judged in spring 2025 nothing of the autumn is known."""
    (then,) = json.loads(command.said("GT1", "2024-11-26/2025-10-01", "--json"))["trends"]
    assert then["now_utc_ms"] == 1_759_273_200_000
    assert not any(s["utc_ms"] > then["now_utc_ms"] for s in then["shifts"])


def test_page_stands_alone(command: Command, tmp_path: Path) -> None:
    """One file, nothing outside is asked, every drive with its pictures for paper and telephone."""
    target = tmp_path / "creep.html"
    assert command.said("site", YEARS, "--html", str(target)) == f"Written: {target}.\n"
    page = target.read_text(encoding="utf-8")
    assert not re.search(r"(src|href)=\"(?!#)|url\((?!#)|@import|https?:", page)
    for drive in ("GT1", "PC1", "PC2", "SC1", "SC2", "SCR1"):
        assert f'<section id="drive-{drive}-forward">' in page
    assert page.count('<figure class="wide">') == page.count('<figure class="narrow">') == 6
    assert "shutdown 112.5" in page
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert len(page) < 8_000_000


def test_page_of_one_drive(command: Command, tmp_path: Path) -> None:
    """No table, its pictures, and all that the terminal says of it."""
    target = tmp_path / "gt1.html"
    command.said("GT1", YEARS, "--html", str(target))
    page = target.read_text(encoding="utf-8")
    assert "<title>Torque creep: GT1 Gravity thickener, forward</title>" in page
    assert page.count("<section") == 1
    assert "Who will reach" not in page
    for words in ("Alarm of GT1 at 2025-12-23", "lockout released, cause: heavy sludge", "rainflow cycles"):
        assert words in page


def test_picture_is_a_png(command: Command, tmp_path: Path) -> None:
    """Of one drive; of a site it is refused in a sentence."""
    target = tmp_path / "gt1.png"
    command.said("GT1", YEARS, "--png", str(target))
    data = target.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert min(struct.unpack(">II", data[16:24])) > 1_000
    assert "name one" in command.refused("site", YEARS, "--png", str(tmp_path / "all.png"))


def test_files_for_programs(command: Command, tmp_path: Path) -> None:
    """The table, and one drive's days with what was made of them."""
    target = tmp_path / "table.csv"
    command.said("site", YEARS, "--csv", str(target))
    rows = list(csv.DictReader(io.StringIO(target.read_text())))
    assert [row["rank"] for row in rows] == [str(n) for n in range(1, 7)]
    command.said("GT1", YEARS, "--csv", str(target), "--replace")
    days = list(csv.DictReader(io.StringIO(target.read_text())))
    assert 680 < len(days) < 730
    assert float(days[-1]["line_nm"]) > 70_000
    assert "is there already" in command.refused("GT1", YEARS, "--csv", str(target))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("GT2",), "there is no drive or area 'GT2' in the settings; did you mean"),
        (("zebra",), "there are the drives PC1, PC2, SC1, SC2, GT1, SCR1 and the areas primary, secondary, sludge"),
        (("GT1", "someday"), "period 'someday': expected"),
        (("GT1", "2031-01-01/2031-02-01"), "nothing of it has passed yet"),
        (("GT1", YEARS, "--json", "--csv", "x.csv"), "give one of --html, --png, --csv and --json"),
        (("GT1", YEARS, "--html", "page.txt"), "page.txt: name a file that ends in .html"),
        (("GT1", YEARS, "--html", "nowhere/page.html"), "there is no folder nowhere; make it first"),
    ],
)
def test_mistake_is_one_sentence(command: Command, words: tuple[str, ...], said: str) -> None:
    """What is wrong and what to do."""
    assert said in command.refused(*words)


def test_store_without_history_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing was ever recorded here."""
    assert "no readable history" in Command(tmp_path, capsys, monkeypatch).refused("GT1")


def test_damage_costs_the_damaged_days_only(
    years: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A day of counts that cannot be read, and a journal that is gone: said, and judged without."""
    folder = tmp_path / "state"
    shutil.copytree(years, folder)
    db = apsw.Connection(str(folder / "history.db"))
    number = int(str(db.execute("select id from summary_drive where drive = 'GT1'").fetchall()[0][0]))
    for grain in (Grain.DAY, Grain.HOUR):
        key = day_key(number, grain, PARTS.index("histogram"), LAST - 100)
        db.execute("update summary_day set data = x'00112233' where id = ?", (key,))
    db.close()
    (folder / "store.db").unlink()
    done = Command(folder, capsys, monkeypatch).run("GT1", YEARS, "--json")
    told: dict[str, Any] = json.loads(done.out)
    assert done.code == 1
    assert "there is no journal" in " ".join(done.err.split())
    (one,) = told["trends"]
    assert any("1 day cannot be read and is left out" in text for text in one["remarks"])
    assert one["slope_percent_month"]["low"] <= 3.0 <= one["slope_percent_month"]["high"]
