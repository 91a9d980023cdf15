"""A site's drives, judged: a few here, many by two processes. Of a site of any size only verdicts are held."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path

from nightrake.domain.rows import Row
from nightrake.domain.site import DriveSpec
from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.journal.search import Search
from nightrake.learning.days import Side
from nightrake.learning.trend import Trend
from nightrake.learnreading.apart import judged_apart
from nightrake.learnreading.contacts import EVENTS, ContactRows
from nightrake.learnreading.judging import Asked, Failed, Judging, Outcome
from nightrake.learnreading.told import NOTHING, Told, told_of, wanted

ALONE = 8
"""So many drives are judged here; of more, two processes are worth their start."""
Done = Callable[[int, int], object]
"""Told after each drive: how many are done, of how many."""


def journal_of(
    state_dir: Path, period: Period, now_utc_ms: int, contacts: ContactRows | None = None
) -> tuple[dict[str, Told], str]:
    """What the journal says of each drive; last: why it could not be read, "" = it could.

    Args:
        contacts: Takes the rows of contacts, in the same pass.
    """
    path = state_dir / "store.db"
    if not path.is_file():
        return {}, f"{path}: there is no journal; function checks and releases are not known"
    try:
        with closing(Search(path)) as search:
            rows = search.rows(wanted(*period, EVENTS if contacts is not None else ()))
            return told_of(_heard(rows, contacts), now_utc_ms), ""
    except StoreError as error:
        return {}, f"{error}; function checks and releases are not all known"


def _heard(rows: Iterable[Row], contacts: ContactRows | None) -> Iterator[Row]:
    for row in rows:
        if contacts is not None:
            contacts.take(row)
        yield row


def judged(
    asked: Asked, drives: Sequence[DriveSpec], told: Mapping[str, Told], done: Done = lambda count, of: None
) -> list[Outcome]:
    """Every direction of every drive, in the order of the drives.

    Args:
        told: What the journal says, see `journal_of`. done: Progress.

    Raises:
        StoreError: There is no history, or a helping process died.
    """
    work = [(spec, told_about(told, spec)) for spec in drives]
    by_place: dict[int, Outcome] = {}
    with Judging(asked) as judging:  # a history that is not there is said here, once
        alone = len(work) <= ALONE
        here = ((place, judging.outcome(*given)) for place, given in enumerate(work))
        for place, outcome in here if alone else judged_apart(asked, work):
            by_place[place] = outcome
            done(len(by_place), len(work))
    return [by_place[place] for place in range(len(work))]


def detailed(asked: Asked, spec: DriveSpec, told: Mapping[str, Told]) -> list[tuple[Side, Trend]]:
    """Every direction of one drive, with what it was judged by.

    Raises:
        StoreError: The history cannot be read.
    """
    with Judging(asked) as judging:
        return judging.pairs(spec, told_about(told, spec))


def told_about(told: Mapping[str, Told], spec: DriveSpec) -> Told:
    """What the journal says of a drive; of one that it does not name what it says of all."""
    return told.get(spec.id, told.get("", NOTHING))


__all__ = ["Asked", "Failed", "Outcome", "detailed", "journal_of", "judged", "told_about"]
