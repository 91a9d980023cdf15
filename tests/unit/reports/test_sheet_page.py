"""The page of a data sheet: self-contained, escaped, with its figure, fit to print."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from nightrake.commissioning.judged import judge
from nightrake.commissioning.sheet import Sheet, make_sheet
from nightrake.reports.sheet_page import About, sheet_page
from unit.commissioning.examples import DRIVES, read, sheet_of

ABOUT = About("Fennmark treatment works", "2026-11-01", "0123456789abcdef")
VOID = {"meta", "col", "br", "img", "link", "input", "hr"}


def page_of(sheet: Sheet) -> str:
    """The page."""
    return sheet_page(sheet, judge(sheet), ABOUT)


class Tags(HTMLParser):
    """Every tag with its attributes, what is open, and all text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("drive", DRIVES)
def test_page_needs_nothing_from_outside(drive: str) -> None:
    """No script, no address, no style sheet or font from elsewhere; references lead to the page itself."""
    html = page_of(sheet_of(drive))
    parsed = Tags(html)

    assert parsed.open == []
    assert {"script", "link", "img", "iframe", "object", "base", "form"}.isdisjoint(tag for tag, _ in parsed.tags)
    assert "http:" not in html.lower()
    assert "https:" not in html.lower()
    assert "@import" not in html
    for _, attributes in parsed.tags:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("href", "xlink:href", "src"):
            assert (attributes.get(name) or "#").startswith("#")
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", html))


@pytest.mark.parametrize("drive", DRIVES)
def test_references_of_the_figure_lead_somewhere(drive: str) -> None:
    """Every id is there once, and each reference has its id."""
    parsed = Tags(page_of(sheet_of(drive)))
    ids = [a["id"] for _, a in parsed.tags if a.get("id")]
    targets = {(a.get("xlink:href") or "").removeprefix("#") for _, a in parsed.tags if a.get("xlink:href")}

    assert len(ids) == len(set(ids))
    assert targets
    assert targets <= set(ids)


@pytest.mark.parametrize("drive", DRIVES)
def test_page_says_what_the_sheet_says(drive: str) -> None:
    """Set points in both systems, the figure's marks, each finding, the cautions once, where it is from."""
    sheet = sheet_of(drive)
    text = re.sub(r"\s+", " ", Tags(page_of(sheet)).text.replace("\xa0", " "))

    for finding in judge(sheet):
        assert re.sub(r"\s+", " ", finding.text[1:]) in text
    assert sheet.specification.shutdown is not None
    assert f"{sheet.specification.shutdown.torque_nm / 1000:g} kN.m" in text
    assert "lbf.in" in text
    assert text.count("lock out, verify zero energy") == 1
    assert "Fennmark treatment works" in text
    assert "0123456789abcdef" in text
    for name in ("alarm", "shutdown"):
        assert re.search(rf"{name} -?\d+\.\d mm, [\d.]+ kN\.m", text), "the figure marks both set points"


def test_figure_marks_both_directions() -> None:
    """The thickener's device reads on both sides of zero."""
    text = Tags(page_of(sheet_of("GT1"))).text

    assert "shutdown 20.0 mm, 112.5 kN.m" in text
    assert "shutdown -20.0 mm, 112.5 kN.m" in text


def test_texts_of_the_settings_are_escaped() -> None:
    """Nobody's label becomes markup."""
    evil = "<script>alert(1)</script> & \"'"
    sheet = sheet_of("PC1", {"mounting": evil, "seen_from": evil}, name=evil, machine=evil, device_serial=evil)
    html = page_of(sheet)

    assert "<script" not in html
    assert evil in Tags(html).text


def test_page_prints_on_any_paper() -> None:
    """Margins without a paper size, so A4 and Letter both fit; rows and figure are not cut; heads repeat."""
    html = page_of(sheet_of("PC1"))

    assert "@page" in html
    assert not re.search(r"@page[^}]*\bsize\b", html)
    assert "break-inside: avoid" in html
    assert "table-header-group" in html
    assert not re.search(r"overflow\s*:\s*(hidden|scroll|auto)", re.sub(r"<svg.*?</svg>", "", html, flags=re.DOTALL))


def test_same_sheet_gives_the_same_bytes() -> None:
    """So that two prints can be compared."""
    assert page_of(sheet_of("PC1")) == page_of(sheet_of("PC1"))


def test_sheet_without_arm_has_a_page_without_figure() -> None:
    """What cannot be computed is said, nothing breaks."""
    specification, _ = read("PC1", {"arm": None})
    html = page_of(make_sheet(specification))

    assert "<svg" not in html
    assert "arm.length" in html


def test_every_sheet_of_paper_names_its_drive() -> None:
    """In the margin of each page, with its number; a text that would end the style sheet does not."""
    html = page_of(sheet_of("GT1"))
    assert '@top-right { content: "Data sheet GT1, 2026-11-01, settings 0123456789abcdef"; }' in html

    evil = sheet_page(sheet_of("GT1"), [], About("x", '"} </style><script>\\', "0"))
    assert "<script" not in evil
    assert evil.count("</style>") == html.count("</style>")


def test_numbers_in_sentences_do_not_break_between_thousands() -> None:
    """A line that ends in the middle of a number is misread."""
    assert "(354&nbsp;000 lbf.in)" in page_of(sheet_of("PC1"))
