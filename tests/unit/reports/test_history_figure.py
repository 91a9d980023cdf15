"""A drive's history as a picture: a gap stays open, one scan's extreme and one lone column are to be seen."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.image import imread

from nightrake.reports.history_figure import BAND, LINE, NOT_READ, YES, Event, Lane, Picture, _draw_bars, png_of

FROM_MS, STEP_MS, COLUMNS = 1_790_000_000_000, 60_000, 1_000
READ = [*range(400), 600, *range(800, 1_000)]
SPIKE, LONE = 200, 600
Pixels = npt.NDArray[np.float64]


def lane(name: str, low: Pixels, high: Pixels, *, is_yes_or_no: bool = False) -> Lane:
    """A signal that was read in some columns only."""
    gone = np.ones(COLUMNS, bool)
    gone[READ] = False
    utc_ms = FROM_MS + STEP_MS * np.arange(COLUMNS, dtype=np.float64)
    mean = low + 0.01 * (high - low)
    low, mean, high = (np.where(gone, np.nan, values) for values in (low, mean, high))
    return Lane(name, "" if is_yes_or_no else "kN.m", is_yes_or_no, utc_ms, low, mean, high, np.zeros(0))


def pixels() -> Pixels:
    """The picture: level but for one scan, an event at that very time, a contact for one scan only."""
    level, spike = np.full(COLUMNS, 20.0), np.full(COLUMNS, 20.0)
    spike[SPIKE] = 45.0
    once = np.zeros(COLUMNS)
    once[SPIKE] = 1.0
    lanes = [lane("torque", level, spike), lane("forward/alarm/A", np.zeros(COLUMNS), once, is_yes_or_no=True)]
    events = [Event(FROM_MS + STEP_MS * SPIKE, "shutdown operated", urgent=True)]
    picture = Picture("PC1", "UTC", 0, STEP_MS, lanes, [("alarm", 32.0)], events)
    return np.asarray(imread(io.BytesIO(png_of(picture))), np.float64)[..., :3]


def near(image: Pixels, colour: str, within: float, over_white: float = 1.0) -> npt.NDArray[np.bool_]:
    """Which pixels have about a colour, laid over white."""
    shade = np.array(list(to_rgb(colour))) * over_white + 1.0 - over_white
    return np.asarray(np.abs(image - shade).max(axis=2) < within)


def test_gap_spike_and_lone_column_are_to_be_seen() -> None:
    """The spike rises over a third of the picture in its own colour though an event's line stands there, too."""
    image = pixels()
    band = near(image, BAND, 0.12).sum(axis=0)
    assert band.argmax() < image.shape[1] // 2
    assert band.max() > image.shape[0] // 3

    line = near(image, LINE, 0.15)
    row = int(line[:, : image.shape[1] // 3].sum(axis=1).argmax())
    drawn = np.flatnonzero(line[row - 2 : row + 3].any(axis=0))
    drawn = drawn[drawn >= drawn[np.flatnonzero(np.diff(drawn) == 1)[0]]]
    edges = np.flatnonzero(np.diff(drawn) > 20)
    assert len(edges) == 2  # a line, the lone column, a line
    lone = drawn[edges[0] + 1 : edges[1] + 1]
    left, right = int(drawn[0]), int(drawn[-1])
    assert 1 <= len(lone) <= 8
    assert abs((lone.mean() - left) / (right - left) - LONE / COLUMNS) < 0.01


def test_contact_of_one_scan_is_to_be_seen() -> None:
    """It is never narrower than a pixel."""
    assert near(pixels(), YES, 0.06, over_white=0.45).sum() > 20


def bars(mean: Pixels) -> list[str]:
    """What is written beside the bars of two contacts."""
    axes = Figure().subplots()
    utc_ms = FROM_MS + STEP_MS * np.arange(len(mean), dtype=np.float64)
    lanes = [Lane(name, "", True, utc_ms, mean, mean, mean, np.zeros(0)) for name in ("running", "alarm")]
    _draw_bars(axes, lanes, Picture("PC1", "UTC", 0, STEP_MS, lanes, [], []))
    legend = axes.get_legend()
    return [text.get_text() for text in legend.get_texts()] if legend is not None else []


def test_rail_over_a_gap_is_explained_once() -> None:
    """It could be taken for a contact that was on; without a gap there is nothing to say."""
    assert bars(np.array([0.0, np.nan, np.nan, 1.0])) == [NOT_READ]
    assert bars(np.array([0.0, 1.0])) == []
