"""The certificate: every value that was seen, every point, every remark; fit to print."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from matplotlib.axes import Axes

from nightrake.cli.prove_result import Proved
from nightrake.commissioning.proving import AS_LEFT
from nightrake.reports.certificate_page import certificate_page
from nightrake.reports.figure import svg_of_stack
from unit.commissioning.sessions import ABOUT, drive, edges, good, proved
from unit.commissioning.stands import points
from unit.reports.test_sheet_page import Tags


def page_of(made: Proved) -> str:
    """The page."""
    return certificate_page(made.record, made.ref, made.verdicts, drive(), "Fennmark treatment works")


def words_of(made: Proved) -> str:
    """All text of the page, blanks as one."""
    return " ".join(Tags(page_of(made).replace("</t", " </t")).text.split())


def test_every_single_value_is_printed() -> None:
    """Operations and releases of each state, not their means; and the torque of each."""
    seen = [*edges("alarm", [12.5, 17.4], [14.55, 14.6]), *good(AS_LEFT)]
    words = words_of(proved(seen))

    assert "12.50, 17.40" in words
    assert "14.55, 14.60" in words
    assert re.search(r"28\.0\d, 35\.9\d ±\d\.\d\d\*", words)
    assert "fail 2 of 2" in words
    assert "Contacts: all pass, as left" in words
    assert "alarm A as left 14.95 14.55" in words


@pytest.mark.parametrize(
    ("released", "verdict", "title"), [([], "not proved it was never", "NOT all pass"), ([14.55], "pass", "all pass")]
)
def test_three_verdicts(released: list[float], verdict: str, title: str) -> None:
    """In words, never by colour alone."""
    shutdown = [e for e in good() if e.stage == "shutdown"]
    words = words_of(proved([*edges("alarm", [14.95], released), *shutdown]))

    assert verdict in words
    assert f"Contacts: {title}" in words
    assert ("Releases" in words, "not seen" in words) == (True, not released)


def test_points_notes_and_remarks_are_printed() -> None:
    """Each point as read and how far it lies off; what was noted; what the uncertainty lacks; a form that is wrong."""
    kinked = [replace(p, position_mm=round(p.position_mm - max(0.0, p.position_mm - 12.0) * 0.3, 4)) for p in points()]
    made = proved([], kinked, replace(ABOUT, remarks="ice on the bridge", altered="new springs"))
    words = words_of(made)

    for p in kinked:
        assert re.search(rf"{p.run} {p.branch} {p.torque_nm / 1000:.3f} {p.position_mm:.3f} [+-]\d+", words)
    assert "Remarks ice on the bridge; device altered: new springs" in words
    assert "nothing is known of transducer, temperature" in words
    assert "neither straight line nor quadratic fits these points" in words


def test_both_figures_are_one_so_that_positions_stand_above_one_another() -> None:
    """One picture; its two pairs of axes are equally wide and the labels lie within it."""
    html = page_of(proved())
    (svg,) = re.findall(r"<svg.*?</svg>", html, re.DOTALL)
    width = float(re.search(r'viewBox="0 0 ([\d.]+) ', svg)[1])  # type: ignore[index]
    patches = re.findall(r'id="curve-patch_2">\s*<path d="M ([\d.]+) [\d.]+ *\n?L ([\d.]+)', svg)
    patches += re.findall(r'id="curve-patch_5">\s*<path d="M ([\d.]+) [\d.]+ *\n?L ([\d.]+)', svg)

    assert "torque, kN.m" in svg
    assert "off, N.m" in svg
    assert len({left for left, _ in patches}) == 1
    assert all(0.0 < float(left) < float(right) < width for left, right in patches)


def test_stack_shares_its_positions() -> None:
    """What is drawn wide in one makes the other as wide."""
    limits: list[tuple[float, float]] = []

    def wide(axes: Axes) -> None:
        axes.plot([0.0, 10.0], [0.0, 1.0])

    def narrow(axes: Axes) -> None:
        axes.plot([3.0], [1.0])
        limits.append(axes.get_xlim())

    svg_of_stack([(wide, 2.0), (narrow, 1.0)], "x", "y")

    assert limits[0][1] > 9.0


def test_every_sheet_of_paper_names_the_record() -> None:
    """In the margin, escaped for the style sheet."""
    html = page_of(proved())

    assert '@top-right { content: "Certificate D-1, digest ' in html
    assert "counter(page)" in html


def test_difference_from_the_record_before_is_printed() -> None:
    """Beside the record's own remarks."""
    made = proved()
    page = certificate_page(made.record, made.ref, made.verdicts, drive(), "Fennmark", ["look again: 13 % lower"])

    assert "Look at this look again: 13 % lower" in " ".join(Tags(page.replace("</t", " </t")).text.split())


def test_exact_point_is_off_by_nothing() -> None:
    """Not by minus nothing."""
    exact = [replace(p, position_mm=(p.torque_nm - 8_000.0 + h) / 1_600.0) for p in points()
             for h in [-80.0 if p.branch == "rising" else 80.0]]  # fmt: skip

    assert ">-0<" not in page_of(proved([], exact))
