"""What the operator's page costs the watch, and how fast it is: 200 drives, 30 scripted browsers and one Chromium.

The watch and all that it starts share one processor; PLCs, broker and browsers have the other. Late scans and the 99th
percentile of the period of every PLC's scans, without browsers, with them, and without again. Then, through Chromium:
first paint and bytes of the overview and of a page with charts, live values from scan to screen, a year of one drive.

    page.py [--drives 200] [--hz 4] [--clients 30] [--seconds 40]
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import httpx
from argon2 import PasswordHasher
from playwright.sync_api import Browser, CDPSession, Page, sync_playwright

from generated_site import write_site
from nightrake.longterm.tail import Tail
from page_year import write_year
from stand import (  # fmt: skip
    DRIVES_PER_PLC,
    PINNED,
    SERVERS,
    Stand,
    Verdicts,
    Watch,
    delta,
    free_port,
    here_python,
    percentile,
    pinned,
    wait_for,
)

DRIVE = "D0000"
WARM_S = 5.0
LIVE_S = 10.0
GOAL_P99 = 1.05
GOAL_PAINT_S, GOAL_OVERVIEW_KB, GOAL_CHARTS_KB, GOAL_YEAR_MS, GOAL_LIVE_MS = 1.0, 150.0, 600.0, 300.0, 1000.0
CHROMIUM = "/usr/bin/chromium"
NICE = 10
"""Of Chromium: the PLCs, on the same processor, go before it."""
YEAR_MS = 365 * 86_400_000
# Nothing is asked of the page but the moment of the frame after a value, beside the stamp of its scan.
STAMPS = """() => { window.ages = [];
  document.addEventListener("nightrake:values", event => requestAnimationFrame(() => setTimeout(() => {
    const now = Date.now();
    for (const told of Object.values(event.detail)) window.ages.push(now - told[4]);
  }))); }"""


class Stretch(NamedTuple):
    """Some time of the watch: scans that were due, late and missed, and the p99 of their period in ms."""

    due: int
    late: int
    missed: int
    p99_ms: float


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="The operator's page; see the module.")
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--hz", type=float, default=4.0)
    parser.add_argument("--clients", type=int, default=30)
    parser.add_argument("--seconds", type=float, default=40.0)
    given = parser.parse_args()
    verdicts = Verdicts()
    if PINNED:
        os.sched_setaffinity(0, {int(SERVERS)})  # Chromium is a child of this process
    with Stand() as stand:
        plcs = stand.plcs(-(-given.drives // DRIVES_PER_PLC), "vary")
        site = write_site(stand, given.drives, plcs.ports, 1 / given.hz)
        url = put_page(site)
        write_year(site, stand.folder / "state", DRIVE)
        with stand.watch(site) as watch:
            wait_for(lambda: bool(watch.status()["page"]["up"]), "the page")
            measure(watch, stand.folder, url, given, verdicts)
    return verdicts.code()


def measure(watch: Watch, folder: Path, url: str, given: argparse.Namespace, verdicts: Verdicts) -> None:
    """All of it, with one Chromium."""
    os.nice(NICE)
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=humble(folder), args=["--no-sandbox"])
        pages(browser, url, verdicts)
        year(url, verdicts)
        with browser.new_context(viewport={"width": 1440, "height": 900}) as context:
            text, worst_ms = live(context.new_page(), url, LIVE_S)
        verdicts.goal(f"{text} (must be <= {GOAL_LIVE_MS:g} ms)", worst_ms <= GOAL_LIVE_MS)
        load(watch, folder / "state", browser, url, given, verdicts)
        browser.close()


def humble(folder: Path) -> str:
    """Chromium without the right to raise its own priority, which it does where it is started by root."""
    if os.geteuid() != 0:
        return CHROMIUM
    program = folder / "chromium"
    program.write_text(f'#!/bin/sh\nexec setpriv --bounding-set=-sys_nice --inh-caps=-sys_nice {CHROMIUM} "$@"\n')
    program.chmod(0o755)
    return str(program)


def put_page(site: Path) -> str:
    """Give a site a page and one person; its address."""
    port = free_port()
    word = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash("turn-it-slowly-now")
    (site / "page.toml").write_text(f"[page]\nenabled = true\nport = {port}\n")
    (site / "people.toml").write_text(f'[person.night1]\nname = "N"\nrole = "operator"\npage_password = "{word}"\n')
    # The transducers of the stand move as none does, a quarter of the range within minutes: that is not measured here.
    (site / "alarms.toml").write_text("[alarm.torque_rising]\non_delay_s = 3000.0\n")
    return f"http://127.0.0.1:{port}"


# --- the watch, with and without --------------------------------------------------------------------------------------


def load(watch: Watch, state: Path, browser: Browser, url: str, given: argparse.Namespace, verdicts: Verdicts) -> None:
    """Without browsers, with them, without again."""
    stretches: dict[bool, list[Stretch]] = {True: [], False: []}
    for crowded in (False, True, False, True, False):
        time.sleep(WARM_S)
        clients = start_clients(url, given) if crowded else None
        seconds = given.seconds if crowded else given.seconds / 2
        found = stretch(watch, state, seconds, browser if crowded else None, url, verdicts)
        stretches[crowded].append(found)
        if clients is not None:
            told(clients, verdicts)
    quiet = statistics.median(s.p99_ms for s in stretches[False])
    busy = statistics.median(s.p99_ms for s in stretches[True])
    for crowded, name in ((False, "without browsers"), (True, f"with {given.clients} and Chromium")):
        due, late, missed = (sum(s[n] for s in stretches[crowded]) for n in range(3))
        text = f"{name}: {late} late and {missed} missed of {due} PLC scans"
        verdicts.goal(f"{text} (must be 0)", late == 0 and missed == 0)
    each = ", ".join(f"{s.p99_ms:.1f}" for some in stretches.values() for s in some)
    text = f"p99 period: {busy:.2f} ms with, {quiet:.2f} ms without (with: first of {each})"
    verdicts.goal(f"{text}, ratio {busy / quiet:.3f} (must be <= {GOAL_P99})", busy / quiet <= GOAL_P99)


def start_clients(url: str, given: argparse.Namespace) -> subprocess.Popen[str]:
    """The scripted browsers, on the servers' processor."""
    command = here_python("page_clients.py", url, given.clients, given.seconds, DRIVE)
    return subprocess.Popen(pinned(command, SERVERS), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def told(clients: subprocess.Popen[str], verdicts: Verdicts) -> None:
    """What they saw."""
    out, wrong = clients.communicate(timeout=60)
    if clients.returncode != 0:
        raise SystemExit(f"page_clients.py: {wrong[-1000:]}")
    answers, median, worst, heard, whole, away, refused = (float(word) for word in out.split())
    text = f"{answers:.0f} answers, median {median:.0f} ms, worst {worst:.0f} ms; {heard / 1e6:.1f} MB heard live"
    text += f", whole pictures among it: {whole:.0f}"
    verdicts.goal(f"clients: {text}; {refused:.0f} refused, {away:.0f} greyed (must be 0)", refused + away == 0)


def stretch(
    watch: Watch, state: Path, seconds: float, browser: Browser | None, url: str, verdicts: Verdicts
) -> Stretch:
    """Let it run, with somebody at Chromium or nobody, and see how its scans went."""
    before, begin_ns, waits = watch.status(), time.monotonic_ns(), waited_s(watch.process.pid)
    if browser is None:
        time.sleep(seconds)
    else:
        pan(browser, url, seconds, verdicts)
    end_ns, after = time.monotonic_ns(), watch.status()
    share = (waited_s(watch.process.pid) - waits) / (end_ns - begin_ns) * 1e9
    verdicts.report(f"{'with' if browser else 'without'}: the watch waited for its processor {share:.1%} of the time")
    scans = delta(before, after)
    return Stretch(scans["due"], scans["late"], scans["missed"], p99_ms(state, begin_ns, end_ns, after))


def waited_s(pid: int) -> float:
    """How long a process's first thread has stood ready without a processor, in s."""
    return int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[1]) / 1e9


