"""structlog without rich, which it takes along wherever that happens to be installed.

The watch would carry 5 MB that it never uses: its lines are JSON, so the library's coloured tracebacks are not needed.
"""

from __future__ import annotations

import sys

_HELD_BACK = [name for name in ("rich",) if name not in sys.modules]
for _name in _HELD_BACK:
    sys.modules[_name] = None  # type: ignore[assignment]  # None makes an import fail as if it were not installed
try:
    import structlog
finally:
    for _name in _HELD_BACK:
        del sys.modules[_name]

__all__ = ["structlog"]
