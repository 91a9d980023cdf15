"""Questions of the page and their answers: by name, with arguments as plain values."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from nightrake.pagereading.calibration import calibration
from nightrake.pagereading.creep import Creep
from nightrake.pagereading.history import HistoryDrawing, signals
from nightrake.pagereading.kept import KeptHistory
from nightrake.pagereading.limit import Limit
from nightrake.pagereading.marks import marks
from nightrake.pagereading.names import NameBook
from nightrake.pagereading.rows import journal
from nightrake.pagereading.sheets import sheet
from nightrake.pagereading.trips import TripRecords

Args = Mapping[str, Any]


class Answers:
    """Answers one question at a time.

    Args:
        state_dir: Folder of the store. config_dir: The settings folder, None = not known.
        now_s, now_utc_ms: The clocks, monotonic and UTC.
        others_wait: Whether somebody else waits for an answer; then this one is kept short.
    """

    def __init__(
        self,
        state_dir: Path,
        config_dir: Path | None = None,
        now_s: Callable[[], float] = time.monotonic,
        now_utc_ms: Callable[[], int] = lambda: time.time_ns() // 1_000_000,
        others_wait: Callable[[], bool] = lambda: False,
    ) -> None:
        self._dir = state_dir
        limit = self._limit = Limit(now_s, others_wait)
        self._kept = KeptHistory(state_dir, now_s)
        self._names = NameBook(self._kept)
        self._drawing = HistoryDrawing(self._kept, now_s, now_utc_ms, limit)
        self._trips = TripRecords(state_dir)
        creep = Creep(state_dir, now_utc_ms)
        self._known: dict[str, Callable[[Args], dict[str, Any]]] = {
            "history": self._history,
            "signals": lambda a: signals(self._kept, str(a["drive"])),
            "marks": lambda a: marks(self._kept, limit, str(a["drive"]), int(a["begin"]), int(a["end"])),
            "trips": lambda a: self._trips.listed(str(a["drive"]), str(a["stage"]), int(a["skip"]), int(a["limit"])),
            "trip": lambda a: self._trips.trip(str(a["trip"]), self._names.names()),
            "trip_readings": self._trip_readings,
            "journal": self._journal,
            "calibration": lambda a: calibration(self._kept, config_dir, str(a["drive"]), now_utc_ms()),
            "sheet": lambda a: sheet(self._kept, str(a["drive"])),
            "creep": lambda a: creep.site(int(a["skip"]), int(a["limit"])),
            "creep_of": lambda a: creep.drive(str(a["drive"])),
            "creep_report": lambda a: creep.report(str(a["name"])),
        }

    def answer(self, what: str, args: Args) -> bytes:
        """The answer as JSON text.

        Raises:
            LookupError: There is no such thing; its argument is the sentence. NightrakeError: It cannot be read now.
        """
        act = self._known.get(what)
        if act is None:
            raise LookupError(f"there is no question '{what[:40]}'")
        self._limit.begin()
        try:
            told = act(args)
        except (KeyError, IndexError) as error:  # which are LookupErrors, but none of ours
            raise RuntimeError(f"{what}: {error}") from error
        return json.dumps(told, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode(errors="replace")

    def _history(self, args: Args) -> dict[str, Any]:
        span = (int(args["begin"]), int(args["end"]))
        return self._drawing.history(str(args["drive"]), str(args["signal"]), *span, int(args["columns"]))

    def _trip_readings(self, args: Args) -> dict[str, Any]:
        return self._trips.readings(str(args["trip"]), int(args["begin"]), int(args["end"]), int(args["columns"]))

    def _journal(self, args: Args) -> dict[str, Any]:
        asked = (str(args["drive"]), int(args["before"]), int(args["limit"]))
        return journal(self._dir, self._names.names(), self._limit, *asked)

    def forget(self) -> None:
        """Close the files: after a fault they are opened anew."""
        self._kept.close()
