"""`nightrake trips` over a night on the simulated plant: listed, shown, exported, plotted; mistakes in words."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import zipfile
from pathlib import Path

import pytest

from nightrake.errors import NightrakeError
from nightrake.journal.chain import verify
from nightrake.longterm.tripfile import TripFile
from peers.warm import python
from plantnights import CONFIG
from shell.longterm.triphistories import records

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine

SHUTDOWN = "PC1-forward-shutdown-1"


def trips(night: Path, *words: str, config: Path = CONFIG, cwd: Path | None = None) -> tuple[int, str, str]:
    """The command: exit code and what it printed."""
    argv = ("-m", "nightrake.cli", "trips", *words, "--config", str(config), "--set", f"store.dir={night}")
    done = python(*argv, cwd=str(cwd or night))
    return done.returncode, done.stdout, done.stderr


def test_night_is_in_its_record(night: Path) -> None:
    """The torque climbs to the alarm and then to the shutdown; contacts, motor and people are in it."""
    record = records(night)[SHUTDOWN]
    assert record.because == "the lockout was released"
    assert record.peak is not None
    assert record.peak.torque_nm > 40_000.0
    with TripFile(next((night / "trips").glob(f"{SHUTDOWN}-*.zip"))) as file:
        (part,) = file.readings()
        trip_ns = record.trip.at.mono_ns
        before, after = part.mono_ns < trip_ns, part.mono_ns >= trip_ns
        hour = part.mono_ns < trip_ns - 20 * 60 * 10**9
        assert part.values["torque_nm"][hour].max() < 20_000.0
        assert part.values["torque_nm"][before].max() >= 32_000.0
        assert set(part.values["contact:forward/shutdown/A"][before]) == {1.0}  # closed
        assert set(part.values["running"][before]) == {1.0}
        assert set(part.values["running"][after]) == {0.0}
        rows = file.events()
        assert [r.event for r in rows if r.kind == "lockout"][::20] == ["opened"]
        assert [r.event for r in rows if r.kind == "lockout"][-1] == "released"
        assert verify(rows) == []  # this night has no other drive's rows, so the chain is whole


def test_listed_for_people_and_programs(night: Path) -> None:
    """At 80 columns, and as JSON with the file's path."""
    code, text, _ = trips(night, "list")
    assert code == 0
    assert all(len(line) <= 80 for line in text.splitlines())
    assert re.search(rf"{SHUTDOWN} +2026-09-21 \d\d:\d\d:\d\d +41\.\d", text)
    assert re.search(r"PC1-forward-alarm-1 .* open", text)
    found = json.loads(trips(night, "list", "--json", "--drive", "PC1")[1])
    assert [one["trip"]["stage"] for one in found] == ["alarm", "shutdown"]
    assert all(Path(one["file"]).exists() for one in found)
    assert trips(night, "list", "--drive", "PC2")[1] == "No trip record.\n"


def test_shown_with_what_happened(night: Path) -> None:
    """What it is, settings and calibration, and the night's rows in words; a beginning of the name is enough."""
    code, text, _ = trips(night, "show", "pc1-forward-sh")
    assert code == 0
    assert all(len(line) <= 80 for line in text.splitlines())
    plain = re.sub(r"\s+", " ", text)
    for words in ("the lockout was released", "PC1-forward-2026-03-14", "a plank", "RELEASED", "nothing to be safe"):
        assert words in plain


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("show", "PC1"), "'PC1' may be any of PC1-forward-alarm-1, PC1-forward-shutdown-1; type more of it"),
        (("show", "PC9"), "there is no trip record 'PC9'"),
        (("export", SHUTDOWN, "record.tar"), "record.tar: name a file that ends in .zip"),
        (("plot", SHUTDOWN, "picture.gif"), "picture.gif: name a file that ends in .html or .png"),
        (("plot", SHUTDOWN, "missing/x.png", "--replace"), None),
        (("list", "--drive", "PC11"), "there is no drive 'PC11'"),
    ],
)
def test_mistake_is_one_sentence(night: Path, tmp_path: Path, words: tuple[str, ...], said: str | None) -> None:
    """On standard error, with exit code 1; a folder that is missing is made."""
    code, _, error = trips(night, *words, cwd=tmp_path)
    assert (code, error.count("\n")) == ((1, 1) if said is not None else (0, 0))
    assert (said or "") in error


