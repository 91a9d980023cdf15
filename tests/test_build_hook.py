"""What the package build pulls in: exactly what the lock says, one sentence where it cannot, nothing in git.

The npm registry is an outside peer; here a small one on this machine stands in for it.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import io
import json
import subprocess
import sys
import tarfile
import threading
import zipfile
from collections.abc import Iterator, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import ModuleType
from typing import Any, ClassVar

import pytest

ROOT = Path(__file__).resolve().parent.parent
NPM = ROOT / "service" / "nightrake" / "page" / "npm"
VENDOR = "service/nightrake/page/static/vendor"
VERSION = "1.6.32"


@pytest.fixture(scope="module")
def hook() -> ModuleType:
    """The build hook, as a module."""
    spec = importlib.util.spec_from_file_location("build_hook", ROOT / "service" / "build_hook.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


def packed(files: Mapping[str, str]) -> bytes:
    """A package as npm has them."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as archive:
        for name, text in files.items():
            entry = tarfile.TarInfo(f"package/{name}")
            entry.size = len(text)
            archive.addfile(entry, io.BytesIO(text.encode()))
    return out.getvalue()


PACKAGE = packed(
    {
        "package.json": json.dumps({"name": "uplot", "version": VERSION, "scripts": {"install": "exit 1"}}),
        "dist/uPlot.iife.min.js": "var uPlot;",
        "dist/uPlot.min.css": ".uplot {}",
        "LICENSE": "MIT",
    }
)


def integrity(data: bytes) -> str:
    """As a lock names it."""
    return f"sha512-{base64.b64encode(hashlib.sha512(data).digest()).decode()}"


