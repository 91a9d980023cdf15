"""What the recorders saw of all requests to every PLC of the test run: function codes 1 to 4 and nothing else.

usage: wire_report.py [--at-least N] [FOLDER]    FOLDER: default $NIGHTRAKE_WIRE_LOG
Exit code 1 when another function code was seen, or fewer requests than N.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

READS = {"1", "2", "3", "4"}


def main() -> int:
    """Sum the logs and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", default=os.environ.get("NIGHTRAKE_WIRE_LOG", ""))
    parser.add_argument("--at-least", type=int, default=0)
    arguments = parser.parse_args()
    if not arguments.folder or not Path(arguments.folder).is_dir():
        print("wire: no folder of recordings; tests/run makes one")
        return 1
    seen: Counter[str] = Counter()
    for log in sorted(Path(arguments.folder).glob("*.log")):
        seen.update(log.read_text(encoding="ascii").split())
    total = sum(seen.values())
    codes = ", ".join(f"{code}: {count}" for code, count in sorted(seen.items()))
    print(f"wire: {total} requests recorded; function codes {codes or 'none'}")
    wrong = sorted(set(seen) - READS)
    if wrong:
        print(f"wire: the watch sent something other than a read: {', '.join(wrong)}")
        return 1
    if total < arguments.at_least:
        print(f"wire: expected at least {arguments.at_least} requests; is a PLC fixture without its recorder?")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
