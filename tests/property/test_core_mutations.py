"""Planted faults in the core: each must be found by the tests that stand beside it.

Each fault is put into a copy of the package, and the named tests run on that copy in a process of their own, forked
from one that has loaded pytest and the other libraries, and nothing of ours.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from peers.warm import LIBRARIES, python, waiting

ROOT = Path(__file__).resolve().parents[2]
UNITS = "tests/unit/domain/"
CONTACTS, STOP, IMAGE, QUALITY = (f"{UNITS}test_{n}.py" for n in ("contacts", "stop", "image", "quality"))
JUDGEMENT, SIGNALS, CHANGES = (f"{UNITS}test_{n}.py" for n in ("judgement", "signals_and_registers", "changes"))
COMMANDS = "tests/unit/domain/test_commands.py"
RESPOND = "tests/unit/domain/test_respond.py"

# name: (module, what stands there, what is put there, the tests that must fail)
FAULTS = {
    "hold one reading too long": ("domain/debounce.py", "since_ns >= hold_ns", "since_ns > hold_ns", CONTACTS),
    "hold never begins anew": (
        "domain/debounce.py",
        "now_ns if operated != prev.raw else",
        "0 if prev.raw else",
        CONTACTS,
    ),
    "restart taken for a wrap": ("domain/debounce.py", "advanced > COUNTER_WRAP_SPAN", "advanced > 1 << 30", CONTACTS),
    "both channels needed": ("domain/contacts.py", "= max(settled,", "= min(settled,", CONTACTS),
    "bad reading clears": ("domain/contacts.py", "default=prev.operated", "default=0", CONTACTS),
    "edge explains nothing": ("domain/contacts.py", "moved = COUNTER | LATCHED", "moved = 0", CONTACTS),
    "one memory does not explain the other": ("domain/contacts.py", "moved |= LATCHED if", "moved |= 0 if", CONTACTS),
    "operation lost when the contact goes bad": ("domain/contacts.py", "(), prev.pending)", '(), "")', CONTACTS),
    "value from a bad time believed": ("domain/contacts.py", "if prev.bad and not read:", "if False:", QUALITY),
    "check excuses for ever": ("domain/contacts.py", "after_test = proving and", "after_test = False and", STOP),
    "bad channel taken for agreement": ("domain/contacts.py", "if differ is None:", "if False:", CONTACTS),
    "stop confirmed by an old reading": ("domain/stop.py", "CONFIRMED if read else", "CONFIRMED if True else", STOP),
    "still running by an old reading": ("domain/stop.py", "if due and read:", "if due:", STOP),
    "restart lasts for ever": ("domain/image.py", "now_ns - since_ns > RESTART_NS", "False", IMAGE),
    "zeros believed afterwards": ("domain/scan.py", "if images[unit].image is Image.SOUND:", "if False:", IMAGE),
    "one zero block is a zero image": ("domain/scan.py", "zero.get(unit, True) and", "zero.get(unit, False) or", IMAGE),
    "going bad proves life": ("domain/drive.py", " and not isinstance(new, str)", "", QUALITY),
    "unreadable heartbeat is frozen": ("domain/drive.py", "or isinstance(raws[wire.heartbeat], str):", ":", QUALITY),
    "short path too short": ("domain/protection.py", "dues = [contact_due(", "dues = [0 and contact_due(", JUDGEMENT),
    "flapping is told each time": ("domain/quality.py", "(*prev.told, *prev.gone)", "prev.told", QUALITY),
    "failure current is measurement": (
        "domain/signals.py",
        "current_ma <= FAILURE_LOW_MA",
        "current_ma < 3.5",
        SIGNALS,
    ),
    "bytes in the wrong order": ("domain/registers.py", "data[at + 1], data[at]", "data[at], data[at + 1]", SIGNALS),
    "check latches": (
        "alarms/judges.py",
        "return None if operated and seen.facts.in_test else operated",
        "return operated",
        JUDGEMENT,
    ),
    "reset of an operated contact": ("domain/latches.py", "if c.raw == 1 and not c.bad]", "if False]", COMMANDS),
    "reset before it is acknowledged": (
        "alarms/asked.py",
        "    if state.life in UNANSWERED:\n",
        "    if False:\n",
        JUDGEMENT,
    ),
    "latched shutdown opens nothing": (
        "domain/respond.py",
        'entry.event in ("raised", "raised_again") and',
        "False and",
        RESPOND,
    ),
    "counter forgotten in a restart": ("domain/drive.py", "counter=c.counter,", "counter=-1,", CHANGES),
}


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A copy of the package to plant faults in, with what is compiled of it: Python heeds that of no changed file."""
    copy = tmp_path_factory.mktemp("planted")
    shutil.copytree(ROOT / "service/nightrake", copy / "nightrake")
    with waiting([*LIBRARIES, "pytest", "hypothesis.stateful", "psutil", "pytest_asyncio", "pytest_timeout"]):
        yield copy


def outcome_of(package: Path, *tests: str) -> int:
    """pytest's exit code for these tests over the copy, ended at the first failure."""
    options = ["-x", "-q", "--assert=plain", "-p", "no:cacheprovider", "-o", f"pythonpath=tests {package}"]
    env = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    return python("-m", "pytest", *options, *tests, env=env, cwd=str(ROOT)).returncode


@pytest.mark.parametrize("name", list(FAULTS))
def test_planted_fault_is_found(package: Path, name: str) -> None:
    """The text is there once, the fault is put in its place, and the tests fail (not merely break)."""
    module, there, fault, tests = FAULTS[name]
    file = package / "nightrake" / module
    text = file.read_text()
    assert text.count(there) == 1, f"{module} has changed: plant '{name}' anew"
    file.write_text(text.replace(there, fault))
    try:
        compile(file.read_text(), str(file), "exec")
        assert outcome_of(package, tests) == 1
    finally:
        file.write_text(text)


def test_copy_without_a_fault_passes(package: Path) -> None:
    """Otherwise the faults above would prove nothing."""
    assert outcome_of(package, CONTACTS, STOP, IMAGE, QUALITY, JUDGEMENT, SIGNALS, CHANGES, COMMANDS, RESPOND) == 0
