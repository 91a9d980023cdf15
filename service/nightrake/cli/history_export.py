"""`nightrake history --csv` and `--parquet`: every reading, in a stream that holds little of it at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, BinaryIO

import numpy as np

from nightrake.alarms.zones import Zone, offset_s
from nightrake.domain.cleantext import clean
from nightrake.errors import NightrakeError
from nightrake.history.lanes import Chunk, Column
from nightrake.history.signals import CODE_WORDS, NOT_READ, QUALITY_WORDS, Signal, columns_of
from nightrake.longterm.drivereading import Lane

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")
"""A cell that begins so may be run as a formula by a spreadsheet (common practice, after OWASP's list)."""
GROUP = 100_000
"""Rows in one group of a Parquet file."""
MISSING = (
    "--parquet needs the library pyarrow, which is not installed; install nightrake[parquet], or write --csv instead"
)


class Layout:
    """Which columns a file has, and where each comes from.

    Args:
        signals: In the file's order. lanes: As the chunks have them.
    """

    def __init__(self, signals: Sequence[Signal], lanes: Sequence[Lane]) -> None:
        self.lanes = lanes
        self.columns: list[tuple[str, int, int]] = []
        for signal in signals:
            lane = next(i for i, one in enumerate(lanes) if signal in one.signals)
            for name in columns_of(signal):
                self.columns.append((name, lane, lanes[lane].columns.index(name)))

    def values(self, chunk: Chunk) -> Iterator[tuple[str, Column]]:
        """Each column of some rows; NaN or `NOT_READ` where there is nothing."""
        for name, lane, number in self.columns:
            piece = chunk.lanes[lane][1]
            whole = bool(piece.columns) and piece.columns[number].dtype.kind == "i"
            if not piece.columns:
                missing: Column = np.full(len(chunk.utc_ms), NOT_READ if name.endswith("_is") else np.nan)
                yield name, missing
            else:
                yield name, chunk.column(lane, number, NOT_READ if whole else np.nan)

    def not_good(self, chunk: Chunk) -> list[str]:
        """In words what was asked and not well read, for each row; "" = nothing."""
        words = [""] * len(chunk.utc_ms)
        for number, lane in enumerate(self.lanes):
            if not chunk.lanes[number][1].columns:
                continue
            quality = chunk.column(number, len(lane.columns), 0)
            for row in np.flatnonzero(quality > 0).tolist():
                said = f"{lane.signals[-1].name}: {QUALITY_WORDS.get(int(quality[row]), 'not good')}"
                words[row] = f"{words[row]}; {said}" if words[row] else said
        return words


def csv_parts(layout: Layout, chunks: Iterator[Chunk], zone_of: Callable[[int], Zone]) -> Iterator[tuple[bytes, Chunk]]:
    """The file in parts, each with the rows that it holds; the head comes with the first.

    Args:
        zone_of: The zone of the site at a moment, UTC ms.
    """
    head = ",".join(["utc", "local", *(safe_cell(name) for name, _, _ in layout.columns), "not_good"]) + "\r\n"
    first = True
    for chunk in chunks:
        columns = [_utc(chunk), _local(chunk, zone_of)]
        columns += [_texts(values) for _, values in layout.values(chunk)]
        columns.append([safe_cell(word) for word in layout.not_good(chunk)])
        body = "".join(f"{','.join(cells)}\r\n" for cells in zip(*columns, strict=True))
        yield ((head if first else "") + body).encode(), chunk
        first = False
    if first:
        yield head.encode(), Chunk(np.zeros(0, np.int64), ())


def safe_cell(text: str) -> str:
    """A cell of text that no spreadsheet takes for a formula, and no comma or quotation mark breaks."""
    safe = clean(text, max(1, len(text)))
    if text[:1] in _FORMULA or text.lstrip()[:1] in ("=", "+", "-", "@"):
        safe = f"'{safe}"
    return '"' + safe.replace('"', '""') + '"' if any(c in safe for c in ',"\r\n') else safe


def _utc(chunk: Chunk) -> list[str]:
    return [f"{text}Z" for text in np.datetime_as_string(chunk.utc_ms.astype("datetime64[ms]")).tolist()]


def _local(chunk: Chunk, zone_of: Callable[[int], Zone]) -> list[str]:
    """On the wall, with the offset from UTC."""
    seconds = chunk.utc_ms // 1000
    if not len(seconds):
        return []
    zone = zone_of(int(chunk.utc_ms[0]))
    if offset_s(zone, int(seconds.min())) == offset_s(zone, int(seconds.max())) and np.ptp(seconds) < 30 * 86_400:
        offsets = np.full(len(seconds), offset_s(zone, int(seconds[0])), np.int64)
    else:
        offsets = np.array([offset_s(zone, s) for s in seconds.tolist()], np.int64)
    texts = np.datetime_as_string((chunk.utc_ms + offsets * 1000).astype("datetime64[ms]")).tolist()
    tails = {o: _offset(o) for o in set(offsets.tolist())}
    return [text + tails[offset] for text, offset in zip(texts, offsets.tolist(), strict=True)]


def _offset(seconds: int) -> str:
    minutes = abs(seconds) // 60
    return f"{'-' if seconds < 0 else '+'}{minutes // 60:02}:{minutes % 60:02}"


def _texts(values: Column) -> list[str]:
    if values.dtype.kind == "i":
        return [CODE_WORDS.get(code, "") for code in values.tolist()]
    return ["" if v != v else str(int(v)) if v.is_integer() and abs(v) < 1e15 else repr(v) for v in values.tolist()]


class ParquetFile:
    """A Parquet file that is written in groups of rows.

    Args:
        out: Where to. layout: Its columns. about: Texts that are kept with it.

    Raises:
        NightrakeError: The library is not installed.
    """

    def __init__(self, out: BinaryIO, layout: Layout, about: dict[str, str]) -> None:
        self._arrow, parquet = _libraries()
        arrow = self._arrow
        words = arrow.dictionary(arrow.int8(), arrow.string())
        fields = [arrow.field("utc", arrow.timestamp("ms", tz="UTC"))]
        fields += [
            arrow.field(name, words if name.endswith("_is") else arrow.float64()) for name, _, _ in layout.columns
        ]
        fields.append(arrow.field("not_good", arrow.string()))
        self._schema = arrow.schema(fields, metadata=about)
        self._layout, self._waiting, self._rows = layout, list[Any](), 0
        self._writer = parquet.ParquetWriter(out, self._schema, compression="zstd")

    def add(self, chunk: Chunk) -> None:
        """Some rows more."""
        arrow = self._arrow
        columns = [arrow.array(chunk.utc_ms, arrow.timestamp("ms", tz="UTC"))]
        for name, values in self._layout.values(chunk):
            if name.endswith("_is"):
                texts = [CODE_WORDS.get(int(code)) for code in values.tolist()]
                columns.append(
                    arrow.array(texts, arrow.string()).dictionary_encode().cast(self._schema.field(name).type)
                )
            else:
                columns.append(arrow.array(values.astype(np.float64), arrow.float64(), from_pandas=True))
        columns.append(arrow.array([word or None for word in self._layout.not_good(chunk)], arrow.string()))
        self._waiting.append(arrow.record_batch(columns, schema=self._schema))
        self._rows += len(chunk.utc_ms)
        if self._rows >= GROUP:
            self._flush()

    def _flush(self) -> None:
        if self._waiting:
            table = self._arrow.Table.from_batches(self._waiting, schema=self._schema)
            self._writer.write_table(table.unify_dictionaries(), row_group_size=GROUP)
        self._waiting, self._rows = [], 0

    def close(self) -> None:
        """The rest, and the file's end."""
        self._flush()
        self._writer.close()


def _libraries() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise NightrakeError(MISSING) from error
    return pyarrow, pyarrow.parquet


def check_parquet() -> None:
    """Whether a Parquet file can be written at all. Raises NightrakeError where the library is not installed."""
    _libraries()
