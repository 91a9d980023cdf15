"""The watch with small segments of its journal: ``python smallsegments.py python -m nightrake.cli watch FOLDER``.

The watch is the one that is shipped; a segment is closed after 20 rows, looked for all the time, and its rows leave the
store as if the quota were always short.
"""

from __future__ import annotations

import runpy
import sys

from nightrake.journal import archivewrite, archivist, room, writer

ROWS = 20


def main() -> None:
    """Become the command."""
    archivewrite.ROWS = archivist.ROWS = ROWS
    archivist.LOOK_S, writer.HOUSE_PERIOD_S, room.QUOTA_HIGH = 0.1, 0.05, 0.0
    sys.argv = sys.argv[3:]
    runpy.run_module("nightrake.cli", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
