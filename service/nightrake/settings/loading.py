"""`load`: the one way from a folder to `Settings`."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.alarms.response import Response
from nightrake.domain.readplan import make_plan
from nightrake.domain.recordcurve import utc_ms
from nightrake.domain.site import CalibrationCurve, DriveSpec, EndpointSpec, PointSpec, SiteSpec
from nightrake.errors import ConfigError, Mistake
from nightrake.settings.alarmdoubts import alarm_doubts
from nightrake.settings.build import DriveBuilder
from nightrake.settings.calibrations import CalibrationRecord, read_calibrations
from nightrake.settings.channels import channel_doubts, check_channels
from nightrake.settings.doubts import doubts
from nightrake.settings.duty import build_duty
from nightrake.settings.dutydoubts import duty_doubts
from nightrake.settings.folder import Document
from nightrake.settings.kinds import fitting
from nightrake.settings.learning import learning_doubts
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.mending import mended, not_given
from nightrake.settings.models import DriveTable, FolderModel
from nightrake.settings.names import check_drive_names
from nightrake.settings.page import check_page, page_doubts, without_hashes
from nightrake.settings.places import check_between, check_within
from nightrake.settings.recordingdoubts import recording_doubts
from nightrake.settings.responding import build_response
from nightrake.settings.shells import build_endpoint, check_overload, check_shells
from nightrake.settings.signing import check_keys
from nightrake.settings.specification import SpecificationCheck, SpecificationTable, judged_by
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
        raise ConfigError(_in_order(document))
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
    check_channels(document, folder)
    check_keys(document, folder)
    check_page(document, folder)
    check_drive_names(document)
    duty = build_duty(document, folder, today)
    response = build_response(document, folder, duty, today)
    found = read_calibrations(document, folder.drive, today)
    records = found.in_force
    endpoints = {i: build_endpoint(document, i, p) for i, p in folder.plc.items()}
    drives = _build_drives(document, folder, records, endpoints)
    specifications = {i: t for i, d in folder.drive.items() if (t := d.specification) is not None}
    if specification_check is not None:
        _check_specifications(document, drives, specifications, specification_check)
    if document.mistakes:
        return None
    content = _content(folder, records, response)
    digest = hashlib.sha256(content.encode()).hexdigest()
    site = SiteSpec(folder.site.id, folder.site.name, digest, endpoints, drives)
    return Settings(
        site=site,
        digest=digest,
        mqtt=folder.mqtt,
        forward=folder.forward,
        store=folder.store,
        history=folder.history,
        clock=folder.clock,
        control=ControlSettings(Path(folder.control.socket)),
        people=folder.person,
        records=tuple(records),
        today_utc_ms=utc_ms(today),
        duty=duty,
        response=response,
        warnings=(
            *doubts(folder, drives, found),
            *recording_doubts(site),
            *duty_doubts(duty, today),
            *alarm_doubts(folder, drives, response),
            *channel_doubts(folder),
            *page_doubts(folder),
            *learning_doubts(folder),
        ),
        content=content,
        specifications=specifications,
        page=folder.page,
        learning=folder.learning,
        channels=folder.channel,
        person_limit=folder.person_limit,
    )


def _build_drives(
    document: Document,
    folder: FolderModel,
    records: Iterable[CalibrationRecord],
    endpoints: Mapping[str, EndpointSpec],
) -> dict[str, DriveSpec]:
    """All drives, checked by themselves, against each other and against what the PLCs can bear."""
    curves: dict[str, list[CalibrationCurve]] = {}
    for record in records:
        curves.setdefault(record.drive, []).append(record.curve)
    builders = {i: DriveBuilder(document, folder, i, d) for i, d in folder.drive.items()}
    drives = {i: b.build(curves.get(i, ())) for i, b in builders.items()}
    for i, builder in builders.items():
        check_within(document, i, builder.points, builder.paths)
    check_between(document, {i: b.points for i, b in builders.items()}, {i: b.paths for i, b in builders.items()})
    points: dict[str, list[PointSpec]] = {}
    for point in (p for b in builders.values() for role, p in b.points.items() if role in b.periods_ns):
        points.setdefault(point.endpoint, []).append(point)
    for i, endpoint in endpoints.items():
        if endpoint.min_gap_ns:
            check_overload(document, endpoint, requests_per_s(endpoint, points.get(i, ())))
    return drives


def _check_specifications(
    document: Document,
    drives: Mapping[str, DriveSpec],
    specifications: Mapping[str, SpecificationTable],
    check: SpecificationCheck,
) -> None:
    for drive, table in specifications.items():
        whole: KeyPath = ("drive", drive, "specification")
        dumped = table.model_dump()
        for path, text in check(drives[drive], dumped):
            rests_on = [(*whole, *key) for key in judged_by(path, dumped)]
            document.wrong((*whole, *path), text, *rests_on, ("drive", drive, "directions"))


def requests_per_s(endpoint: EndpointSpec, points: Iterable[PointSpec]) -> float:
    """How many requests per second one PLC will get for its points."""
    return sum(1e9 / block.period_ns for block in make_plan(endpoint, points).blocks)


def _content(folder: FolderModel, records: list[CalibrationRecord], response: Response) -> str:
    """Canonical JSON: sorted keys, defaults written out, templates resolved; paths of this machine left out."""
    content = {
        "settings": without_hashes(folder.model_dump(exclude={"store": {"dir"}, "control": True})),
        "calibrations": {r.curve.ref: r.curve.digest for r in records},
        # Times of day mean what these tables say: a newer time zone database is another content.
        "zones": {name: [zone.starts_utc_s, zone.offsets_s] for name, zone in response.zones.items()},
    }
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _model(document: Document) -> FolderModel | None:
    document.spoil(_unknown_keys(document))
    try:
        return FolderModel.model_validate(document.tables)
    except ValidationError as error:
        note_errors(document, error, FolderModel, document.unresolved)
    folder, spoilt = mended(document.tables, FolderModel)
    document.spoil(spoilt)
    return folder


def _unknown_keys(document: Document) -> set[KeyPath]:
    """Keys of drives whose template is not known: it may have given them."""
    drives = document.tables.get("drive")
    found: set[KeyPath] = set()
    for drive in document.unresolved:
        own = drives.get(drive) if isinstance(drives, dict) else None
        if isinstance(own, dict):
            found |= not_given(own, DriveTable, ("drive", drive))
    return found


def _check_unused(document: Document, templates: Mapping[str, Any]) -> None:
    """A template that no drive uses yet is checked as far as one can be."""
    for name, table in templates.items():
        try:
            DriveTable.model_validate({"name": "x", "plc": "x", **table})
        except ValidationError as error:
            note_errors(document, error, FolderModel, frozenset(), ("template", name))


def _in_order(document: Document) -> list[Mistake]:
    """By file and line, each once; of what many drives inherit from one place of a template, the first drive's only."""
    first: dict[tuple[object, ...], str] = {}
    kept = []
    for mistake in sorted(dict.fromkeys(document.mistakes), key=lambda m: (m.file, m.line)):
        template = document.template_of(mistake)
        if template:
            drive, _, tail = mistake.key.removeprefix("drive.").partition(".")
            # Shifted addresses differ, and are one mistake all the same.
            kind = (template, mistake.file, mistake.line, tail, re.sub(r"[0-9]+", "", mistake.text))
            if first.setdefault(kind, drive) != drive:
                continue
        kept.append(mistake)
    return kept
