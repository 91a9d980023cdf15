"""A site for tests, written from a printed register list, and the watch as a process of its own.

Register list of the test PLC (libmodbus, unit 1):
    drive Dn (n from 0): discrete input 10n alarm contact, 10n+1 shutdown contact, both normally closed, 1 = closed;
    10n+2 motor running. Input register 10n: position loop current in uA. Input register 9: heartbeat.
    Device: 8000 N.m at rest (4 mA), 48000 N.m at 25 mm (20 mA); alarm at 32 kN.m, shutdown at 40 kN.m.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nightrake.control.client import ControlClient
from nightrake.errors import ControlError
from plc.fixtures import LibmodbusServer

READY_S = 10.0
STARTS_S = 40.0
"""Until a watch that was started answers, on a machine that may have much else to do."""
ENDS_S = 8.0
"""A watch that is asked to end has ended by then."""

DRIVE = """
[drive.D{n}]
name = "Drive {n}"
plc = "{plc}"
alarm_nm = 32000.0
shutdown_nm = 40000.0
stop_confirm_s = 0.5
contact = [
    {{ stage = "alarm", {wiring}, point = {{ table = "discrete", address = {a} }} }},
    {{ stage = "shutdown", {wiring}, point = {{ table = "discrete", address = {b} }} }},
]
running = {{ point = {{ table = "discrete", address = {c} }} }}
position = {{ signal = "mA", point = {{ table = "input", address = {a}, type = "uint16", scale = 0.001 }} }}
"""

WIRING = 'form = "normally_closed", bit_1_means = "closed"'

CALIBRATION = """
drive = "D{n}"
device_serial = "T-{n}"
made_by = "T. Ester"
made_on = "2026-01-05"
method = "factory output"
point = [ {{ torque_nm = 8000.0, position_mm = 0.0 }}, {{ torque_nm = 48000.0, position_mm = 25.0 }} ]
"""


HEALTHY = {"d": ((0, 1), (1, 1), (2, 1)), "i": ((0, 10_400),)}
"""Alarm and shutdown contact closed, motor running; 10.4 mA = 10 mm = 24 kN.m."""


def healthy(plc: LibmodbusServer, at: int = 0) -> None:
    """Make one drive of the register list a healthy one; `at`: its place in the list."""
    for table, entries in HEALTHY.items():
        for address, value in entries:
            plc.set(table, 10 * at + address, value)


class Site:
    """A settings folder for libmodbus PLCs, with drives D0, D1, ... `per_plc` on each.

    Args:
        folder: Where everything goes. plc_ports: One for each PLC. broker_port: Where to tell.
        scan_s: Period of everything. forward_url: "" = no forwarding.
        canary_s: The canary's period, and how long one is waited for.
    """

    def __init__(
        self,
        folder: Path,
        plc_ports: list[int],
        broker_port: int,
        *,
        per_plc: int = 1,
        scan_s: float = 0.1,
        forward_url: str = "",
        canary_s: float = 1.0,
    ) -> None:
        self.folder = folder / "config"
        self.state = folder / "state"
        self.socket = folder / "control"
        (self.folder / "calibration").mkdir(parents=True)
        plcs = "".join(
            f'[plc.P{i}]\nhost = "127.0.0.1"\nport = {port}\naddressing = "pdu"\ntimeout_s = 0.5\n'
            for i, port in enumerate(plc_ports)
        )
        forward = f'[forward]\nenabled = true\nurl = "{forward_url}"\n' if forward_url else ""
        (self.folder / "site.toml").write_text(
            f'[site]\nid = "works"\nname = "Test works"\n[scan]\ncontacts_s = {scan_s}\nvalues_s = {scan_s}\n'
            f'[store]\ndir = "{self.state}"\n[control]\nsocket = "{self.socket}"\n'
            f"[mqtt]\nport = {broker_port}\ncanary_period_s = {canary_s}\n{forward}{plcs}"
        )
        (self.folder / "alarms.toml").write_text("[alarm.shutdown_contact]\noff_delay_s = 0.3\n")
        self.count = len(plc_ports) * per_plc
        for n in range(self.count):
            self.write_drive(n, f"P{n // per_plc}", n % per_plc)

    def write_drive(self, n: int, plc: str, at: int) -> None:
        """Write drive n's file and calibration record; `at`: its place in the PLC's register list."""
        a = 10 * at
        (self.folder / f"d{n}.toml").write_text(DRIVE.format(n=n, plc=plc, wiring=WIRING, a=a, b=a + 1, c=a + 2))
        (self.folder / "calibration" / f"D{n}.toml").write_text(CALIBRATION.format(n=n))


class Watch:
    """The watch as a process: started, asked, ended, killed."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.log = site.state.parent / "watch.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, kill_at: str = "", *, wait: bool = True) -> None:
        """Start it, and wait until it answers."""
        environment = {**os.environ, "NIGHTRAKE_KILL_AT": kill_at}
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "nightrake.cli", "watch", str(self.site.folder)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment,
            )
        if wait:
            until(self.answers, lambda: f"the watch to answer; see its log: {self.words()}", STARTS_S)

    def reset(self, drive: str) -> Any:
        """What an operator does: acknowledge what stands, and reset once the contact has stayed released."""
        alarm = f"{drive}/forward/shutdown_contact"
        (stands,) = [a for a in self.ask("alarms") if a["alarm"] == alarm]
        self.ask("command", what="acknowledge", args={"alarm": alarm, "occurrence": stands["occurrence"]})
        answers: list[Any] = []

        def accepted() -> bool:
            answers.append(self.ask("command", what="reset", drive=drive))
            return bool(answers[-1]["ok"])

        until(accepted, f"the reset of {drive}")
        return answers[-1]

    def words(self) -> str:
        """The end of its log."""
        return self.log.read_text(errors="replace")[-1500:]

    def answers(self) -> bool:
        """Whether the control socket is served."""
        try:
            with ControlClient(self.site.socket, timeout_s=10.0) as client:
                client.ask("status")
        except ControlError:
            return False
        return True

    def wait_for_disk(self) -> None:
        """Until every row that there is now is on disk: a state, or a reload's answer, is known before its rows are."""
        newest = self.status()["store"]["last_seq"]
        until(lambda: self.status()["store"]["durable_seq"] >= newest, f"row {newest} to be on disk")

    def ask(self, verb: str, **args: Any) -> Any:
        """One request to the control socket."""
        with ControlClient(self.site.socket) as client:
            return client.ask(verb, **args)

    def status(self) -> Any:
        """Its status."""
        return self.ask("status")

    def drive(self, drive: str) -> Any:
        """One drive of its status."""
        return next(d for d in self.status()["drives"] if d["drive"] == drive)

    def stage(self, drive: str) -> str:
        """State of a drive's forward direction."""
        return str(self.drive(drive)["directions"]["forward"]["state"])

    @property
    def running(self) -> bool:
        """Whether the process lives."""
        return self._process is not None and self._process.poll() is None

    def end(self, number: int = signal.SIGTERM, within_s: float = ENDS_S) -> int:
        """Send a signal and give the exit code."""
        process, self._process = self._process, None
        if process is None:
            return 0
        process.send_signal(number)
        return process.wait(within_s)

    def hang_up(self) -> None:
        """SIGHUP."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def forget(self) -> int:
        """Wait for a process that ends by itself."""
        process, self._process = self._process, None
        assert process is not None
        return process.wait(20.0)


def until(true: Any, what: str | Callable[[], str], within_s: float = READY_S) -> None:
    """Poll until something holds; fails the test when it does not, with words that may be made only then."""
    end = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end:
            pytest.fail(f"waited {within_s:g} s for {what if isinstance(what, str) else what()}")
        time.sleep(0.02)