def p99_ms(state: Path, begin_ns: int, end_ns: int, status: dict[str, Any]) -> float:
    """99th percentile of the time between two scans of the same PLC, by the stamps that were recorded, in ms."""
    reading = Tail(state)
    periods: list[float] = []
    try:
        first, last = reading.span()
        for plc in status["plcs"]:
            stamps = [r.mono_ns for r in reading.scans(plc, first - 1, last) if begin_ns <= r.mono_ns <= end_ns]
            periods += [(b - a) / 1e6 for a, b in pairwise(stamps)]
    finally:
        reading.close()
    return percentile(periods, 0.99)


def pan(browser: Browser, url: str, seconds: float, verdicts: Verdicts) -> None:
    """Chromium: live values on the overview for half of the time, then through a year of one drive."""
    with browser.new_context(viewport={"width": 1440, "height": 900}) as context:
        page = context.new_page()
        end_s = time.monotonic() + seconds
        verdicts.report(f"in the crowd: {live(page, url, seconds / 2)[0]}")
        page.goto(f"{url}/drives/{DRIVE}")
        through_a_year(page, end_s - 1.0)


def live(page: Page, url: str, seconds: float) -> tuple[str, float]:
    """How old values are when they are on the overview's screen: in words, and the worst, in ms."""
    page.goto(f"{url}/")
    page.wait_for_selector("html.heard:not(.away)")
    page.wait_for_timeout(1_000)
    page.evaluate(STAMPS)
    page.wait_for_timeout(seconds * 1e3)
    ages = page.evaluate("window.ages")
    text = f"{len(ages)} live values: median {statistics.median(ages):.0f} ms, p99 {percentile(ages, 0.99):.0f} ms"
    return f"{text}, worst {max(ages):.0f} ms after the scan", max(ages)


