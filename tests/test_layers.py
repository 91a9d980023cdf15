"""Imports point inwards, the pure rooms stay pure, nothing names a Modbus write.

Each rule is a function over parsed sources, so that a planted violation shows that it would be found.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "service" / "nightrake"

PURE = ("domain", "alarms")
GROUND = ("errors", "crashpoint")
"""Modules at the top that every shell may import: they know nothing but the standard library."""
LOGS = "loglibrary"
"""How a shell comes to its logger."""
SHELLS = ("field", "journal", "historian", "messages", "channels", "control", "settings")
OUTSIDE_PURE = set(
    "os io time random socket asyncio threading subprocess pathlib logging secrets tempfile signal select selectors "
    "multiprocessing concurrent urllib http sqlite3 ctypes shutil fcntl uuid".split()
)
OWNERS: Mapping[str, str | tuple[str, ...]] = {  # the one room (or module) that may know an outside library
    "pymodbus": "field/adapter.py",
    "aiomqtt": "messages/",
    "paho": "messages/",
    "structlog": "loglibrary.py",
    "influxdb_client": "historian/",
    "urllib3": "historian/",
    "apsw": ("journal/", "longterm/", "workers/", "page/sessions.py"),
    "apprise": "channels/worker.py",
    "cryptography": ("messages/operatorkey.py", "page/certificate.py"),
    "typer": "cli/",
    "rich": "cli/",
    "amqtt": "cli/demo.py",
    "scipy": ("commissioning/", "learning/"),
    "pint": "commissioning/units.py",
    "matplotlib": "reports/",
    "plotext": "cli/history_plot.py",
    "pyarrow": "cli/history_export.py",
    "jinja2": ("reports/", "page/"),
    "markupsafe": ("reports/", "page/"),
    "fastapi": "page/",
    "starlette": "page/",
    "uvicorn": "page/",
    "h11": "page/connection.py",
    "argon2": ("page/signin.py", "cli/"),
}
HEAVY = set(
    "pyarrow numpy scipy pint matplotlib plotext pandas fastapi uvicorn starlette jinja2 amqtt typer aiohttp "
    "apprise argon2 h11 rich pygments".split()
)

MEASURING = {  # rooms that the watch never loads: what they may know of ours, beside themselves and the errors
    "commissioning": ("domain",),
    "reports": ("domain", "commissioning", "history", "learning", "__version__"),
    "history": ("domain", "commissioning"),
    "learning": ("domain",),
    "learntold": (
        "domain",
        "alarms",
        "history",
        "learning",
        "learnreading",
        "longterm",
        "reports",
        "settings",
    ),
    "learnreading": ("domain", "alarms", "commissioning", "history", "longterm", "journal", "learning", "settings"),
    "longterm": ("domain", "alarms", "history", "commissioning", "crashpoint", "kept", "keptsettings"),
    "page": ("domain", "alarms", "__version__"),
    "pagereading": (
        "domain",
        "alarms",
        "commissioning",
        "history",
        "longterm",
        "journal",
        "settings",
        "page",
    ),
    "workers": (
        "domain",
        "history",
        "longterm",
        "journal",
        "historian",
        "crashpoint",
        "keptsettings",
        "page",
        "pagereading",
        "alarms",
        "learning",
        "learnreading",
        "learntold",
        "settings",
    ),
}
MEASURING_PURE = ("commissioning", "history", "learning")

Sources = Mapping[str, str]
Rule = Callable[[Sources], list[str]]


@pytest.fixture(scope="module")
def sources() -> Sources:
    """Every module of the package: path below it -> text."""
    found = {str(p.relative_to(PACKAGE)): p.read_text(encoding="utf-8") for p in sorted(PACKAGE.rglob("*.py"))}

    assert len(found) > 40, "the package was not found"
    return found


def imports(text: str) -> Iterator[tuple[int, str]]:
    """Line and full name of everything that a module imports, wherever it does so."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: write imports in full"
            assert node.module is not None
            names = [alias.name for alias in node.names]
            if node.module == "nightrake":
                yield from ((node.lineno, f"nightrake.{name}") for name in names)
            else:
                yield node.lineno, node.module


def room_of(name: str) -> str:
    """``nightrake.field.adapter`` -> ``field``; ``nightrake.engine`` -> ``engine``; ``nightrake`` -> ````."""
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else ""


