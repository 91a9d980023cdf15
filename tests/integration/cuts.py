"""The ledger of kills: what stood at the PLCs, on the wire to the broker and on disk when the watch was cut off.

Nothing here asks the watch. The PLCs' contacts are the test's own, the wire is a recorder's log (`wire.py`), the
disk is read after the process is dead and before the next one mends anything.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import apsw

from integration.site import until
from nightrake.domain.rows import Row
from nightrake.journal.reader import Reader, read_all

ACK_DELAY_S = 0.08
"""What the broker says comes so much later: wide enough that an event can be caught sent and not acknowledged."""
POST_DELAY_S = 0.2
"""What goes to the store comes so much later: wide enough that a batch can be caught on its way."""
JUDGING, KEPT, SENT, ACKED = "at the PLC", "on disk", "sent", "acknowledged"
"""How far a contact's last news had got at a cut. The first three lie between the edge and the broker's
acknowledgement; the last means that the cursor on disk did not say so yet."""


class Line:
    """A slow line to a port, cut with the watch; `port` is its near end.

    Args:
        far_port: Where it leads. there_s, back_s: How late what is said arrives. log: For the events on it, or "-".
    """

    def __init__(self, far_port: int, there_s: float, back_s: float, log: str = "-") -> None:
        script = Path(__file__).with_name("wire.py")
        self._process = subprocess.Popen(
            [sys.executable, str(script), str(far_port), log, str(there_s), str(back_s)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        self.port = int(self._process.stdout.readline())

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait(5.0)
        if self._process.stdout is not None:
            self._process.stdout.close()


class Wire(Line):
    """The line between watch and broker, with everything that the watch told and was told there.

    Args:
        broker_port: The broker's. file: For its log.
    """

    def __init__(self, broker_port: int, file: Path) -> None:
        super().__init__(broker_port, 0.0, ACK_DELAY_S, str(file))
        self._file = file
        self._read = 0
        self._open: set[int] = set()
        self.sent: list[list[dict[str, Any]]] = [[]]
        """Events as the watch sent them, life by life."""
        self.acked: dict[str, dict[str, Any]] = {}
        """Events whose acknowledgement the watch was given, by id, in that order."""

    def look(self) -> bool:
        """Read what is new; True when no connection is open."""
        lines = self._file.read_text(encoding="utf-8").split("\n")[:-1]
        for text in lines[self._read :]:
            line = json.loads(text)
            what, conn = line.pop("what"), line.pop("conn")
            if what == "open":
                self._open.add(conn)
            elif what == "cut":
                self._open.discard(conn)
            elif what == "sent":
                self.sent[-1].append(line)
            else:
                self.acked[line["id"]] = line
        self._read = len(lines)
        return not self._open


@dataclass
class Cut:
    """One kill, as it is found from outside.

    Attributes:
        aim: The moment aimed at. hit: Whether the watch died there (otherwise the test killed it).
        cursor: The broker's cursor on disk. open: Drive -> how far its contact's news had got; empty when all was told.
        flying: Ids of all events sent and not acknowledged.
        again: Ids that the next life sent though an earlier one had.
    """

    aim: str
    hit: bool
    cursor: int
    open: dict[str, str]
    flying: list[str]
    again: list[str] = field(default_factory=list)

    @property
    def between(self) -> bool:
        """Whether it fell between an edge at a PLC and the broker's acknowledgement."""
        return any(stage != ACKED for stage in self.open.values())


