"""What records rest on, sealed or in the hot tail: read plans, settings, snapshots, clock segments."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self, TypeVar

from nightrake.alarms.response import Response
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import SiteSpec
from nightrake.errors import StoreError
from nightrake.history.cutting import Marks
from nightrake.kept import plan_from_json
from nightrake.keptsettings import BUILT, from_built
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.tail import Tail, digest_in
from nightrake.longterm.writing import FILE, LIFE

T = TypeVar("T")
AT_HAND = 64
"""Read plans and settings kept at hand."""


class SettingsThen(NamedTuple):
    """Settings that were in force.

    Attributes:
        digest: Of their content. site: With the calibration curves in its drives. response: What they say about alarms.
    """

    digest: str
    site: SiteSpec
    response: Response


class Kept:
    """Both files of one site's history; used by one thread at a time.

    Args:
        state_dir: Folder of the store.
        is_lenient: Where the sealed part cannot be read, the hot tail will do: for people who look, not for what goes
            on with all that there is.

    Attributes:
        unread: Why the sealed part is not read, in a sentence; "" = it is.

    Raises:
        StoreError: Neither store nor history can be read.
    """

    def __init__(self, state_dir: Path, *, is_lenient: bool = False) -> None:
        self._dir, self._is_lenient = state_dir, is_lenient
        self.unread = ""
        self._tail: Tail | None = None
        self._blocks: Blocks | None = None
        self._settings: dict[str, SettingsThen] = {}
        self._plans: dict[str, ReadPlan] = {}
        if (state_dir / FILE).exists():
            self._open()
        if (state_dir / "store.db").exists() or self._blocks is None:
            self._tail = Tail(state_dir)

    def _open(self) -> None:
        """Open the sealed part; where it cannot be read and the tail will do, note why."""
        try:
            self._blocks = Blocks(self._dir)
            if self._is_lenient:
                _look_over(self._blocks)
        except StoreError as error:
            if not self._is_lenient or not (self._dir / "store.db").exists():
                raise
            self.unread = str(error)
            if self._blocks is not None:
                self._blocks.close()
                self._blocks = None

    def close(self) -> None:
        """Close both files."""
        for file in (self._tail, self._blocks):
            if file is not None:
                file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _file(self) -> Blocks | None:
        """The sealed part, as soon as the worker has made it."""
        if self.unread:
            return None
        if self._blocks is None and (self._dir / FILE).exists():
            self._open()
        if self._blocks is not None and not self._blocks.ready:
            self._blocks.close()
            self._blocks = None
            self._open()
        return self._blocks if self._blocks is not None and self._blocks.ready else None

    def _sealed(self) -> tuple[int, int]:
        """The present life, and up to which input of it is sealed."""
        file = self._file()
        return file.sealed() if file is not None else (0, 0)

    # --- what records rest on -----------------------------------------------------------------------------------------

    def layout(self, layout: str) -> ReadPlan | None:
        """The read plan kept under an id."""
        plan = self._plans.get(layout)
        if plan is None:
            plan = self._plan(layout)
            if plan is not None:
                _keep(self._plans, layout, plan)
        return plan

    def plan_of(self, layout: str) -> ReadPlan:
        """The read plan of an id.

        Raises:
            StoreError: It is not kept.
        """
        plan = self.layout(layout)
        if plan is None:
            raise StoreError(f"{self._dir}: the read plan {layout} is not kept, so what was read by it has no meaning")
        return plan

    def _plan(self, layout: str) -> ReadPlan | None:
        file = self._file()
        content = file.layout(layout) if file is not None else None
        if content is None and self._tail is not None:
            content = self._tail.layout(layout)
        return plan_from_json(content) if content else None

    def settings_of(self, digest: str) -> SettingsThen | None:
        """The settings of a digest; None where they are not kept as built.

        Raises:
            StoreError: They are damaged, or another program's.
        """
        if not digest or digest in self._settings:
            return self._settings.get(digest)
        file = self._file()
        text = file.built(digest) if file is not None else ""
        if not text and self._tail is not None:
            text = self._tail.content(digest + BUILT)
        if not text:
            return None
        then = SettingsThen(digest, *from_built(text))
        _keep(self._settings, digest, then)
        return then

    def settings_at(self, seq: int) -> SettingsThen | None:
        """The settings in force when an input of the present life was taken in; None where they are not kept."""
        file, (life, sealed) = self._file(), self._sealed()
        if file is not None and seq <= sealed:
            return self.settings_of(file.digest_at(life * LIFE + seq))
        digest = self._marks().of(seq)
        return self.settings_of(digest) if digest else None

    def _all_settings(self) -> list[SettingsThen]:
        file = self._file()
        digests = file.digests() if file is not None else []
        if self._tail is not None:
            digests += [key for key in self._tail.digests() if not key.endswith(BUILT)]
        return [then for digest in dict.fromkeys(digests) if (then := self.settings_of(digest)) is not None]

    def _marks(self) -> Marks:
        """Settings in force after what is sealed."""
        file, (life, sealed) = self._file(), self._sealed()
        before = file.digest_at(life * LIFE + sealed) if file is not None else ""
        told: list[tuple[int, str]] = []
        if self._tail is not None:
            told = [(s + 1, digest_in(self._tail.snapshot(s))) for s, _ in self._tail.snapshots(sealed - 1)]
            told += self._tail.reloads(sealed)
        told = sorted(one for one in told if one[1])
        first = told[0][1] if told and not before else before
        return Marks([seq for seq, _ in told], [digest for _, digest in told], first)

    def snapshots(self) -> list[tuple[int, int]]:
        """Snapshots of the present life, oldest first: (input seq, UTC ms)."""
        file, (life, _) = self._file(), self._sealed()
        begin = life * LIFE
        found = dict(file.snapshots(begin, begin + LIFE - 1)) if file is not None else {}
        kept = {place - begin: utc_ms for place, utc_ms in found.items()}
        if self._tail is not None:
            kept |= dict(self._tail.snapshots(-1))
        return sorted(kept.items())

    def snapshot_before(self, seq: int) -> tuple[int, int, bytes] | None:
        """The latest snapshot at or before an input of the present life: (input seq, UTC ms, payload)."""
        file, (life, _) = self._file(), self._sealed()
        begin = life * LIFE
        found = self._tail.snapshot_before(seq) if self._tail is not None else None
        sealed = file.snapshot_before(begin, begin + seq) if file is not None else None
        if sealed is not None and (found is None or sealed[0] - begin > found[0]):
            return sealed[0] - begin, sealed[1], sealed[2]
        return found

    def boots(self) -> list[tuple[int, str]]:
        """Starts of the machine in the present life: (first input number, boot id), oldest first."""
        file, (life, _) = self._file(), self._sealed()
        found = file.boots(life * LIFE) if file is not None else []
        return sorted(dict.fromkeys([*found, *(self._tail.boots() if self._tail is not None else ())]))

    def segments(self) -> list[tuple[str, int, int, bool]]:
        """Clock segments: (boot id, start mono ns, start UTC ms, trusted)."""
        file = self._file()
        found = file.segments() if file is not None else []
        return list(dict.fromkeys([*found, *(self._tail.segments() if self._tail is not None else ())]))


def _look_over(file: Blocks) -> None:
    """Read what everything else rests on. Raises StoreError where it cannot be read."""
    if not file.ready:
        return
    file.sealed(), file.digests(), file.boots(0), file.segments(), file.span_ms()
    for table, key in (
        ("name", "id"),
        ("cut", "last_place"),
        ("period", "place"),
        ("snapshot", "place"),
        ("block", "id"),
    ):
        file.ask(f"select min({key}), max({key}) from {table}")


def _keep(at_hand: dict[str, T], key: str, value: T) -> None:
    """Keep a value at hand, in the place of the oldest if there are many."""
    if len(at_hand) >= AT_HAND:
        del at_hand[next(iter(at_hand))]
    at_hand[key] = value
