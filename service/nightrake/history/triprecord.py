"""What a trip record says of itself, and its rows and readings as text: the form of the files. Pure.

NAME.zip  README.txt   this form, for people
          record.json  which trip, from when to when, why it ends, how much is in it, hash of each other file
          settings.json  the drive as its settings had it, calibration records included, for each settings digest
          events.jsonl   journal rows of the drive, and of no drive, in its time: one object a line
          readings-PLC.csv   every scan of a PLC that read anything of the drive, one line each
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from nightrake.commissioning.convert import ABSENT, BELOW, BEYOND, EXACT
from nightrake.domain.inputs import Got
from nightrake.domain.rows import Row, canonical
from nightrake.history.series import NOT_A_NUMBER, TOO_SHORT
from nightrake.history.trips import At, Key, Trip, is_named
from nightrake.history.tripscans import NOT_ASKED, Scans, Torque

FORM = "nightrake trip record 1"
EXACTNESS = {EXACT: "exact", BELOW: "below", BEYOND: "beyond", ABSENT: "absent"}
OUTCOMES = {int(g): g.name.lower() for g in Got} | {NOT_A_NUMBER: "not_a_number", TOO_SHORT: "too_short"}
STAMPS = ("utc", "mono_ns", "input")
TORQUE = ("position_mm", "torque_nm", "torque_uncertainty_nm", "torque_is")
NOT_GOOD = "not_good"
README = """\
{name}
One trip of drive {drive}, as nightrake kept it. Times are UTC unless a name says otherwise.

record.json        The trip: alarm and occurrence, when, from when to when, why the record ends there, how much is in
                   it, and size and SHA-256 of each other file.
settings.json      The drive as the settings had it (points, contacts, transducer, set points) with the calibration
                   records in force, by the digest of the settings.
events.jsonl       Journal rows of this drive, and of no drive, in the record's time; one JSON object a line, with its
                   hash and that of the row before.
readings-PLC.csv   Every scan of that PLC that read anything of the drive. utc: end of the scan. mono_ns: the
                   machine's monotonic clock. input: number of the recorded input. Then the points by name, scaled
                   as the settings say, bits as 0 and 1; empty = not asked, or not good: then not_good says why.
                   position_mm: arm position. torque_nm: output torque by the calibration record in force, negative in
                   the reverse direction; torque_is: exact, below or beyond the calibrated span (then torque_nm is
                   its end), or absent. torque_uncertainty_nm: expanded uncertainty (95 %), empty = not stated.

This is a record of what was read. It shows nothing to be safe: before anybody acts near the machine the usual
cautions, the manufacturer's instructions and local codes stand first.
"""


class RecordFault(ValueError):
    """Text that is no part of a trip record."""


class Part(NamedTuple):
    """What was added to a record at one time.

    Attributes:
        from_seq, to_seq: Input numbers it was read from, both included. at: Up to when.
        last_row: Journal rows up to this number were looked at.
        readings, events: How many it has. files: Their names.
    """

    from_seq: int
    to_seq: int
    at: At
    last_row: int
    readings: int
    events: int
    files: tuple[str, ...]


class Peak(NamedTuple):
    """The largest torque of a record, by magnitude: N.m, what it says, and when."""

    torque_nm: float
    torque_is: str
    utc_ms: int


@dataclass(frozen=True, slots=True)
class Record:
    """One trip record.

    Attributes:
        trip: What it is about. site, site_name: Where. before_ms: How long before it begins.
        after_ms, because: How long after it ends, and why; None = it is open.
        parts: As it grew. settings: (digest, first input number) in force, in order.
        peak: See there, None = no torque at all. remarks: What a reader must know.
        files: Name -> (bytes, SHA-256) once it is whole.
    """

    trip: Trip
    site: str
    site_name: str
    before_ms: int
    after_ms: int | None = None
    because: str = ""
    parts: tuple[Part, ...] = ()
    settings: tuple[tuple[str, int], ...] = ()
    peak: Peak | None = None
    remarks: tuple[str, ...] = ()
    files: Mapping[str, tuple[int, str]] | None = None

    @property
    def name(self) -> str:
        """Of its file."""
        return self.trip.name

    @property
    def is_whole(self) -> bool:
        """Whether nothing more comes."""
        return self.files is not None

    @property
    def readings(self) -> int:
        """Scans in it."""
        return sum(part.readings for part in self.parts)

    @property
    def events(self) -> int:
        """Journal rows in it."""
        return sum(part.events for part in self.parts)


def record_text(record: Record) -> str:
    """A record's head as JSON."""
    at = record.trip.at
    told = {
        "form": FORM,
        "name": record.name,
        "state": "whole" if record.is_whole else "open",
        **asdict(record),
        "at": utc_text(at.utc_ms),
        "from": utc_text(at.utc_ms - record.before_ms),
        "to": utc_text(at.utc_ms + record.after_ms) if record.after_ms is not None else None,
        "readings": record.readings,
        "events": record.events,
    }
    return json.dumps(told, indent=1) + "\n"


