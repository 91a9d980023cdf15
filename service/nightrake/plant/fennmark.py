"""The Fennmark plant: six machines and what their three PLCs serve, convention by convention."""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass, field

from nightrake.plant.device import Arm, Contact, rake_torque_nm
from nightrake.plant.machine import Load, Machine

HEARTBEAT_S = 0.5


def _machine(
    name: str,
    shutdown_nm: float,
    preload_nm: float,
    slope: float,
    turn_s: float,
    base: float,
    forms: str,
    two: bool = False,
) -> Machine:
    """A machine of the list; `forms`: wiring of alarm and shutdown contacts, O or C each ('CCC' = shutdown A and B)."""
    at = [16.0 if two else 15.0] + [20.0] * (len(forms) - 1)
    contacts = [
        Contact("alarm" if i == 0 else "shutdown", 1, at[i] + 0.02 * max(0, i - 1), form == "C")
        for i, form in enumerate(forms)
    ]
    if two:
        contacts += [Contact(c.stage, -1, c.operating_mm, c.normally_closed) for c in contacts]
    arm = Arm(preload_nm, slope, 0.002 * shutdown_nm, two_sided=two)
    rpm = 60.0 / turn_s
    return Machine(name, shutdown_nm, Load(base, turn_s), arm, contacts, rpm, 0.37)


def fennmark_machines() -> dict[str, Machine]:
    """The six machines, in the order of the register list."""
    primary = rake_torque_nm(95.0, 13.0) / 40_000.0  # 95 N/m on 13 m arms: 40 % of shutdown torque
    machines = (
        _machine("PC1", 40_000.0, 8_000.0, 1_600.0, 1_800.0, primary, "CCC"),
        _machine("PC2", 40_000.0, 8_000.0, 1_600.0, 1_800.0, primary - 0.05, "CCC"),
        _machine("SC1", 22_500.0, 4_500.0, 900.0, 1_440.0, 0.30, "OC"),
        _machine("SC2", 22_500.0, 4_500.0, 900.0, 1_440.0, 0.33, "OC"),
        _machine("GT1", 112_500.0, 0.0, 5_625.0, 2_400.0, 0.48, "CC", two=True),
        _machine("SCR1", 8_000.0, 1_600.0, 320.0, 20.0, 0.42, "OC"),
    )
    return {m.id: m for m in machines}


@dataclass(slots=True)
class Plc:
    """One PLC: what it serves, and how it misbehaves.

    Attributes:
        id: PLC id. units: Unit ids that answer. max_registers: in one request. one_client: accepts one connection.
        min_gap_s: Asked sooner than this after the last answer, it says 'busy' (exception 6).
        zero_until_s: It restarts and serves zeros until then. gone: It does not answer at all.
    """

    id: str
    units: tuple[int, ...]
    max_registers: int = 125
    one_client: bool = False
    min_gap_s: float = 0.0
    zero_until_s: float = 0.0
    gone: bool = False