def room_at(path: str) -> str:
    """``field/adapter.py`` -> ``field``; ``engine.py`` -> ``engine``."""
    return path.split("/")[0].removesuffix(".py")


# --- the rules --------------------------------------------------------------------------------------------------------


def impure_imports(sources: Sources) -> list[str]:
    """The pure rooms import the standard library (without the outside world), each other and the errors."""
    wrong = []
    for path, text in sources.items():
        if room_at(path) not in PURE:
            continue
        for line, name in imports(text):
            top = name.split(".")[0]
            own = top == "nightrake" and room_of(name) in (*PURE, "errors")
            if not own and (top not in sys.stdlib_module_names or top in OUTSIDE_PURE):
                wrong.append(f"{path}:{line} imports {name}")
    return wrong


def clock_reads(sources: Sources) -> list[str]:
    """No pure room reads a clock, opens a file or prints: time and data are passed in."""
    banned = {"now", "utcnow", "today", "monotonic", "perf_counter", "monotonic_ns", "time_ns"}
    wrong = []
    for path, text in sources.items():
        if room_at(path) not in (*PURE, *MEASURING_PURE):
            continue
        for node in ast.walk(ast.parse(text)):
            if not isinstance(node, ast.Call):
                continue
            if isinstance(node.func, ast.Attribute) and node.func.attr in banned:
                wrong.append(f"{path}:{node.lineno} calls {node.func.attr}()")
            if isinstance(node.func, ast.Name) and node.func.id in ("open", "print", "input"):
                wrong.append(f"{path}:{node.lineno} calls {node.func.id}()")
    return wrong


def shells_that_know_each_other(sources: Sources) -> list[str]:
    """A shell imports the pure rooms, the ground, its logger and itself: only composition functions know more."""
    wrong = []
    for path, text in sources.items():
        room = room_at(path)
        if room not in SHELLS:
            continue
        for line, name in imports(text):
            if name.split(".")[0] == "nightrake" and room_of(name) not in (*PURE, *GROUND, LOGS, room):
                wrong.append(f"{path}:{line} imports {name}")
    return wrong


def ground_ties(sources: Sources) -> list[str]:
    """The ground that shells stand on imports the standard library only."""
    wrong = []
    for path, text in sources.items():
        if room_at(path) not in GROUND:
            continue
        for line, name in imports(text):
            if name.split(".")[0] not in sys.stdlib_module_names:
                wrong.append(f"{path}:{line} imports {name}")
    return wrong


def measuring_ties(sources: Sources) -> list[str]:
    """Commissioning, history and learning are pure but for their numeric libraries; reports, the long-term store and
    the workers know them; of all these only the command line knows, for the watch loads none."""
    wrong = []
    for path, text in sources.items():
        room = room_at(path)
        for line, name in imports(text):
            top = name.split(".")[0]
            if room in MEASURING:
                own = top != "nightrake" or room_of(name) in ("errors", room, *MEASURING[room])
                pure = room not in MEASURING_PURE or top not in OUTSIDE_PURE - {"io"}
            else:
                own, pure = room == "cli" or room_of(name) not in MEASURING or top != "nightrake", True
            if not own or not pure:
                wrong.append(f"{path}:{line} imports {name}")
    return wrong


def plant_ties(sources: Sources) -> list[str]:
    """The simulated plant imports nothing of the watch, and of the watch only the command line knows the plant."""
    wrong = []
    for path, text in sources.items():
        room = room_at(path)
        for line, name in imports(text):
            to_plant = room_of(name) == "plant"
            out_of_plant = room == "plant" and name.split(".")[0] == "nightrake" and not to_plant
            if out_of_plant or (to_plant and room not in ("plant", "cli")):
                wrong.append(f"{path}:{line} imports {name}")
    return wrong


def strangers(sources: Sources) -> list[str]:
    """Each outside library is known in one place."""
    wrong = []
    for path, text in sources.items():
        for line, name in imports(text):
            owner = OWNERS.get(name.split(".")[0])
            if owner is not None and not path.startswith(owner):
                wrong.append(f"{path}:{line} imports {name}, which only {owner} may")
    return wrong