def record_of(text: str) -> Record:
    """What `record_text` wrote.

    Raises:
        RecordFault: It is something else.
    """
    try:
        data = json.loads(text)
        if data.get("form") != FORM:
            raise RecordFault(f"its form is {str(data.get('form'))[:60]!r}, not {FORM!r}")
        given = data["trip"]
        over = At(*given["over"]) if given["over"] is not None else None
        trip = Trip(**{**given, "at": At(*given["at"]), "over": over, "occurrences": tuple(given["occurrences"])})
        if not (trip.occurrences and is_named(trip) and all(type(n) is int for n in (*trip.occurrences, *trip.at[1:]))):
            raise RecordFault("it says of no trip")
        files = data["files"]
        return Record(
            trip=trip,
            site=str(data["site"]),
            site_name=str(data["site_name"]),
            before_ms=int(data["before_ms"]),
            after_ms=None if data["after_ms"] is None else int(data["after_ms"]),
            because=str(data["because"]),
            parts=tuple(_part(*p) for p in data["parts"]),
            settings=tuple((str(digest), int(seq)) for digest, seq in data["settings"]),
            peak=Peak(*data["peak"]) if data["peak"] is not None else None,
            remarks=tuple(map(str, data["remarks"])),
            files=None if files is None else {str(n): (int(v[0]), str(v[1])) for n, v in files.items()},
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError) as error:
        raise error if isinstance(error, RecordFault) else RecordFault(f"it cannot be read ({error})") from error


def _part(from_seq: int, to_seq: int, at: Sequence[Any], last_row: int, readings: int, events: int, files: Any) -> Part:
    return Part(from_seq, to_seq, At(*at), last_row, readings, events, tuple(files))


def grown(record: Record, part: Part, peak: Peak | None, settings: Sequence[tuple[str, int]]) -> Record:
    """A record with one part more."""
    known = [digest for digest, _ in record.settings][-1:]
    more = [one for i, one in enumerate(settings) if one[0] not in (known if i == 0 else [settings[i - 1][0]])]
    return replace(
        record,
        parts=(*record.parts, part),
        peak=larger(record.peak, peak),
        settings=(*record.settings, *more),
    )


def larger(one: Peak | None, other: Peak | None) -> Peak | None:
    """The larger of two, the earlier where they are equal."""
    there = [peak for peak in (one, other) if peak is not None]
    return max(there, key=lambda peak: abs(peak.torque_nm), default=None)


def peak_of(scans: Scans) -> Peak | None:
    """The largest torque of some scans."""
    torque = scans.torque
    if torque is None or np.isnan(torque.torque_nm).all():
        return None
    at = int(np.nanargmax(np.abs(torque.torque_nm)))
    return Peak(float(torque.torque_nm[at]), EXACTNESS[int(torque.code[at])], int(scans.utc_ms[at]))


def keys_of(record: Record) -> set[Key]:
    """Occurrences that it holds."""
    return set(record.trip.keys())


# --- rows and readings ------------------------------------------------------------------------------------------------


def utc_text(utc_ms: int) -> str:
    """ISO 8601, ms, of any year."""
    return f"{np.datetime64(utc_ms, 'ms')}Z"


def row_text(row: Row) -> str:
    """A journal row as one line of JSON, with all that its hash is made of."""
    head: dict[str, Any] = {"id": row.id, "utc": utc_text(row.utc_ms), **row._asdict()}
    head |= {"prev_hash": row.prev_hash.hex(), "hash": row.hash.hex()}
    del head["payload"]
    try:
        data = json.loads(row.payload)
        whole = canonical(data) == row.payload
    except (ValueError, TypeError, RecursionError):
        data, whole = None, False
    head |= {"data": data} if whole else {"data": data, "payload_base64": base64.b64encode(row.payload).decode()}
    return json.dumps(head, separators=(",", ":")) + "\n"


def row_of(line: str) -> Row:
    """What `row_text` wrote.

    Raises:
        RecordFault: It is something else.
    """
    try:
        data = json.loads(line)
        raw = data.get("payload_base64")
        payload = canonical(data["data"]) if raw is None else base64.b64decode(raw, validate=True)
        told: dict[str, Any] = {name: data[name] for name in Row._fields if name != "payload"}
        told |= {name: bytes.fromhex(data[name]) for name in ("prev_hash", "hash")}
        return Row(payload=payload, **told)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise RecordFault(f"a row cannot be read ({error})") from error


def header_of(scans: Scans) -> tuple[str, ...]:
    """Names of the columns of some scans."""
    torque = TORQUE if scans.torque is not None else ()
    return (*STAMPS, *scans.values, *torque, NOT_GOOD)


def lines_of(scans: Scans) -> Iterator[str]:
    """Scans as lines of CSV."""
    columns: list[Sequence[str]] = [
        [f"{text}Z" for text in np.datetime_as_string(scans.utc_ms.astype("datetime64[ms]")).tolist()],
        [str(v) for v in scans.mono_ns.tolist()],
        [str(v) for v in scans.seq.tolist()],
        *(_texts(column) for column in scans.values.values()),
        *(_torque_texts(scans.torque) if scans.torque is not None else ()),
        _not_good(scans),
    ]
    return (",".join(cells) + "\n" for cells in zip(*columns, strict=True))


def _texts(column: npt.NDArray[np.float64]) -> list[str]:
    """Numbers so that they come back as they were; "" of NaN."""
    return [_number(v) for v in column.tolist()]


def _number(value: float) -> str:
    if value != value:  # NaN
        return ""
    text = repr(value)
    return text.removesuffix(".0")


def _torque_texts(torque: Torque) -> Iterator[list[str]]:
    yield from (_texts(column) for column in torque[:3])
    yield [EXACTNESS[code] for code in torque.code.tolist()]


def _not_good(scans: Scans) -> list[str]:
    texts = [""] * len(scans.seq)
    for role, quality in scans.quality.items():
        for at in np.flatnonzero((quality != 0) & (quality != NOT_ASKED)).tolist():
            said = f"{role}={OUTCOMES.get(int(quality[at]), 'unknown')}"
            texts[at] = f"{texts[at]};{said}" if texts[at] else said
    return texts