def test_exported_file_stands_alone(night: Path, tmp_path: Path) -> None:
    """It is not written over unasked; it can be shown and plotted where there are no settings, and read by anything."""
    file = tmp_path / "trip.zip"
    assert trips(night, "export", SHUTDOWN, str(file))[0] == 0
    code, _, error = trips(night, "export", SHUTDOWN, str(file))
    assert (code, "is there already" in error) == (1, True)
    assert trips(night, "export", SHUTDOWN, str(file), "--replace")[0] == 0
    nowhere = tmp_path / "no-settings"
    assert "(UTC)" in trips(tmp_path, "show", str(file), config=nowhere)[1]
    assert trips(tmp_path, "plot", str(file), str(tmp_path / "x.html"), config=nowhere)[0] == 0
    with zipfile.ZipFile(file) as opened:
        assert opened.testzip() is None
        table = list(csv.DictReader(io.TextIOWrapper(opened.open("readings-PLCA.csv"))))
        drive = next(iter(json.loads(opened.read("settings.json")).values()))
    assert float(table[0]["torque_nm"]) == pytest.approx(17_500, rel=0.05)
    assert drive["calibrations"]["forward"]["ref"] == "PC1-forward-2026-03-14"


def test_open_record_is_exported_as_far_as_it_goes(night: Path, tmp_path: Path) -> None:
    """With hashes of its own; what is in the store goes on growing."""
    assert trips(night, "export", "PC1-forward-alarm-1", str(tmp_path))[0] == 0
    (file,) = tmp_path.glob("*.zip")
    with TripFile(file) as exported:
        assert exported.faults() == []
        assert exported.record.after_ms is None
        assert sum(len(part.seq) for part in exported.readings()) == exported.record.readings


def test_changed_file_is_told_and_not_exported(night: Path, tmp_path: Path) -> None:
    """One reading altered: shown with what is wrong and exit code 1; not handed on."""
    shutil.copytree(night, tmp_path / "night")
    (path,) = (tmp_path / "night" / "trips").glob("*.zip")
    with zipfile.ZipFile(path) as opened:
        members = {info: opened.read(info) for info in opened.infolist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as changed:
        for info, data in members.items():
            changed.writestr(info, data.replace(b",exact,", b",below,", 1) if info.filename[0] == "r" else data)
    code, text, _ = trips(tmp_path / "night", "show", SHUTDOWN)
    assert (code, "readings-PLCA.csv was changed" in text) == (1, True)
    code, _, error = trips(tmp_path / "night", "export", SHUTDOWN, str(tmp_path / "x.zip"))
    assert (code, "nothing was exported" in error) == (1, True)
    path.write_bytes(b"PK\3\4 nothing")
    assert "Left out:" in trips(tmp_path / "night", "list")[1]
    with pytest.raises(NightrakeError, match="is no trip record that can be read"):
        TripFile(path)


def test_page_refers_to_nothing_outside(night: Path, tmp_path: Path) -> None:
    """Figures in it, set points, contacts and what happened named in it; no script, no address."""
    page = tmp_path / "trip.html"
    assert trips(night, "plot", SHUTDOWN, str(page))[0] == 0
    text = page.read_text()
    assert text.count("<svg") == 2
    for words in (
        "shutdown 40 kN.m",
        "alarm 32 kN.m",
        "shutdown B",
        "motor runs",
        "a plank",
        "±U (95 %)",
        "Europe/London",
    ):
        assert words in text
    assert re.findall(r"(?:src|href)=\"(?!#)[^\"]*|https?://|<script|@import", text) == []


def test_picture_is_a_png_of_useful_size(night: Path, tmp_path: Path) -> None:
    """Wide enough for a screen; the trip's red line is in it."""
    import matplotlib.image

    file = tmp_path / "trip.png"
    assert trips(night, "plot", SHUTDOWN, str(file), "--near", "5")[0] == 0
    pixels = matplotlib.image.imread(file)
    assert pixels.shape[1] > 1_200
    red = (abs(pixels[:, :, 0] - 0xA4 / 255) < 0.02) & (pixels[:, :, 1] < 0.12)
    assert red.any(axis=1).sum() > 0.4 * 600
