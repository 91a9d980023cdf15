"""Times in which nobody watched, out of the journal, kept while a chart is moved about them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from nightrake.alarms.told import fact_of, gap_of
from nightrake.history.gaps import TOLD_AFTER_MS, Gap
from nightrake.history.period import Period
from nightrake.journal.reader import HIGHEST
from nightrake.journal.search import Wanted, has_form
from nightrake.pagereading.limit import Limit
from nightrake.pagereading.rows import TooLong, opened

FRESH_S = 2.0
KEPT = 16


class Gaps:
    """Finds them.

    Args:
        state_dir: Folder of the store. now_s: Monotonic seconds. limit: Of the question.
    """

    def __init__(self, state_dir: Path, now_s: Callable[[], float], limit: Limit) -> None:
        self._dir, self._now_s, self._limit = state_dir, now_s, limit
        self._kept: dict[Period, tuple[float, list[Gap]]] = {}

    def within(self, period: Period) -> list[Gap]:
        """Those that ended in a period, or just after it; as many as can be looked up at once, the newest first.

        Raises:
            StoreError: The journal cannot be read.
        """
        kept = self._kept.get(period)
        if kept is not None and self._now_s() - kept[0] < FRESH_S:
            return kept[1]
        wanted = Wanted("", ("service",), (), period.from_ms, period.to_ms + TOLD_AFTER_MS)
        search, found = opened(self._dir, self._limit.anew()), list[Gap]()
        try:
            for row in search.before(wanted, HIGHEST):
                gap = gap_of(fact_of(row)) if row.kind == "service" and has_form(row) else None
                found += [gap] if gap is not None else []
        except TooLong:
            pass  # the oldest stay bridged
        finally:
            search.close()
        while len(self._kept) >= KEPT:
            del self._kept[next(iter(self._kept))]
        self._kept[period] = self._now_s(), found
        return found
