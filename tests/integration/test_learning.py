"""The whole watch on two simulated years: it looks for creep, tells a notice, announces its report, fills the page."""

from __future__ import annotations

import io
import json
import re
import shutil
import signal
import subprocess
import sys
from contextlib import redirect_stdout
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpx
import pytest

from integration.site import Site, Watch, until
from nightrake.learnreading.sitesteps import kept
from peers.ear import Ear, listening
from peers.mosquitto import Mosquitto
from recordeddays import CONFIG
from twoyearloads import CLEANED
from twoyears import creep_to_the_alarm, make

pytestmark = pytest.mark.timeout(500)
CREEP = "GT1/forward/creep_forecast"
LEARNS_S = 400.0
DRIVES = ("PC1", "SC2", "GT1")
"""Those that have a past; all six with one, each with its story, are in `test_trend.py`."""


@pytest.fixture
def watch(tmp_path: Path, mosquitto: Mosquitto, free_port: int) -> Watch:
    """Fennmark, its PLCs silent, up to yesterday; its alarm point is soon where it comes within 200 days."""
    folder, state = tmp_path / "config", tmp_path / "state"
    shutil.copytree(CONFIG, folder)
    text = (folder / "site.toml").read_text()
    for was, now in (
        ('dir = "state" ', f'dir = "{state}" '),
        ('socket = "state/control" ', f'socket = "{tmp_path / "control"}" '),
        ("port = 18831 ", f"port = {mosquitto.port} "),
        ("# enabled = false\n# host", f"enabled = true\nport = {free_port}\n# host"),
        ("# port = 8470\n", ""),
        ("# notice_days = 60.0 ", "notice_days = 200.0 "),
    ):
        assert was in text, was
        text = text.replace(was, now, 1)
    (folder / "site.toml").write_text(text)
    yesterday = datetime.now(UTC).date().toordinal() - date(1970, 1, 1).toordinal() - 1
    with redirect_stdout(io.StringIO()):
        happened = [(CLEANED, 6, creep_to_the_alarm)]
        make(state, yesterday, drives=DRIVES, hours=range(6, 18, 3), minute_days=0, happened=happened)
    return Watch(cast(Site, SimpleNamespace(folder=folder, state=state, socket=tmp_path / "control")))


def trend(watch: Watch, *words: str) -> subprocess.CompletedProcess[str]:
    """`nightrake trend` for the running watch."""
    command = [sys.executable, "-m", "nightrake.cli", "trend", *words, "--config", str(watch.site.folder)]
    return subprocess.run(command, capture_output=True, text=True, timeout=LEARNS_S, check=False)


def page_says(port: int, name: str) -> tuple[Any, httpx.Response]:
    """The ranking, and a report as it is given away."""
    with httpx.Client(base_url=f"http://127.0.0.1:{port}") as browser:
        until(lambda: browser.get("/api/v1/creep").status_code == 200, "the page")
        return browser.get("/api/v1/creep").json(), browser.get(f"/creep/reports/{name}")


def raised_by(ear: Ear) -> list[dict[str, Any]]:
    """Rows that say that the notice was raised."""
    return [e for e in ear.events() if e["data"].get("alarm") == CREEP and e["event"] == "raised"]


def stands(watch: Watch) -> list[Any]:
    """The notice, if it is there."""
    return [a for a in watch.ask("alarms") if a["alarm"] == CREEP]


@pytest.mark.blocks("it runs commands and waits for their end")
@pytest.mark.asyncio
async def test_running_watch_finds_creep_tells_it_and_announces_its_report(
    watch: Watch, mosquitto: Mosquitto, free_port: int
) -> None:
    """From the history to the notice, the announcement and the page; a reload without notices ends it."""
    async with listening(mosquitto.port, "nightrake/#") as ear:
        watch.start()
        try:
            told = trend(watch, "--now")
            assert (told.returncode, told.stderr) == (0, "")
            found = re.search(r"reports/(creep-\d{4}-\d\d-\d\d\.html) beside", " ".join(told.stdout.split()))
            assert found is not None, told.stdout
            await ear.until(lambda: any(e["event"] == "report_written" for e in ear.events()))
            await ear.until(lambda: bool(raised_by(ear)))
            (announced,) = [e for e in ear.events() if e["event"] == "report_written"]
            (raised,) = raised_by(ear)
            (alarm,) = stands(watch)
            listed, report = page_says(free_port, found[1])
            status = watch.status()["learning"]
            toml = watch.site.folder / "site.toml"
            toml.write_text(toml.read_text().replace("notice_days = 200.0", "notice_days = 0.0"))
            assert watch.ask("reload")["ok"]
            first = kept(watch.site.state)
            assert trend(watch, "--now").returncode == 0
            again = kept(watch.site.state)
            asked = json.loads(trend(watch, "GT1", "--json").stdout)["trends"][0]
            until(lambda: all(a["life"] == "cleared unacknowledged" for a in stands(watch)), "the notice's end")
        finally:
            watch.end(signal.SIGKILL)

    assert announced["data"]["file"] == found[1]
    assert (announced["data"]["sides"], announced["data"]["first"][0][:11]) == (6, "GT1 forward")
    assert "alarm point is reached" in raised["data"]["detail"]
    assert alarm["priority"] == "notice"
    assert not [e for e in ear.events() if e["event"] == "called" and e["data"].get("alarm") == CREEP]
    assert listed["sides"][0]["drive"] == "GT1"
    assert report.headers["content-disposition"].startswith("attachment")
    assert "Gravity thickener" in report.text
    assert (status["sides"], status["standing"], status["detail"]) == (6, 1, "")
    trends = json.loads((watch.site.state / "learning" / "trends.json").read_bytes())
    judged = trends["sides"][0]
    assert judged["drive"] == "GT1"
    assert len(judged["days"]["utc_ms"]) > 500
    assert (len(first.found), first.taught, first.lacking) == (6, {}, "")
    assert again.taught == first.found
    assert sum(map(len, again.taught.values())) > len(again.taught["GT1"])
    assert asked["notes"]["taught_by"] == judged["notes"]["taught_by"] > 0