WRITE_NAME = re.compile(
    r"write_(single_|multiple_)?(coils?|registers?)|mask_write(_register)?|readwrite|read_write_(multiple_)?registers"
    r"|write_file_record|Write(Single|Multiple|File)\w*|MaskWrite\w*|diag_\w+|report_(device|server)_id",
    re.IGNORECASE,
)


def modbus_writes(sources: Sources) -> list[str]:
    """No code names a Modbus write: neither a library's call or class, nor a function code other than 1 to 4."""
    wrong = []
    for path, text in sources.items():
        for node in ast.walk(ast.parse(text)):
            place = f"{path}:{getattr(node, 'lineno', 0)}"
            if WRITE_NAME.fullmatch(name_of(node)):
                wrong.append(f"{place} names {name_of(node)}")
            wrong += [f"{place} sets a function code to {code}" for code in codes_given(node)]
    return wrong


def name_of(node: ast.AST) -> str:
    """The name that a node uses or imports, or an empty text."""
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Name):
        return node.id
    return node.name.split(".")[-1] if isinstance(node, ast.alias) else ""


def codes_given(node: ast.AST) -> Iterator[int]:
    """Numbers given as a function code (by assignment or keyword) that are no read; replies (>= 0x80) are none."""
    pairs: list[tuple[str, ast.expr | None]] = []
    if isinstance(node, ast.Assign):
        pairs = [(t.id if isinstance(t, ast.Name) else getattr(t, "attr", ""), node.value) for t in node.targets]
    elif isinstance(node, ast.AnnAssign):
        pairs = [(node.target.id if isinstance(node.target, ast.Name) else "", node.value)]
    elif isinstance(node, ast.Call):
        pairs = [(k.arg or "", k.value) for k in node.keywords]
    for name, value in pairs:
        if not re.search(r"function_?code|^fc$", name, re.IGNORECASE) or value is None:
            continue
        for leaf in ast.walk(value):
            if isinstance(leaf, ast.Constant) and type(leaf.value) is int and 4 < leaf.value < 0x80:
                yield leaf.value


RULES: tuple[Rule, ...] = (
    impure_imports,
    clock_reads,
    shells_that_know_each_other,
    ground_ties,
    measuring_ties,
    plant_ties,
    strangers,
    modbus_writes,
)


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.__name__)
def test_package_keeps_the_rule(rule: Rule, sources: Sources) -> None:
    """Each rule holds for the package as it is."""
    assert rule(sources) == []


@pytest.mark.parametrize(
    ("rule", "path", "text"),
    [
        (impure_imports, "domain/x.py", "import os.path"),
        (impure_imports, "alarms/x.py", "def f():\n    from time import monotonic"),
        (impure_imports, "domain/x.py", "from nightrake.field.adapter import ModbusLink"),
        (impure_imports, "domain/x.py", "import pydantic"),
        (clock_reads, "domain/x.py", "from datetime import datetime\nt = datetime.now()"),
        (clock_reads, "alarms/x.py", "text = open('x').read()"),
        (shells_that_know_each_other, "field/x.py", "import nightrake.journal.store"),
        (shells_that_know_each_other, "messages/x.py", "from nightrake import engine"),
        (shells_that_know_each_other, "messages/x.py", "from nightrake.journal import crashpoint"),
        (impure_imports, "domain/x.py", "from nightrake.crashpoint import reach"),
        (ground_ties, "crashpoint.py", "from nightrake.journal.store import Store"),
        (measuring_ties, "commissioning/x.py", "from nightrake.settings import load"),
        (measuring_ties, "commissioning/x.py", "def f():\n    import pathlib"),
        (measuring_ties, "reports/x.py", "from nightrake.settings import load"),
        (measuring_ties, "settings/x.py", "from nightrake.commissioning.units import si_value"),
        (measuring_ties, "app.py", "from nightrake.reports.page import render"),
        (measuring_ties, "keeping.py", "from nightrake.workers.keeping import Job"),
        (measuring_ties, "history/x.py", "from nightrake.longterm.reading import History"),
        (measuring_ties, "history/x.py", "import time"),
        (measuring_ties, "learning/x.py", "from nightrake.longterm.reading import History"),
        (measuring_ties, "app.py", "from nightrake.learning import theilsen"),
        (clock_reads, "learning/x.py", "import time\nt = time.time_ns()"),
        (measuring_ties, "longterm/x.py", "from nightrake.journal.reader import Reader"),
        (measuring_ties, "page/x.py", "from nightrake.journal.reader import Reader"),
        (measuring_ties, "app.py", "from nightrake.page.scene import Scene"),
        (measuring_ties, "page/x.py", "from nightrake.pagereading.answers import Answers"),
        (measuring_ties, "pagereading/x.py", "from nightrake.engine import Engine"),
        (strangers, "control/x.py", "import starlette"),
        (strangers, "history/x.py", "import apsw"),
        (clock_reads, "commissioning/x.py", "from datetime import datetime\nt = datetime.now()"),
        (strangers, "commissioning/sheet.py", "def f():\n    import pint"),
        (strangers, "commissioning/sheet.py", "from matplotlib.figure import Figure"),
        (plant_ties, "plant/x.py", "from nightrake.domain.site import Table"),
        (plant_ties, "engine.py", "from nightrake.plant import load"),
        (strangers, "field/poller.py", "from pymodbus.client import AsyncModbusTcpClient"),
        (strangers, "engine.py", "import apsw"),
        (strangers, "settings/signing.py", "from cryptography.hazmat.primitives.asymmetric import ed25519"),
        (strangers, "channels/sender.py", "def f():\n    import apprise"),
        (shells_that_know_each_other, "channels/x.py", "from nightrake.messages.people import People"),
        (modbus_writes, "field/x.py", "async def f(c):\n    await c.write_register(1, 2)"),
        (modbus_writes, "field/x.py", "from pymodbus.pdu.bit_message import WriteSingleCoilRequest"),
        (modbus_writes, "field/x.py", "FUNCTION_CODE = 16"),
        (modbus_writes, "field/x.py", "send(function_code=6)"),
        (modbus_writes, "cli/x.py", "client.mask_write_register()"),
    ],
)
def test_planted_violation_is_found(rule: Rule, path: str, text: str) -> None:
    """A rule that cannot find what it is there for holds nothing."""
    assert len(rule({path: text})) == 1


