"""What has to be said of a record beside its figures: a form that does not fit, an uncertainty that lacks a source."""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.commissioning.branches import TwoBranchFit
from nightrake.commissioning.formtests import Lack
from nightrake.commissioning.points import STRAIGHT_SEGMENTS
from nightrake.commissioning.record import Record
from nightrake.commissioning.uncertainty import BETWEEN_RUNS

MARK = "*"
"""Behind an uncertainty that lacks a source."""


def remarks(record: Record) -> Iterator[str]:
    """One sentence each; nothing for a record without blemish."""
    if record.budget.left_out:
        sources = ", ".join(f"{s} (one run only)" if s == BETWEEN_RUNS else s for s in record.budget.left_out)
        yield f"{MARK} nothing is known of {sources}: it is not in the uncertainty"
    if record.fit.lack is not None and record.fit.lack.shown:
        yield lack_text(record.fit, record.fit.lack)


def lack_text(fit: TwoBranchFit, lack: Lack) -> str:
    """That the form is not that of the points, by how much, and what to do."""
    other = "neither straight line nor quadratic fits" if fit.test is not None else f"the {fit.form} does not fit"
    text = (
        f"{other} these points by its own test ({lack.name}: F = {lack.f:.3g}, p = {lack.p:.2g}): they miss the "
        f"{fit.form} by {lack.size_nm:.0f} N.m (standard deviation; the uncertainty holds it)"
    )
    if fit.form == STRAIGHT_SEGMENTS:
        return f"{text}; look at the points"
    return f"{text}; look at the points, or ask for straight segments with form = segments"