class Cuts:
    """All kills of a run.

    Args:
        store: The store's file. wire: The recorder. kinds: Drive -> stage of its contact that moves.
        truth: Drive -> whether that contact is operated; the test's own, read at each cut.
    """

    def __init__(self, store: Path, wire: Wire, kinds: dict[str, str], truth: dict[str, bool]) -> None:
        self._store, self._wire, self.kinds, self._truth = store, wire, kinds, truth
        self.rows: list[Row] = []
        self.cuts: list[Cut] = []
        self.broken: list[str] = []
        """Laws found broken at a cut."""

    def cut(self, aim: str, hit: bool) -> None:
        """The watch is dead: look at everything, then let the next life begin."""
        until(self._wire.look, "the recorder to see the cut")
        on_disk = self.read_rows()
        cursor = self._cursor()
        sent = {e["id"]: e for life in self._wire.sent for e in life}
        acked = self._wire.acked
        name = f"kill {len(self.cuts) + 1} ({aim})"
        for row in self.rows:
            if row.seq <= cursor and row.id not in acked:
                self.broken.append(f"{name}: the cursor {cursor} is past {row.id}, which was not acknowledged")
        self.broken += [
            f"{name}: {e['id']} was told as durable and is not on disk"
            for e in self._wire.sent[-1]
            if e["durable"] and e["id"] not in on_disk
        ]
        flying = [e["id"] for e in self._wire.sent[-1] if e["id"] not in acked]
        self.cuts.append(Cut(aim, hit, cursor, self._open(cursor, sent), flying))
        self._wire.sent.append([])

    def finish(self) -> None:
        """The last life is over: see what each life told again."""
        self._wire.look()
        self.read_rows()
        for number, cut in enumerate(self.cuts, 1):
            before = {e["id"] for life in self._wire.sent[:number] for e in life}
            cut.again = [e["id"] for e in self._wire.sent[number] if e["id"] in before]
            self.broken += [
                f"kill {number} ({cut.aim}): {i} came again, though the cursor on disk was {cut.cursor}"
                for i in cut.again
                if int(i.split("-")[1]) <= cut.cursor
            ]
        for number, life in enumerate(self._wire.sent, 1):
            twice = [i for i, count in Counter(e["id"] for e in life).items() if count > 1]
            self.broken += [f"life {number} sent {i} more than once on one connection" for i in twice]

    def _open(self, cursor: int, sent: dict[str, dict[str, Any]]) -> dict[str, str]:
        """Drives of which the broker had not acknowledged the last news, or the disk not noted that it had."""
        found = {}
        told = {e["drive"]: e for e in self._wire.acked.values() if self._moves(e["drive"], e["event"])}
        kept = {row.drive: row for row in self.rows if self._moves(row.drive, row.event)}
        for drive, operated in self._truth.items():
            row, event = kept.get(drive), told.get(drive)
            if (event is not None and event["event"].endswith("_operated")) == operated:
                if event is not None and event["seq"] > cursor:
                    found[drive] = ACKED
            elif row is None or row.event.endswith("_operated") != operated:
                found[drive] = JUDGING
            else:
                found[drive] = SENT if row.id in sent else KEPT
        return found

    def _moves(self, drive: str, event: str) -> bool:
        return event.removesuffix("_operated").removesuffix("_released") == self.kinds.get(drive, "-") != event

    def _cursor(self) -> int:
        db = apsw.Connection(str(self._store), flags=apsw.SQLITE_OPEN_READONLY)
        seq = db.execute("select seq from cursor where name = 'mqtt'").get
        db.close()
        return int(seq or 0)

    def read_rows(self) -> set[str]:
        """Read what is new on disk; gives the ids of all rows there."""
        reader = Reader(self._store)
        last = self.rows[-1].seq if self.rows else 0
        self.rows += read_all(reader.rows_after, lambda row: row.seq, last)
        reader.close()
        return {row.id for row in self.rows}

    @property
    def share(self) -> float:
        """Share of the kills that fell between an edge at a PLC and the broker's acknowledgement."""
        return sum(cut.between for cut in self.cuts) / len(self.cuts)

    def stages(self) -> Counter[str]:
        """How far events had got at the cuts: stage -> kills that met one there."""
        return Counter(stage for cut in self.cuts for stage in set(cut.open.values()))

    def words(self) -> str:
        """A line for each kill, and what they come to."""
        lines = []
        for n, cut in enumerate(self.cuts, 1):
            news = ", ".join(f"{stage} {count}" for stage, count in sorted(Counter(cut.open.values()).items()))
            where = "there" if cut.hit else "by the test"
            sent, again = len(cut.flying), len(cut.again)
            facts = f"cursor {cut.cursor:6}, unacknowledged {sent:2}, told again {again:2}; open: {news}"
            lines.append(f"{n:3} {cut.aim:18} {where:12} {facts}")
        told = ", ".join(f"{k} {v}" for k, v in sorted(self.stages().items()))
        again = sum(len(cut.again) for cut in self.cuts)
        lines.append(
            f"{len(self.cuts)} kills, {sum(c.hit for c in self.cuts)} where aimed; between edge and acknowledgement: "
            f"{self.share:.0%} ({told}); {len(self.rows)} rows on disk, {again} ids told again"
        )
        return "\n".join(lines)


def missing_numbers(rows: list[Row]) -> set[int]:
    """Journal numbers that no row has."""
    return set(range(1, rows[-1].seq + 1)) - {row.seq for row in rows}


def skipped_numbers(starts: list[Row]) -> set[int]:
    """Journal numbers that the starts say were skipped."""
    spans = [json.loads(row.payload)["numbers_skipped"] for row in starts]
    return {n for span in spans if span for n in range(span[0], span[1] + 1)}
