"""Faults and actions on command, one line each: from standard input, or scripted with times."""

from __future__ import annotations

import time
from collections.abc import Callable

from nightrake.plant.fennmark import Plant
from nightrake.plant.machine import Machine

HELP = """commands (one a line):
  jam DRIVE | free DRIVE           something holds the machine: torque rises
                                   until the hard-wired stop
  push DRIVE FRACTION SECONDS      move the load by a share of shutdown torque
  storm FRACTION                   inflow raises every clarifier's load
  buildup DRIVE FRACTION_PER_HOUR  sludge builds up
  unwind DRIVE | start DRIVE | stop DRIVE
  pull DRIVE NM [SECONDS]          apply a known torque to a stopped drive,
                                   moving to it over a time
  release DRIVE                    let go of it
  bind DRIVE | unbind DRIVE        the arm sticks where it stands
  wire DRIVE N cut|whole|jumpered  N = contact number from 0
  chatter DRIVE N HZ               a loose sensor (0 = off)
  starter DRIVE jumpered|sound     the shutdown contact misses the starter
  transducer DRIVE broken|whole
  heartbeat DRIVE frozen|alive
  plc ID restart SECONDS | plc ID gone SECONDS | plc ID mute|answer
  truth DRIVE"""

DEMO: tuple[tuple[float, str], ...] = (
    (4.0, "storm 0.05"),
    (6.0, "push PC1 0.40 4"),
    (14.0, "push PC1 0 4"),
    (20.0, "jam SC2"),
    (30.0, "transducer GT1 broken"),
    (37.0, "transducer GT1 whole"),
    (38.0, "storm 0"),
    (42.0, "plc PLCA restart 1.2"),
    (48.0, "push SCR1 0.45 2"),
    (53.0, "push SCR1 0 2"),
)
"""Seconds after the start -> command. A storm, an alarm that comes and goes, a jam up to the stop, a broken wire, a
restarting PLC."""


class CommandError(Exception):
    """A command that cannot be carried out; its text is one sentence."""


class Commands:
    """Carries out command lines on a plant.

    Args:
        plant: The plant. vanish: Called with (PLC id, seconds) to take a PLC off the network for a while.
    """

    def __init__(self, plant: Plant, vanish: Callable[[str, float], object]) -> None:
        self._plant = plant
        self._vanish = vanish

    def run(self, line: str) -> str:
        """Carry out one line.

        Returns:
            What to answer: "ok" or facts.

        Raises:
            CommandError: The line is wrong or refused.
        """
        words = line.split()
        if not words or words[0] == "help":
            return HELP
        action = getattr(self, f"_{words[0]}", None)
        if action is None:
            raise CommandError(f"unknown command '{words[0]}'; 'help' lists them")
        try:
            return str(action(*words[1:]) or "ok")
        except (TypeError, ValueError, IndexError) as error:
            raise CommandError(f"'{line}' has wrong arguments; 'help' shows them") from error

    def _machine(self, drive: str) -> Machine:
        if drive not in self._plant.machines:
            raise CommandError(f"no drive '{drive}'; there are {', '.join(self._plant.machines)}")
        return self._plant.machines[drive]

    @staticmethod
    def _refused(text: str) -> None:
        if text:
            raise CommandError(text)

    def _jam(self, drive: str) -> None:
        self._machine(drive).load.jammed = True

    def _free(self, drive: str) -> None:
        self._machine(drive).load.jammed = False

    def _push(self, drive: str, fraction: str, seconds: str) -> None:
        load = self._machine(drive).load
        load.push_target = float(fraction)
        load.push_per_s = abs(load.push_target - load.push) / max(0.1, float(seconds)) / self._plant.speed

    def _storm(self, fraction: str) -> None:
        for name, machine in self._plant.machines.items():
            if name.startswith(("PC", "SC")) and name != "SCR1":
                machine.load.storm = float(fraction)
        self._plant.inflow_m3_per_h = 420.0 * (1 + 8 * float(fraction))

    def _buildup(self, drive: str, per_hour: str) -> None:
        self._machine(drive).load.sludge_per_s = float(per_hour) / 3600.0

    def _unwind(self, drive: str) -> None:
        self._refused(self._machine(drive).unwind())

    def _start(self, drive: str) -> None:
        self._refused(self._machine(drive).start())

    def _stop(self, drive: str) -> None:
        self._machine(drive).running = False

    def _pull(self, drive: str, torque_nm: str, seconds: str = "0") -> None:
        self._refused(self._machine(drive).pull(float(torque_nm), float(seconds)))

    def _release(self, drive: str) -> None:
        self._refused(self._machine(drive).pull(None))

    def _bind(self, drive: str) -> None:
        self._machine(drive).arm.bound = True

    def _unbind(self, drive: str) -> None:
        self._machine(drive).arm.bound = False

    def _wire(self, drive: str, number: str, state: str) -> None:
        contact = self._machine(drive).contacts[int(number)]
        if state not in ("cut", "whole", "jumpered"):
            raise CommandError("a wire is cut, whole or jumpered")
        contact.broken, contact.jumpered = state == "cut", state == "jumpered"

    def _chatter(self, drive: str, number: str, hertz: str) -> None:
        self._machine(drive).contacts[int(number)].chatter_hz = float(hertz)

    def _starter(self, drive: str, state: str) -> None:
        self._machine(drive).starter_jumpered = state == "jumpered"

    def _transducer(self, drive: str, state: str) -> None:
        self._machine(drive).transducer_broken = state == "broken"

    def _heartbeat(self, drive: str, state: str) -> None:
        self._machine(drive).heartbeat_frozen = state == "frozen"

    def _plc(self, name: str, what: str, seconds: str = "0") -> None:
        plc = self._plant.plcs.get(name)
        if plc is None:
            raise CommandError(f"no PLC '{name}'; there are {', '.join(self._plant.plcs)}")
        if what == "restart":
            plc.zero_until_s = time.monotonic() + float(seconds)
        elif what == "gone":
            self._vanish(name, float(seconds))
        elif what in ("mute", "answer"):
            plc.gone = what == "mute"
        else:
            raise CommandError("a PLC can restart, be gone, be mute, or answer")

    def _truth(self, drive: str) -> str:
        self._machine(drive)
        return str(self._plant.truth(drive))
