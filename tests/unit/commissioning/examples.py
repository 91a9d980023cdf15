"""Specifications of the example site, with single keys changed."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from nightrake.commissioning.finding import Finding
from nightrake.commissioning.judged import judge
from nightrake.commissioning.reader import Slip
from nightrake.commissioning.sheet import Sheet, make_sheet
from nightrake.commissioning.specification import Specification
from nightrake.commissioning.stated import read_specification
from nightrake.domain.site import DriveSpec
from nightrake.settings import Settings, load

CONFIG = Path(__file__).resolve().parents[3] / "config"
DRIVES = ("PC1", "PC2", "SC1", "SC2", "GT1", "SCR1")
Changes = Mapping[str, Any]
"""Dotted key below the specification (``gear.0.ratio``) -> its new value."""


@cache
def example() -> Settings:
    """The example's settings."""
    return load(CONFIG)


def table_of(drive: str, changes: Changes | None = None) -> dict[str, Any]:
    """A drive's specification as the settings give it, changed."""
    table = copy.deepcopy(example().specifications[drive].model_dump())
    for key, value in (changes or {}).items():
        here: Any = table
        *parts, last = key.split(".")
        for part in parts:
            here = here[int(part)] if isinstance(here, list) else here[part]
        here[last] = value
    return table


def read(drive: str, changes: Changes | None = None, **of_drive: Any) -> tuple[Specification, list[Slip]]:
    """Specification and slips; `of_drive` changes what the watch knows of the drive."""
    spec: DriveSpec = replace(example().site.drives[drive], **of_drive)
    return read_specification(spec, table_of(drive, changes))


def sheet_of(drive: str, changes: Changes | None = None, **of_drive: Any) -> Sheet:
    """The sheet of a specification without slips."""
    specification, slips = read(drive, changes, **of_drive)
    assert slips == []
    return make_sheet(specification)


def findings_of(drive: str, changes: Changes | None = None, **of_drive: Any) -> dict[str, Finding]:
    """Findings by subject."""
    found = judge(sheet_of(drive, changes, **of_drive))
    by_subject = {f.subject: f for f in found}
    assert len(by_subject) == len(found), "two findings of one subject"
    return by_subject
