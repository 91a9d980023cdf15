"""The certificate of a proving as one page: contacts as found and as left, curve, residuals, uncertainty."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes

from nightrake.commissioning.proved import Verdict
from nightrake.commissioning.record import Record
from nightrake.domain.site import DriveSpec
from nightrake.reports.figure import INK, svg_of
from nightrake.reports.page import render

MARKERS = {"rising": "^", "falling": "v"}


def certificate_page(record: Record, ref: str, verdicts: Sequence[Verdict], drive: DriveSpec, site: str) -> str:
    """The whole page as HTML.

    Args:
        record: As made. ref: Its reference. verdicts: One for each contact and state. site: Its name.
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
        contacts=[_contact(v) for v in verdicts],
        figure=_curve_figure(record, verdicts),
        residuals=_residual_figure(record),
        results=_results(record),
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


def _contact(verdict: Verdict) -> dict[str, str]:
    figures = verdict.figures
    torque = verdict.torque_nm
    word = "not proved" if torque is None else "pass" if verdict.passed else "fail"
    return {
        "name": f"{figures.stage} {figures.channel}",
        "state": figures.state,
        "operates": _mm(figures.operating_mm),
        "releases": _mm(figures.release_mm),
        "torque": "-" if torque is None else f"{torque / 1000:.2f} ±{verdict.uncertainty_nm / 1000:.2f} kN.m",
        "set_to": f"{verdict.set_nm / 1000:.2f} ±{verdict.tolerance_nm / 1000:.2f}",
        "verdict": f"{word}, close to the limit" if verdict.close and torque is not None else word,
        "mark": "" if verdict.passed else "wrong",
    }


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f} mm"


def _results(record: Record) -> list[tuple[str, str]]:
    fit, result = record.fit, record.budget.result
    worst = int(np.argmax(result.expanded_nm))
    dof = float(result.dof[worst])
    rows = [
        ("Curve", f"{fit.form}; from {fit.from_mm:g} to {fit.to_mm:g} mm"),
        (
            "Expanded uncertainty (95 %)",
            f"at most {result.expanded_nm[worst] / 1000:.3g} kN.m, k = {result.k[worst]:.2f}, "
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
    if record.budget.left_out:
        rows.append(("Not in the budget", f"{', '.join(record.budget.left_out)} (nothing was stated)"))
    return rows


def _curve_figure(record: Record, verdicts: Sequence[Verdict]) -> Markup:
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
        for stage, at_mm in _lines(verdicts).items():
            axes.axvline(at_mm, color=INK, linewidth=0.8, linestyle="--" if stage == "alarm" else "-")
            place = (at_mm - 0.1, 0.02)
            axes.annotate(stage, place, xycoords=("data", "axes fraction"), rotation=90, ha="right", fontsize=7)
        axes.set_xlim(*limits)
        axes.set_ylabel("torque, kN.m")
        axes.legend(loc="upper left", ncols=3)

    return svg_of(draw, "curve", "applied torque against arm position with the fitted curve", height_in=1.75)


def _limits(record: Record) -> tuple[float, float]:
    """Both figures share their positions."""
    places = [p.pair[0] for p in record.content.points]
    return min(0.0, *places), 1.03 * max(places)


def _lines(verdicts: Sequence[Verdict]) -> dict[str, float]:
    """Where each stage operates now: its first contact, as left where there is such a figure."""
    found: dict[str, float] = {}
    for state in ("as left", "as found"):
        for verdict in verdicts:
            figures = verdict.figures
            if figures.state == state and figures.operating_mm is not None:
                found.setdefault(figures.stage, abs(figures.operating_mm))
    return found


def _residual_figure(record: Record) -> Markup:
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
        axes.set_xlim(*_limits(record))
        axes.set_xlabel("arm position from rest, mm (magnitude)")
        axes.set_ylabel("residual, N.m")

    return svg_of(draw, "residuals", "what each point lies off its branch", height_in=1.15)