def through_a_year(page: Page, end_s: float) -> None:
    """With the keys of the chart, as somebody who looks for a week of last winter."""
    page.get_by_role("button", name="1 year").first.click()
    page.locator(".chart").first.focus()
    while time.monotonic() < end_s:
        for key in ("+", "ArrowLeft", "ArrowLeft", "+", "ArrowRight", "-", "-", "ArrowLeft"):
            page.keyboard.press(key)
            page.wait_for_timeout(150)


# --- pages, through Chromium ------------------------------------------------------------------------------------------


class Wire:
    """Bytes on the wire of a page, as Chromium counts them; the live line, which has no end, apart."""

    def __init__(self, tools: CDPSession) -> None:
        self.whole, self.live = 0.0, 0.0
        self._lines: set[str] = set()
        tools.send("Network.enable")
        tools.on("Network.responseReceived", self._response)
        tools.on("Network.dataReceived", self._data)
        tools.on("Network.loadingFinished", self._finished)

    def _response(self, event: dict[str, Any]) -> None:
        if event["response"]["mimeType"] == "text/event-stream":
            self._lines.add(event["requestId"])

    def _data(self, event: dict[str, Any]) -> None:
        if event["requestId"] in self._lines:
            self.live += event["dataLength"]

    def _finished(self, event: dict[str, Any]) -> None:
        self.whole += event["encodedDataLength"]


def pages(browser: Browser, url: str, verdicts: Verdicts) -> None:
    """Overview and a page with charts, each with nothing in the cache, and then again."""
    for name, path, most_kb in (("overview", "/", GOAL_OVERVIEW_KB), ("drive", f"/drives/{DRIVE}", GOAL_CHARTS_KB)):
        with browser.new_context(viewport={"width": 1440, "height": 900}) as context:
            page = context.new_page()
            wire = Wire(context.new_cdp_session(page))
            paint_s = painted_s(page, url + path)
            page.wait_for_timeout(2_000)
            first_kb, live_kb = wire.whole / 1e3, wire.live / 1e3
            painted_s(page, url + path)
            page.wait_for_timeout(1_000)
            again_kb = wire.whole / 1e3 - first_kb
        text = f"{name}: {first_kb:.0f} kB the first time, {again_kb:.0f} kB again, {live_kb:.0f} kB live in 2 s"
        verdicts.goal(f"{text} (must be < {most_kb:g} kB)", first_kb < most_kb)
        verdicts.goal(f"{name}: first paint {paint_s:.2f} s (must be < {GOAL_PAINT_S:g} s)", paint_s < GOAL_PAINT_S)


def painted_s(page: Page, address: str) -> float:
    """Open a page; when its first content was painted, in s after it was asked for."""
    page.goto(address)
    page.wait_for_selector("main")
    page.wait_for_timeout(500)
    found = page.evaluate("performance.getEntriesByName('first-contentful-paint').map(e => e.startTime)[0] ?? null")
    return float(found) / 1e3 if found is not None else float("inf")


def year(url: str, verdicts: Verdicts) -> None:
    """A year of one drive out of its summaries, asked for the first time and again at other ends."""
    took = []
    with httpx.Client(base_url=url, timeout=30.0) as client:
        for n in range(10):
            end_ms = time.time_ns() // 1_000_000 - n * 86_400_000
            when = {"begin": end_ms - YEAR_MS, "end": end_ms, "columns": 1000}
            begin_s = time.perf_counter()
            answer = client.get("/api/v1/history", params={"drive": DRIVE, "signal": "torque", **when})
            took.append((time.perf_counter() - begin_s) * 1e3)
            assert answer.status_code == 200, answer.text
            known = sum(mean is not None for mean in answer.json()["columns"]["mean"])
            assert known > 300, f"only {known} columns are known"
    text = f"a year of one drive: {took[0]:.0f} ms the first time, median {statistics.median(took):.0f} ms"
    verdicts.goal(f"{text}, worst {max(took):.0f} ms (must be < {GOAL_YEAR_MS:g} ms)", max(took) < GOAL_YEAR_MS)


if __name__ == "__main__":
    sys.exit(main())
