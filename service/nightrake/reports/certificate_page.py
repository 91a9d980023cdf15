"""The certificate of a proving as one page: contacts as found and as left, curve, residuals, uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes

from nightrake.commissioning.proving import AS_LEFT
from nightrake.commissioning.record import Record
from nightrake.commissioning.recordremarks import MARK, remarks
from nightrake.commissioning.verdicts import NOT_PROVED, Verdict, all_passed
from nightrake.domain.site import DriveSpec
from nightrake.reports.figure import INK, svg_of_stack
from nightrake.reports.page import render

MARKERS = {"rising": "^", "falling": "v"}


def certificate_page(
    record: Record, ref: str, verdicts: Sequence[Verdict], drive: DriveSpec, site: str, more: Sequence[str] = ()
) -> str:
    """The whole page as HTML.

    Args:
        record: As made. ref: Its reference. verdicts: One for each contact and state. site: Its name.
        more: What has to be said of the record beside its own remarks.
    """
    content = record.content
    return render(
        "certificate.html",
        title=f"Certificate of proving {drive.id} {content.direction}",
        drive=drive,
        site=site,
        content=content,
        ref=ref,
        digest=record.digest,
        head=_head(record),
        paper=f"Certificate {ref}, digest {record.digest[:16]}",
        result=_whole(verdicts),
        contacts=[_contact(v) for v in verdicts],
        figure=_figure(record, verdicts),
        results=_results(record, more),
        points=_points(record),
    )


def _head(record: Record) -> list[tuple[tuple[str, str], tuple[str, str]]]:
    content = record.content
    standard_pct = content.reference_uncertainty_pct
    method_pct = content.method_uncertainty_pct
    left = [
        ("Device serial", content.device_serial),
        ("Made on", content.made_on),
        ("Place", content.place or "not stated"),
        ("Ambient", "not stated" if content.ambient_c is None else f"{content.ambient_c:g} °C"),
    ]
    right = [
        ("Reference", content.reference_standard or "not stated"),
        ("Its uncertainty", "not stated" if standard_pct is None else f"{standard_pct:g} % of reading (k = 2)"),
        (
            "Method",
            " ".join(x for x in (content.method, f"({content.method_detail})" if content.method_detail else "") if x),
        ),
        ("Due again", content.due_on or "not stated"),
    ]
    if method_pct:
        right[2] = (right[2][0], f"{right[2][1]}, {method_pct:g} % (k = 2)")
    return list(zip(left, right, strict=True))


def _whole(verdicts: Sequence[Verdict]) -> str:
    """What is to be said of all of them; where contacts were adjusted, of how they were left."""
    left = ", as left" if any(v.figures.state == AS_LEFT for v in verdicts) else ""
    return ("all pass" if all_passed(verdicts) else "NOT all pass") + left


def _contact(verdict: Verdict) -> dict[str, str]:
    figures = verdict.figures
    torque = "-"
    if verdict.torque_nm is not None:
        each = ", ".join(f"{t / 1000:.2f}" for t in verdict.worth.each_nm)
        torque = f"{each} ±{verdict.uncertainty_nm / 1000:.2f}{verdict.mark}"
    return {
        "name": f"{figures.stage} {figures.channel}",
        "state": figures.state,
        "operates": _places(figures.operated_mm),
        "releases": _places(figures.released_mm),
        "torque": torque,
        "set_to": f"{verdict.set_nm / 1000:.2f} ±{verdict.tolerance_nm / 1000:.2f}",
        "verdict": verdict.result,
        "why": "; ".join(verdict.why),
        "mark": "" if verdict.passed else "look" if verdict.result == NOT_PROVED else "wrong",
    }


def _places(values_mm: Sequence[float]) -> str:
    return ", ".join(f"{x:.2f}" for x in values_mm) or "not seen"


def _points(record: Record) -> list[tuple[str, ...]]:
    """Run and branch, torque, position as read, and how far the point lies off its own branch."""
    fit = record.fit
    rows: list[tuple[str, ...]] = []
    for p in record.content.points:
        own = fit.rising if p.branch == "rising" else fit.falling
        x, t = p.pair
        off_nm = t - float(own.at([x])[0])
        rows.append((f"{p.run} {p.branch}", f"{p.torque_nm / 1000:.3f}", f"{p.position_mm:.3f}", f"{round(off_nm):+d}"))
    return rows


def _results(record: Record, more: Sequence[str]) -> list[tuple[str, str]]:
    fit, result = record.fit, record.budget.result
    worst = int(np.argmax(result.expanded_nm))
    dof, mark = float(result.dof[worst]), MARK if record.budget.left_out else ""
    rows = [
        ("Curve", f"{fit.form}; from {fit.from_mm:g} to {fit.to_mm:g} mm"),
        (
            "Expanded uncertainty (95 %)",
            f"at most {result.expanded_nm[worst] / 1000:.3g}{mark} kN.m, k = {result.k[worst]:.2f}, "
            f"{'many' if dof > 1000 else f'{dof:.0f}'} effective degrees of freedom",
        ),
        (
            "Rising and falling apart by",
            f"{2.0 * float(np.max(np.abs(fit.half_gap(record.budget.position_mm)))):.0f} N.m",
        ),
        (
            "Points about their branch",
            f"{fit.scatter_sd:.0f} N.m standard deviation, {len(record.content.points)} points",
        ),
    ]
    if fit.test is not None:
        rows.append(
            ("Form chosen by", f"{fit.test.name}: F = {fit.test.f:.3g}, p = {fit.test.p:.2g} for the straight line")
        )
    rows += [("Look at this", text) for text in (*remarks(record), *more)]
    if record.content.remarks:
        rows.append(("Remarks", record.content.remarks))
    return rows


def _figure(record: Record, verdicts: Sequence[Verdict]) -> Markup:
    """Curve and residuals as one figure, so that one position stands at one place in both."""
    title = "applied torque against arm position with the fitted curve, and what each point lies off its branch"
    return svg_of_stack([(_curve(record, verdicts), 1.6), (_residuals(record), 1.0)], "curve", title, height_in=2.6)


def _curve(record: Record, verdicts: Sequence[Verdict]) -> Callable[[Axes], None]:
    fit = record.fit
    x, limits = np.linspace(fit.from_mm, fit.to_mm, 101), _limits(record)

    def draw(axes: Axes) -> None:
        axes.plot(x, fit.at(x) / 1000.0, color="#1f3b5c", label="mean curve")
        for branch, marker in MARKERS.items():
            pairs = [p.pair for p in record.content.points if p.branch == branch]
            axes.plot(
                [p for p, _ in pairs],
                [t / 1000.0 for _, t in pairs],
                marker,
                color=INK,
                markersize=4.0,
                markerfacecolor="white",
                label=branch,
            )
        for stage, places in _lines(verdicts).items():
            for at_mm in places:
                axes.axvline(at_mm, color=INK, linewidth=0.8, linestyle="--" if stage == "alarm" else "-")
            place = (places[0] - 0.1, 0.02)
            axes.annotate(stage, place, xycoords=("data", "axes fraction"), rotation=90, ha="right", fontsize=7)
        axes.set_xlim(*limits)
        axes.set_ylabel("torque, kN.m")
        axes.legend(loc="upper left", ncols=3)

    return draw


def _limits(record: Record) -> tuple[float, float]:
    """Both figures share their positions."""
    places = [p.pair[0] for p in record.content.points]
    return min(0.0, *places), 1.03 * max(places)


def _lines(verdicts: Sequence[Verdict]) -> dict[str, list[float]]:
    """Where each stage operates now: its first contact, as left where there is such a figure."""
    found: dict[str, list[float]] = {}
    for state in ("as left", "as found"):
        for verdict in verdicts:
            figures = verdict.figures
            if figures.state == state and figures.operated_mm:
                found.setdefault(figures.stage, sorted(abs(x) for x in figures.operated_mm))
    return found


def _residuals(record: Record) -> Callable[[Axes], None]:
    fit, budget = record.fit, record.budget

    def draw(axes: Axes) -> None:
        for branch, marker in MARKERS.items():
            own = fit.rising if branch == "rising" else fit.falling
            pairs = [p.pair for p in record.content.points if p.branch == branch]
            off = [t - float(own.at([p])[0]) for p, t in pairs]
            axes.plot([p for p, _ in pairs], off, marker, color=INK, markersize=4.0, markerfacecolor="white")
        for sign in (-1.0, 1.0):
            axes.plot(
                budget.position_mm, sign * budget.result.expanded_nm, color="#1f3b5c", linewidth=1.0, linestyle="--"
            )
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.set_xlabel("arm position from rest, mm (magnitude)")
        axes.set_ylabel("off, N.m")

    return draw
