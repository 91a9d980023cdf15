"""Trip records within the history worker: opened, kept, told; trouble with them holds up nothing else."""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import apsw

from nightrake.errors import NightrakeError, StoreError
from nightrake.history.triprecord import RecordFault
from nightrake.journal.reader import Reader
from nightrake.longterm.tripfolder import FOLDER
from nightrake.longterm.tripreading import TripReading
from nightrake.longterm.triproom import GivenUp, given_up
from nightrake.longterm.trips import Trips

TOLD = 100
"""Of the records that were given up so many, the newest, are named to the watch, which makes a row of each, once."""


class TripKeeping:
    """Keeps a site's trip records.

    Args:
        state_dir: Folder of the store. quota_mb, alive: See `Trips`.

    Attributes:
        error: What is wrong with them now, one sentence; "" = nothing.
    """

    def __init__(self, state_dir: Path, quota_mb: int, alive: Callable[[], None]) -> None:
        self._dir, self._quota_mb, self._alive = state_dir, quota_mb, alive
        self._rows: Reader | None = None
        self._reading: TripReading | None = None
        self._trips: Trips | None = None
        self._given_up = self._gone = self._count = 0
        self._refused = ""
        self._named = False
        self._to_name: list[tuple[str, str, int, int]] = []
        self.error = ""

    def turn(self) -> None:
        """Look at what is new; afterwards `error` says whether that went well."""
        try:
            trips = self._opened()
            trips.turn()
            if not self._named or trips.given_up != self._gone:
                self._to_name = [(one.name, one.alarm, one.utc_ms, one.bytes) for one in self._newest_gone()]
                self._named = True
            self._count, self._gone = trips.count, trips.given_up
            self._refused, self.error = trips.refused[0] if trips.refused else "", ""
        except (NightrakeError, RecordFault, apsw.Error, OSError, EOFError, zlib.error) as error:
            words = str(error) if isinstance(error, StoreError) else f"{self._dir / FOLDER}: {error}"
            self.error = f"trip records cannot be kept: {words}"
            self.close()

    def _opened(self) -> Trips:
        if self._rows is not None and self._rows.is_left():
            self.close()  # the store was begun anew
        if self._trips is None:
            self._rows = Reader(self._dir / "store.db")
            self._reading = TripReading(self._dir)
            self._trips = Trips(self._dir, self._rows, self._reading, self._quota_mb, alive=self._alive)
        return self._trips

    def _newest_gone(self) -> list[GivenUp]:
        return given_up(self._dir / FOLDER)[-TOLD:]

    def facts(self) -> dict[str, Any]:
        """For the watch: its status, and once what is a row of the journal."""
        gone, self._to_name = self._to_name, []
        return {
            "trips_gone": gone,
            "trips": self._count,
            "trips_given_up": self._given_up + self._gone,
            "trips_refused": self._refused[:300],
        }

    def close(self) -> None:
        """Close the files; the next turn opens them anew."""
        self._given_up, self._gone = self._given_up + self._gone, 0
        for file in (self._rows, self._reading):
            if file is not None:
                with contextlib.suppress(apsw.Error):
                    file.close()
        self._rows = self._reading = self._trips = None
