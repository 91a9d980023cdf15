"""A drive's data sheet as rows, computed from the settings in force as the store keeps them."""

from __future__ import annotations

import json
from typing import Any

from nightrake.commissioning.finding import Verdict
from nightrake.commissioning.judged import judge
from nightrake.commissioning.sheet import make_sheet
from nightrake.commissioning.sheetrows import CAUTIONS, sections
from nightrake.commissioning.stated import read_specification
from nightrake.errors import StoreError
from nightrake.pagereading.calibration import drive_now
from nightrake.pagereading.kept import KeptHistory


def sheet(kept: KeptHistory, drive: str) -> dict[str, Any]:
    """The sheet's sections and findings; without a specification no sections, and a note that says so.

    Raises:
        LookupError: There is no such drive now. StoreError: The settings kept cannot be read.
    """
    spec = drive_now(kept, drive)
    _, history = kept.files()
    then = history.in_force()
    content = history.content_of(then.digest) if then is not None else ""
    try:
        table = json.loads(content or "{}").get("settings", {}).get("drive", {}).get(drive, {}).get("specification")
    except (ValueError, AttributeError, RecursionError) as error:
        raise StoreError("the settings kept in the store cannot be read, so there is no data sheet") from error
    head = {"drive": drive, "name": spec.name, "device_serial": spec.device_serial}
    if not isinstance(table, dict):
        note = f"drive {drive} has no specification; add [drive.{drive}.specification] to the settings"
        return {**head, "sections": [], "findings": [], "cautions": [], "notes": [note]}
    specification, slips = read_specification(spec, table)
    if slips:
        note = f"drive {drive}: its specification has mistakes, so there is no data sheet; nightrake check names them"
        return {**head, "sections": [], "findings": [], "cautions": [], "notes": [note]}
    made = make_sheet(specification)
    return {
        **head,
        "sections": [{"title": s.title, "rows": [row._asdict() for row in s.rows]} for s in sections(made)],
        "findings": [
            {"subject": f.subject, "verdict": str(f.verdict), "text": f.text, "source": f.source}
            for f in judge(made)
            if f.verdict is not Verdict.OK
        ],
        "cautions": list(CAUTIONS),
        "notes": [],
    }