def test_composition_and_reads_are_allowed() -> None:
    """The rules do not forbid what the architecture wants."""
    allowed = {
        "app.py": "from nightrake.field.poller import Poller\nfrom nightrake.journal.store import Store",
        "cli/demo.py": "from nightrake.plant.main import main\nimport amqtt",
        "cli/specify.py": "from nightrake.commissioning.sheet import Sheet\nfrom nightrake.reports.page import render",
        "commissioning/units.py": "import math\nimport pint\nfrom nightrake.domain.site import Direction",
        "reports/x.py": "from nightrake import __version__\nimport jinja2\nfrom nightrake.commissioning import sheet",
        "messages/x.py": "from nightrake.crashpoint import reach\nfrom nightrake.errors import MessageError",
        "domain/x.py": "import math\nfrom datetime import UTC\nfrom nightrake.alarms.latch import Latch",
        "field/adapter.py": "import pymodbus\nFUNCTION_CODES = {1, 2, 3, 4}\nsock.write(b'')",
        "plant/x.py": "import asyncio\nfrom nightrake.plant.load import torque",
    }

    assert [w for rule in RULES for w in rule(allowed)] == []


# --- what the watch loads ---------------------------------------------------------------------------------------------


def loaded_by(statement: str) -> set[str]:
    """Top-level names of all modules that a fresh interpreter has loaded after the statement."""
    script = f"import sys, json\n{statement}\nprint(json.dumps(sorted({{m.split('.')[0] for m in sys.modules}})))"
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
        env={"PYTHONPATH": str(ROOT / "service"), "PATH": "/usr/bin:/bin"},
    )
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_watch_loads_no_heavy_library() -> None:
    """The watch is small because it loads no numeric, plotting, web or terminal library."""
    loaded = loaded_by("import nightrake.app")

    assert "pymodbus" in loaded, "the watch did not load what it needs, so this shows nothing"
    assert loaded & HEAVY == set()


def test_core_loads_the_standard_library_only() -> None:
    """The pure core can be imported where nothing is installed."""
    loaded = loaded_by("import nightrake.domain.pipeline")

    foreign = {m for m in loaded - {"nightrake", "__main__"} if m not in sys.stdlib_module_names}
    # what an interpreter loads by itself in a virtual environment (start-up hooks of installed packages)
    assert foreign - loaded_by("pass") == set()