@dataclass(slots=True)
class Plant:
    """The whole of Fennmark in memory.

    Args:
        seed: Of its chance. speed: How much faster than real time process and machines go.
    """

    seed: int = 7
    speed: float = 1.0
    time_s: float = 8 * 3600.0
    machines: dict[str, Machine] = field(default_factory=fennmark_machines)
    plcs: dict[str, Plc] = field(default_factory=dict)
    inflow_m3_per_h: float = 420.0
    _rng: random.Random = field(default_factory=random.Random)
    _beats: dict[str, int] = field(default_factory=dict)
    _real_s: float = 0.0

    def __post_init__(self) -> None:
        self._rng = random.Random(self.seed)
        self.plcs = {
            "PLCA": Plc("PLCA", (1,)),
            "PLCB": Plc("PLCB", (1,), max_registers=16),
            "GWC": Plc("GWC", (3, 4), one_client=True, min_gap_s=0.02),
        }
        for _ in range(200):
            self.step(0.05)

    def step(self, real_dt_s: float) -> None:
        """Take everything a little further."""
        dt_s = real_dt_s * self.speed
        self.time_s += dt_s
        self._real_s += real_dt_s
        for machine in self.machines.values():
            machine.step(self.time_s, dt_s, self._rng)
            if not machine.heartbeat_frozen:
                self._beats[machine.id] = int(self._real_s / HEARTBEAT_S) % 65536

    def truth(self, drive: str) -> dict[str, object]:
        """What is really so, for tests and for proving."""
        m = self.machines[drive]
        contacts = [(c.stage, c.sign, c.operated) for c in m.contacts]
        return {"torque_nm": m.torque_nm, "position_mm": m.position_mm, "running": m.running, "contacts": contacts}

    # --- what the PLCs serve ------------------------------------------------------------------------------------------

    def bits(self, plc: str, unit: int, table: str) -> dict[int, int]:
        """Address -> bit of one bit table."""
        if plc == "PLCA" and table == "discrete":
            found = {20: 1}
            for base, name in ((0, "PC1"), (10, "PC2")):
                m = self.machines[name]
                found.update({base + i: int(c.closed) for i, c in enumerate(m.contacts)})
                found[base + 3] = int(m.running)
            return found
        if plc == "GWC" and table == "coil":
            m = self.machines["GT1" if unit == 3 else "SCR1"]
            found = {i: int(c.closed) for i, c in enumerate(m.contacts)}
            found[len(m.contacts)] = int(m.running)
            return found
        return {}

    def registers(self, plc: str, unit: int, table: str) -> dict[int, int]:
        """Address -> register of one register table."""
        if plc == "PLCA" and table == "input":
            found = {20: self._beats["PC1"], 21: round(self.inflow_m3_per_h * 10) & 0xFFFF}
            for base, name in ((0, "PC1"), (10, "PC2")):
                m = self.machines[name]
                current_ma = 0.0 if m.transducer_broken else 4.0 + m.position_mm / 25.0 * 16.0
                found |= {base: round(current_ma * 1000), base + 1: round(m.motor_kw * 1000)}
            return found
        if plc == "PLCB" and table == "holding":
            return {**self._secondary(100, "SC1"), **self._secondary(120, "SC2")}
        if plc == "GWC" and unit == 3 and table == "input":
            m = self.machines["GT1"]
            current_ma = 0.0 if m.transducer_broken else 12.0 + m.position_mm / 25.0 * 8.0
            blanket = 900 + round(2000 * (m.load.sludge + m.load.push))
            flow = 0 if not m.running else 385
            return {10: round(current_ma * 4095 / 20), 11: self._beats["GT1"], 12: flow, 13: blanket, 14: 1032, 15: 0}
        if plc == "GWC" and unit == 4:
            return self._screw(table)
        return {}

    def _secondary(self, base: int, name: str) -> dict[int, int]:
        m = self.machines[name]
        alarm, shutdown = m.contacts
        # The program turns both contacts so that 1 means operated, whatever the wiring.
        word = int(alarm.trips) | int(shutdown.trips) << 1 | int(m.running) << 2 | 1 << 3
        word |= int(alarm.latched) << 8 | int(shutdown.latched) << 9
        position = float("nan") if m.transducer_broken else m.position_mm
        high, low = struct.unpack(">HH", struct.pack(">f", position))
        speed = round(m.rpm * 10_000) if m.running else 0
        words = (word, alarm.count, shutdown.count, low, high, speed, self._beats[name])
        return {base + i: w for i, w in enumerate(words)}

    def _screw(self, table: str) -> dict[int, int]:
        m = self.machines["SCR1"]
        if table == "input":
            return {0: self._beats["SCR1"]}
        if table != "holding":
            return {}
        position = struct.unpack(">HH", struct.pack("<i", round(m.position_mm * 1000)))
        a, b, c, d = struct.pack(">f", m.rpm if m.running else 0.0)
        speed = struct.unpack(">HH", bytes((b, a, d, c)))
        return {40: position[0], 41: position[1], 42: speed[0], 43: speed[1]}
