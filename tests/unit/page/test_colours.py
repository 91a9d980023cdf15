"""Colours of the page: text can be read on every ground it may stand on, in both looks."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

from nightrake.page import parts

CSS = (Path(parts.__file__).parent / "static" / "page.css").read_text(encoding="utf-8")
TEXTS = ("ink", "soft", "red", "amber", "violet")
GROUNDS = ("ground", "paper", "raised", "wash-red", "wash-amber", "wash-violet")


def block(head: str) -> dict[str, str]:
    """The variables of one rule."""
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", CSS.split(f"{head} {{")[1].split("}")[0]))


LOOKS = {"light": block(":root"), "dark": block(':root[data-theme="dark"]')}


def luminance(colour: str) -> float:
    """Relative luminance. Source: WCAG 2.2, definition of relative luminance."""
    parts_ = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts_)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21. Source: WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_computed_as_published() -> None:
    """Black on white is 21, and #767676 on white just 4.54 (WCAG's own worked figures, the second from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("look", LOOKS)
def test_text_is_readable_on_every_ground(look: str) -> None:
    """At least 4.5:1 (WCAG 2.2, 1.4.3), also for the colours of what is abnormal and inside of filled marks."""
    known = LOOKS[look]
    pairs = [*product(TEXTS, GROUNDS), ("ground", "ink"), *(("on-tone", t) for t in ("red", "amber", "violet"))]
    worst = {pair: contrast(known[pair[0]], known[pair[1]]) for pair in pairs}

    assert {pair: round(ratio, 2) for pair, ratio in worst.items() if ratio < 4.5} == {}


@pytest.mark.parametrize("look", LOOKS)
def test_what_is_no_text_stands_out_too(look: str) -> None:
    """Bars on their track, edges of fields and the mark of the keyboard have 3:1 (WCAG 2.2, 1.4.11)."""
    known = LOOKS[look]
    for one, other in (("value", "track"), ("rule-strong", "paper"), ("rule-strong", "ground"), ("focus", "ground")):
        assert contrast(known[one], known[other]) >= 3.0, (one, other)


def test_dark_is_the_same_by_choice_and_by_device() -> None:
    """The switch and the device's wish give one and the same dark look."""
    assert block(":root:not([data-theme])") == LOOKS["dark"]
    assert set(LOOKS["dark"]) == set(LOOKS["light"])