class Registry(BaseHTTPRequestHandler):
    """Gives one package.

    Attributes:
        given: What it gives. asked: Paths.
    """

    given: ClassVar[bytes] = PACKAGE
    asked: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        """The package, or what is known of it."""
        self.asked.append(self.path)
        tarball = self.path.endswith(".tgz")
        body = self.given if tarball else json.dumps(self._about()).encode()
        self.send_response(200)
        self.send_header("content-type", "application/octet-stream" if tarball else "application/json")
        self.send_header("content-length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _about(self) -> dict[str, Any]:
        address = f"http://{self.headers['host']}/uplot/-/uplot-{VERSION}.tgz"
        one = {"name": "uplot", "version": VERSION, "dist": {"tarball": address, "integrity": integrity(PACKAGE)}}
        return {"name": "uplot", "dist-tags": {"latest": VERSION}, "versions": {VERSION: one}}

    def log_message(self, format: str, *args: Any) -> None:
        """Says nothing."""


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[type[Registry]]:
    """A registry that npm asks, and nothing kept from before."""
    kind = type("OneRegistry", (Registry,), {"asked": [], "given": PACKAGE})
    server = ThreadingHTTPServer(("127.0.0.1", 0), kind)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    monkeypatch.setenv("NPM_CONFIG_REGISTRY", f"http://127.0.0.1:{server.server_port}")
    monkeypatch.setenv("NPM_CONFIG_CACHE", str(tmp_path / "npm-cache"))
    monkeypatch.setenv("NPM_CONFIG_USERCONFIG", str(tmp_path / "npmrc"))
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    yield kind
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def lock(tmp_path: Path) -> Path:
    """The project's own lock, but for the hash: that of the small registry's package."""
    folder = tmp_path / "npm"
    folder.mkdir()
    (folder / "package.json").write_bytes((NPM / "package.json").read_bytes())
    told = json.loads((NPM / "package-lock.json").read_text())
    told["packages"]["node_modules/uplot"]["integrity"] = integrity(PACKAGE)
    (folder / "package-lock.json").write_text(json.dumps(told))
    return folder


@pytest.fixture
def vendor(tmp_path: Path) -> Path:
    """Where the files go."""
    (tmp_path / "static").mkdir()
    return tmp_path / "static" / "vendor"


def test_files_and_licence_are_laid_down_once(
    hook: ModuleType, registry: type[Registry], lock: Path, vendor: Path
) -> None:
    """The second time nothing is asked for; a script of the package (it would fail) is never run."""
    assert hook.lay_down(lock, vendor)
    asked = len(registry.asked)

    assert not hook.lay_down(lock, vendor)
    assert len(registry.asked) == asked
    assert (vendor / "uPlot.iife.min.js").read_text() == "var uPlot;"
    assert (vendor / "uPlot.LICENSE.txt").read_text() == "MIT"


def test_changed_file_or_lock_is_fetched_anew(
    hook: ModuleType, registry: type[Registry], lock: Path, vendor: Path
) -> None:
    """What somebody altered does not stay."""
    hook.lay_down(lock, vendor)
    (vendor / "uPlot.iife.min.js").write_text("evil()")

    assert hook.lay_down(lock, vendor)
    assert (vendor / "uPlot.iife.min.js").read_text() == "var uPlot;"
    (vendor / "uPlot.LICENSE.txt").unlink()
    assert hook.lay_down(lock, vendor)
    (lock / "package.json").write_text((lock / "package.json").read_text() + "\n")
    assert hook.lay_down(lock, vendor)


def test_package_with_another_hash_is_refused(
    hook: ModuleType, registry: type[Registry], lock: Path, vendor: Path
) -> None:
    """The registry gives something else under the same name and version: one sentence, and no file."""
    registry.given = packed({"package.json": "{}", "dist/uPlot.iife.min.js": "evil()"})

    with pytest.raises(SystemExit) as refused:
        hook.lay_down(lock, vendor)

    assert "is not what the lock says" in str(refused.value)
    assert "\n" not in str(refused.value)
    assert not vendor.exists()


def test_dead_registry_is_one_sentence(
    hook: ModuleType,
    registry: type[Registry],
    lock: Path,
    vendor: Path,
    monkeypatch: pytest.MonkeyPatch,
    free_port: int,
) -> None:
    """It names what to do."""
    monkeypatch.setenv("NPM_CONFIG_REGISTRY", f"http://127.0.0.1:{free_port}")

    with pytest.raises(SystemExit) as refused:
        hook.lay_down(lock, vendor)

    assert "the npm registry does not answer; connect this machine" in str(refused.value)
    assert not vendor.exists()


def test_what_else_npm_says_is_told_in_its_words(hook: ModuleType) -> None:
    """The first line that is a sentence."""
    said = "npm error code EUSAGE\nnpm error\nnpm error `npm ci` can only install with an existing lock\n"

    assert hook.reason(said) == "npm says: `npm ci` can only install with an existing lock"
    assert hook.reason("") == "npm gave no reason"


def test_lock_names_one_package_exactly_and_by_hash() -> None:
    """Nothing comes along with it, and no registry's address stands in the lock."""
    lock = json.loads((NPM / "package-lock.json").read_text())
    wanted = json.loads((NPM / "package.json").read_text())["dependencies"]

    assert set(lock["packages"]) == {"", "node_modules/uplot"}
    assert wanted == {"uplot": lock["packages"]["node_modules/uplot"]["version"]}
    assert lock["packages"]["node_modules/uplot"]["integrity"].startswith("sha512-")
    assert "resolved" not in lock["packages"]["node_modules/uplot"]


def test_wheel_holds_what_was_pulled_in_and_its_licence(tmp_path: Path) -> None:
    """Built from this checkout; git keeps none of it."""
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=18,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        names = {Path(n).name for n in wheel.namelist() if "/static/vendor/" in n}
        licence = wheel.read("nightrake/page/static/vendor/uPlot.LICENSE.txt").decode()

    assert names == {"uPlot.iife.min.js", "uPlot.min.css", "uPlot.LICENSE.txt", "from-lock.txt"}
    assert "MIT" in licence
    kept = subprocess.run(
        ["git", "ls-files", VENDOR], cwd=ROOT, capture_output=True, text=True, timeout=10, check=False
    )
    assert kept.stdout == ""
