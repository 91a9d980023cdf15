"""kill -9 at every moment of summaries: in the end they are those of an undisturbed worker, to the last bit."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.crashpoint import SUMMARISING
from nightrake.history.rows import DAY_MS, HOUR_MS
from shell.longterm.histories import NOON_MS, Past
from shell.longterm.test_history_kills import Worker
from shell.longterm.test_summarising import everything, same, seal_and_build

AIMS = [f"{name}:{n}" for name in SUMMARISING if "recompute" not in name for n in (1, 2)]


def due(folder: Path) -> int:
    """Hours that are still to be summarised."""
    with closing(apsw.Connection(str(folder / "history.db"))) as db:
        return int(next(iter(db.execute("select count(*) from summary_due")))[0])


@pytest.mark.timeout(120)
def test_kills_leave_summaries_as_if_there_had_been_none(tmp_path: Path) -> None:
    """Four hours over midnight, sealed in pieces of minutes, a kill in each stretch."""
    past = Past(utc_ms=NOON_MS // DAY_MS * DAY_MS + DAY_MS - 2 * HOUR_MS)
    past.snapshot()
    killed = set[str]()
    for aim in AIMS:
        begin = len(past.records)
        past.go(4 * 3_600 // len(AIMS), 15.0)
        past.store(tmp_path, begin)
        worker = Worker(tmp_path, aim)
        worker.go_on()
        killed |= {aim.partition(":")[0]} if worker.process.poll() == -9 else set()
        worker.kill()
    worker = Worker(tmp_path)
    while worker.hear() and (float(str(worker.said[-1]["behind_s"])) >= 240.0 or due(tmp_path)):
        pass
    worker.end()
    undisturbed = tmp_path / "undisturbed"
    undisturbed.mkdir()
    past.store(undisturbed)
    sealed = worker.told
    with closing(apsw.Connection(str(undisturbed / "store.db"))) as db:
        db.execute("delete from tail where seq > ?", (sealed,))
    seal_and_build(undisturbed, build_each=False)

    assert killed == {"before-summary", "mid-summary", "after-summary", "after-day-closed"}
    for drive in ("PC1", "GT1"):
        same(everything(tmp_path, drive), everything(undisturbed, drive))
