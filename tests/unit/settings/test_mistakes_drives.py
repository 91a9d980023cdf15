"""Slips in drives and templates: each told in one sentence of its own."""

from __future__ import annotations

import pytest

from nightrake.alarms.keys import SITE
from nightrake.messages.topics import Topics
from nightrake.settings.names import FIXED
from unit.settings.spoil import Folder, Slip, assert_told

SLIPS = {
    "unknown drive key": Slip("drives.toml", "shift = 10", "shft = 10", "drive.PC2.shft", "did you mean 'shift'?"),
    "missing key": Slip("drives.toml", 'name = "Gravity thickener"\n', "", "drive.GT1.name", "is missing"),
    "not a number": Slip("drives.toml", "alarm_nm = 90000.0", "alarm_nm = nan", "drive.GT1.alarm_nm", "finite"),
    "infinite": Slip(
        "drives.toml", "counts_per_ma = 204.75", "counts_per_ma = inf", "drive.GT1.position.counts_per_ma", "finite"
    ),
    "unknown PLC": Slip("drives.toml", 'plc = "GWC"', 'plc = "GWD"', "drive.GT1.plc", "did you mean 'GWC'?"),
    "unknown template": Slip(
        "drives.toml",
        'template = "secondary"',
        'template = "third"',
        "drive.SC1.template",
        "there are: primary, secondary",
    ),
    "shift without template": Slip("drives.toml", "unit = 3", "unit = 3\nshift = 4 ", "drive.GT1.shift", "has none"),
    "shift over the table": Slip(
        "drives.toml", "shift = 10", "shift = 9999", "drive.PC2.shift", "to 40001, out of the input table"
    ),
    "shift is a text": Slip("drives.toml", "shift = 10", 'shift = "10"', "drive.PC2.shift", "whole number"),
    "template in template": Slip(
        "drives.toml",
        'machine = "secondary clarifier rake"',
        "shift = 7",
        "template.secondary.shift",
        "no place in a template",
    ),
    "forgotten shift": Slip(
        "drives.toml", "shift = 120", "shift = 100", "drive.SC2.contact[0].point", "lacks its shift"
    ),
    "alarm above shutdown": Slip(
        "drives.toml", "alarm_nm = 90000.0", "alarm_nm = 120000.0", "drive.GT1.alarm_nm", "before the shutdown"
    ),
    "alarm at shutdown": Slip(
        "drives.toml", "alarm_nm = 6400.0", "alarm_nm = 8000.0", "drive.SCR1.alarm_nm", "before the shutdown"
    ),
    "reverse alarm above shutdown": Slip(
        "drives.toml",
        "alarm_nm = 90000.0",
        "alarm_reverse_nm = 120000.0\nalarm_nm = 90000.0",
        "drive.GT1.alarm_reverse_nm",
        "before the shutdown",
    ),
    "reverse set point without reverse": Slip(
        "drives.toml",
        "alarm_nm = 6400.0",
        "shutdown_reverse_nm = 7000.0\nalarm_nm = 6400.0",
        "drive.SCR1.shutdown_reverse_nm",
        "senses no reverse direction",
    ),
    "only reverse": Slip(
        "drives.toml",
        'directions = ["forward", "reverse"]',
        'directions = ["reverse"]',
        "drive.GT1.directions",
        "'forward'",
    ),
    "direction twice": Slip(
        "drives.toml",
        'directions = ["forward", "reverse"]',
        'directions = ["reverse", "reverse"]',
        "drive.GT1.directions",
        "two different",
    ),
    "direction not sensed": Slip(
        "drives.toml",
        'directions = ["forward", "reverse"]',
        'directions = ["forward"]',
        "drive.GT1.contact[2].direction",
        "senses forward only",
    ),
    "channel B twice": Slip(
        "drives.toml", 'channel = "B"', 'channel = "A"', "drive.PC1.contact[2]", "second forward shutdown contact"
    ),
    "channel B alone": Slip(
        "drives.toml",
        'stage = "shutdown"\nform = "normally_closed"',
        'stage = "shutdown"\nchannel = "B"\nform = "normally_closed"',
        "drive.PC1.contact[1].channel",
        "no channel A",
    ),
    "debounce": Slip(
        "drives.toml",
        "debounce_operate_s = 0.5",
        "debounce_operate_s = 1.5",
        "drive.PC1.contact[0].debounce_operate_s",
        "1 or less",
    ),
    "debounce in ms": Slip(
        "drives.toml",
        "debounce_operate_s = 0.5",
        "debounce_operate_ms = 500",
        "drive.PC1.contact[0].debounce_operate_ms",
        "did you mean 'debounce_operate_s'?",
    ),
    "negative debounce": Slip(
        "drives.toml",
        "debounce_release_s = 0.5",
        "debounce_release_s = -0.1",
        "drive.PC1.contact[0].debounce_release_s",
        "0 or more",
    ),
    "stale before read": Slip("drives.toml", "turn_s = 20.0", "stale_s = 1.5", "drive.SCR1.stale_s", "2 s or more"),
    "frozen before read": Slip(
        "drives.toml", "turn_s = 20.0", "heartbeat_s = 1.0", "drive.SCR1.heartbeat_s", "the heartbeat is read only"
    ),
    "running before read": Slip(
        "drives.toml", "turn_s = 20.0", "stop_confirm_s = 0.5", "drive.SCR1.stop_confirm_s", "running is read only"
    ),
}


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS)
def test_slip_is_named_where_it_stands(fennmark: Folder, slip: Slip) -> None:
    """One slip in a good folder: its key, its file, a line of its own or of its table, and what to do."""
    assert_told(fennmark, slip)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("site", "a meaning of its own"),
        ("Events", "'events' has a meaning of its own"),
        ("service", "a meaning of its own"),
        ("drive", "a meaning of its own"),
        ("-X", "take it for an option"),
        ("pc1", "differs from drive.PC1 in capital letters only"),
    ],
)
def test_id_that_would_be_taken_for_something_else_is_refused(fennmark: Folder, name: str, words: str) -> None:
    """A fixed part of topics and alarm names, an option, or the file names of another drive."""
    line = fennmark.append(
        "drives.toml", f'[drive.{name}]\ntemplate = "secondary"\nname = "X"\nplc = "PLCB"\nshift = 300'
    )

    (mistake,) = fennmark.mistakes()

    assert (mistake.key, mistake.line) == (f"drive.{name}", line)
    assert words in mistake.text


def test_fixed_names_are_those_of_topics_and_alarms() -> None:
    """Whoever adds a fixed level adds it to what no drive may be called."""
    topics = Topics("root", "s")
    levels = {t.removeprefix("root/s/").split("/")[0] for t in (topics.service, topics.events, topics.drives)}

    assert {*levels, SITE} <= set(FIXED)
