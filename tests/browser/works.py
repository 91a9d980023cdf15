"""A works with the operator's page: a PLC, the watch with its page worker, and people who can sign in."""

from __future__ import annotations

import signal
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psutil
from argon2 import PasswordHasher

from integration.site import Site, Watch, healthy, until
from peers.mosquitto import Mosquitto
from peers.process import port_free
from plc.fixtures import LibmodbusServer

WORD = "turn-it-slowly-now"
"""Everybody's password."""
PEOPLE = {
    "night1": ("Nina Night", "operator"),
    "super1": ("Sam Supervisor", "supervisor"),
    "fitter1": ("Fred Fitter", "maintenance"),
}
PAGE_S = 25.0
"""A page worker is there by then, also on a busy machine."""


class Works:
    """Broker, PLCs, and the watch on the register list of `integration.site`.

    Args:
        folder: For everything. binary: The libmodbus server. plcs: How many. per_plc: Drives on each.
        scan_s: Period of everything. names: Of the first drives; the others keep theirs.
    """

    def __init__(
        self,
        folder: Path,
        binary: Path,
        *,
        plcs: int = 1,
        per_plc: int = 3,
        scan_s: float = 0.1,
        names: Sequence[tuple[str, str]] = (),
    ) -> None:
        self._broker = Mosquitto(folder / "mosquitto")
        self._broker.start()
        self.plcs = [LibmodbusServer(binary, port_free()) for _ in range(plcs)]
        self.per_plc = per_plc
        self.site = Site(folder, [p.port for p in self.plcs], self._broker.port, per_plc=per_plc, scan_s=scan_s)
        self.port = port_free()
        self._write(names)
        self.watch = Watch(self.site)
        for n in range(plcs * per_plc):
            healthy(self.plcs[n // per_plc], n % per_plc)

    def _write(self, names: Sequence[tuple[str, str]]) -> None:
        cheap = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1)
        people = "".join(
            f'[person.{person}]\nname = "{name}"\nrole = "{role}"\npage_password = "{cheap.hash(WORD)}"\n'
            for person, (name, role) in PEOPLE.items()
        )
        folder = self.site.folder
        (folder / "people.toml").write_text(f'{people}[rights]\ntwo_persons = ["release"]\n')
        (folder / "page.toml").write_text(f"[page]\nenabled = true\nport = {self.port}\n")
        with (folder / "alarms.toml").open("a") as alarms:
            alarms.write("[alarm.alarm_contact]\noff_delay_s = 0.3\n")
        for n, (name, area) in enumerate(names):
            file = folder / f"d{n}.toml"
            file.write_text(file.read_text().replace(f'name = "Drive {n}"', f'name = "{name}"\narea = "{area}"'))

    @property
    def url(self) -> str:
        """Of the page, without the last stroke."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """The watch, its page, and every PLC read."""
        self.watch.start(wait=False)
        until(lambda: self.watch.answers() or not self.watch.running, "the watch to answer", PAGE_S)
        assert self.watch.running, self.watch.words()
        until(self.page_up, f"the page; {self.watch.words()}", PAGE_S)
        until(lambda: all(plc["up"] for plc in self.watch.status()["plcs"].values()), "every PLC", PAGE_S)
        until(self.is_all_known, "every drive", PAGE_S)

    def is_all_known(self) -> bool:
        """Whether the watch knows what every drive does."""
        return all(d["directions"]["forward"]["known_now"] for d in self.watch.status()["drives"])

    def page_up(self) -> bool:
        """Whether the watch says that the page is served."""
        return bool(self.watch.status()["page"]["up"])

    def worker(self) -> psutil.Process:
        """The page worker."""
        (found,) = [
            p
            for mine in psutil.Process().children()
            for p in mine.children()
            if "nightrake.workers.page" in p.cmdline() and str(self.site.state) in " ".join(p.cmdline())
        ]
        return found

    def contact(self, drive: int, stage: str, *, operated: bool) -> None:
        """Operate a contact ("alarm" or "shutdown") of a drive, or let go of it."""
        at = 10 * (drive % self.per_plc) + (stage == "shutdown")
        self.plcs[drive // self.per_plc].set("d", at, int(not operated))

    def shut_down(self, drive: int) -> None:
        """The device operates and its motor stops, as it should."""
        self.contact(drive, "alarm", operated=True)
        self.contact(drive, "shutdown", operated=True)
        self.motor(drive, running=False)
        until(lambda: self.watch.ask("lockout", drive=f"D{drive}")["open"], "the lockout")

    def motor(self, drive: int, *, running: bool) -> None:
        """Start or stop a drive's motor."""
        self.plcs[drive // self.per_plc].set("d", 10 * (drive % self.per_plc) + 2, int(running))

    def current(self, drive: int, ua: int) -> None:
        """Set the position loop of a drive, in uA: 4 000 is 8 kN.m, 20 000 is 48 kN.m."""
        self.plcs[drive // self.per_plc].set("i", 10 * (drive % self.per_plc), ua)

    def alarm(self, drive: int, kind: str = "alarm_contact") -> Any:
        """An alarm of a drive as it stands, None: it does not."""
        key = f"D{drive}/forward/{kind}"
        return next((a for a in self.watch.ask("alarms") if a["alarm"] == key), None)

    def rows(self, kind: str, event: str) -> list[dict[str, Any]]:
        """What the journal has of a kind and event, oldest first."""
        self.watch.wait_for_disk()  # the page shows what was done before it is on disk
        rows = self.watch.ask("journal", after=0, limit=500)
        return [r for r in rows if (r["kind"], r["event"]) == (kind, event)]

    def acknowledge(self, drive: int, kind: str = "alarm_contact") -> None:
        """As another person does it elsewhere."""
        stands = self.alarm(drive, kind)
        args = {"alarm": stands["alarm"], "occurrence": stands["occurrence"]}
        assert self.watch.ask("command", what="acknowledge", args=args)["ok"]

    def close(self) -> None:
        """End everything."""
        if self.watch.running:
            self.watch.end(signal.SIGKILL)
        for plc in self.plcs:
            plc.stop()
        self._broker.stop()
