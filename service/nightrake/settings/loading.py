"""`load`: the one way from a folder to `Settings`."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.domain.readplan import make_plan
from nightrake.domain.recordcurve import utc_ms
from nightrake.domain.site import CalibrationCurve, DriveSpec, EndpointSpec, PointSpec, SiteSpec
from nightrake.errors import ConfigError, Mistake
from nightrake.settings.build import DriveBuilder
from nightrake.settings.calibrations import CalibrationRecord, read_calibrations
from nightrake.settings.doubts import doubts
from nightrake.settings.duty import build_duty
from nightrake.settings.dutydoubts import duty_doubts
from nightrake.settings.folder import Document
from nightrake.settings.kinds import fitting
from nightrake.settings.models import DriveTable, FolderModel
from nightrake.settings.places import check_between, check_within
from nightrake.settings.shells import build_endpoint, check_overload, check_shells
from nightrake.settings.specification import SpecificationCheck, SpecificationTable
from nightrake.settings.taken import ControlSettings, Settings
from nightrake.settings.templates import apply_templates, override
from nightrake.settings.words import note_errors


def load(
    folder: Path,
    overrides: Mapping[str, Any] | None = None,
    *,
    today: date | None = None,
    specification_check: SpecificationCheck | None = None,
) -> Settings:
    """Read and check a settings folder.

    Args:
        folder: The folder.
        overrides: Dotted key (``plc.PLCA.port``) -> value, put in the place of the folder's own. Texts and whole
            numbers are taken as the type that the key needs.
        today: Which calibration records count as made; default: now.
        specification_check: Reads the quantities of the drives' specifications, whose mistakes are told with all
            others; the watch has none, for it needs no specification.

    Returns:
        The settings, when there is no mistake at all.

    Raises:
        ConfigError: With every mistake of every file, by file and line.
    """
    document = Document(folder)
    document.read()
    settings = None
    if document.tables or not document.mistakes:
        day = datetime.now(UTC).date() if today is None else today
        settings = _settings(document, overrides or {}, day, specification_check)
    if settings is None or document.mistakes:
        raise ConfigError(_in_order(document.mistakes))
    return settings


def _settings(
    document: Document, overrides: Mapping[str, Any], today: date, specification_check: SpecificationCheck | None
) -> Settings | None:
    def convert(path: tuple[str | int, ...], value: Any) -> Any:
        return fitting(FolderModel, path, value)

    override(document, {k: v for k, v in overrides.items() if _is_before_templates(k)}, convert)
    unused = apply_templates(document)
    override(document, {k: v for k, v in overrides.items() if not _is_before_templates(k)}, convert)
    _check_unused(document, unused)
    folder = _model(document)
    if folder is None:
        return None
    for table, what in (("plc", "[plc.ID]"), ("drive", "[drive.ID]")):
        if not document.names(table) and not document.broken and table in document.tables:
            document.wrong((table,), f"is empty; a site has at least one {what} table")
    return _build(document, folder, today, specification_check)


def _is_before_templates(key: str) -> bool:
    return key.startswith("template.") or key.endswith((".template", ".shift"))


def _build(
    document: Document, folder: FolderModel, today: date, specification_check: SpecificationCheck | None
) -> Settings | None:
    check_shells(document, folder)
    duty = build_duty(document, folder, today)
    records = read_calibrations(document, folder.drive, today)
    curves: dict[str, list[CalibrationCurve]] = {}
    for record in records:
        curves.setdefault(record.drive, []).append(record.curve)
    endpoints = {i: build_endpoint(document, i, p) for i, p in folder.plc.items()}
    builders = {
        i: DriveBuilder(document, folder, i, d) for i, d in folder.drive.items() if i not in document.unresolved
    }
    drives = {i: b.build(curves.get(i, ())) for i, b in builders.items()}
    for i, drive in drives.items():
        check_within(document, drive, builders[i].paths)
    check_between(document, drives, {i: b.paths for i, b in builders.items()})
    specifications = {i: t for i, d in folder.drive.items() if (t := d.specification) is not None and i in drives}
    if specification_check is not None:
        _check_specifications(document, drives, specifications, specification_check)
    points: dict[str, list[PointSpec]] = {}
    for drive in drives.values():
        for point in drive.points().values():
            points.setdefault(point.endpoint, []).append(point)
    for i, endpoint in endpoints.items():
        if endpoint.min_gap_ns:
            check_overload(document, endpoint, requests_per_s(endpoint, points.get(i, ())))
    if document.mistakes:
        return None
    content = _content(folder, records)
    digest = hashlib.sha256(content.encode()).hexdigest()
    return Settings(
        site=SiteSpec(folder.site.id, folder.site.name, digest, endpoints, drives),
        digest=digest,
        mqtt=folder.mqtt,
        forward=folder.forward,
        store=folder.store,
        clock=folder.clock,
        control=ControlSettings(Path(folder.control.socket)),
        people=folder.person,
        records=tuple(records),
        today_utc_ms=utc_ms(today),
        duty=duty,
        warnings=(*doubts(folder, drives, records), *duty_doubts(duty, today)),
        content=content,
        specifications=specifications,
    )


def _check_specifications(
    document: Document,
    drives: Mapping[str, DriveSpec],
    specifications: Mapping[str, SpecificationTable],
    check: SpecificationCheck,
) -> None:
    for drive, table in specifications.items():
        for path, text in check(drives[drive], table.model_dump()):
            document.wrong(("drive", drive, "specification", *path), text)


def requests_per_s(endpoint: EndpointSpec, points: Iterable[PointSpec]) -> float:
    """How many requests per second one PLC will get for its points."""
    return sum(1e9 / block.period_ns for block in make_plan(endpoint, points).blocks)


def _content(folder: FolderModel, records: list[CalibrationRecord]) -> str:
    """Canonical JSON: sorted keys, defaults written out, templates resolved; paths of this machine left out."""
    content = {
        "settings": folder.model_dump(exclude={"store": {"dir"}, "control": True}),
        "calibrations": {r.curve.ref: r.curve.digest for r in records},
    }
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _model(document: Document) -> FolderModel | None:
    try:
        return FolderModel.model_validate(document.tables)
    except ValidationError as error:
        note_errors(document, error, FolderModel, document.unresolved)
        return _what_is_good(document)


def _what_is_good(document: Document) -> FolderModel | None:
    """The folder without the tables that do not parse, so that mistakes beyond the types are found in the rest too."""
    good: dict[str, Any] = {}
    for key, value in document.tables.items():
        if key not in FolderModel.model_fields:
            continue
        if key in ("plc", "drive", "person", "team", "escalation"):
            if isinstance(value, dict):
                good[key] = {n: v for n, v in value.items() if _parses(key, {n: v})}
        elif _parses(key, value):
            good[key] = value
    good.setdefault("site", {"id": "unnamed", "name": "unnamed"})
    good.setdefault("plc", {})
    good.setdefault("drive", {})
    try:
        return FolderModel.model_validate(good)
    except ValidationError:  # each table parses alone, so all do together
        return None


def _parses(key: str, value: Any) -> bool:
    try:
        FolderModel.model_validate({"site": {"id": "x", "name": "x"}, "plc": {}, "drive": {}, key: value})
    except ValidationError:
        return False
    return True


def _check_unused(document: Document, templates: Mapping[str, Any]) -> None:
    """A template that no drive uses yet is checked as far as one can be."""
    for name, table in templates.items():
        try:
            DriveTable.model_validate({"name": "x", "plc": "x", **table})
        except ValidationError as error:
            note_errors(document, error, FolderModel, frozenset(), ("template", name))


def _in_order(mistakes: list[Mistake]) -> list[Mistake]:
    """By file and line, each once; of what many drives inherit from one place of a template, the first drive's only."""
    first: dict[tuple[object, ...], str] = {}
    kept = []
    for mistake in sorted(dict.fromkeys(mistakes), key=lambda m: (m.file, m.line)):
        table, _, rest = mistake.key.partition(".")
        drive, _, tail = rest.partition(".") if table == "drive" else ("", "", mistake.key)
        if first.setdefault((mistake.file, mistake.line, tail), drive) == drive:
            kept.append(mistake)
    return kept
