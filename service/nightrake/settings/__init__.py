"""Settings: a folder of TOML files -> one immutable value named by its digest, or every mistake in it at once."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightrake.domain.site import SiteSpec
from nightrake.errors import ConfigError, NightrakeError
from nightrake.settings.build import DriveBuilder, build_endpoint, check_shared
from nightrake.settings.calibrations import read_calibrations
from nightrake.settings.folder import Document
from nightrake.settings.models import ClockTable, FolderModel, ForwardTable, MqttTable, PersonTable, StoreTable
from nightrake.settings.words import note_errors


class Secret:
    """A secret whose text never shows in a log or a traceback."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The secret itself."""
        return self._text

    def __bool__(self) -> bool:
        return bool(self._text)

    def __repr__(self) -> str:
        return "Secret(...)" if self._text else "Secret()"


@dataclass(frozen=True, slots=True)
class ControlSettings:
    """Where the control socket is."""

    socket: Path


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the folder says. Immutable; `digest` names it.

    Attributes:
        site: For the core. digest: SHA-256 (hex) over the canonical content, secrets not included.
        mqtt, forward, store, clock: For the shells. control: the socket.
        people: Person id -> name and role.
        content: The canonical content as JSON text, as the store keeps it.
    """

    site: SiteSpec
    digest: str
    mqtt: MqttTable
    forward: ForwardTable
    store: StoreTable
    clock: ClockTable
    control: ControlSettings
    people: Mapping[str, PersonTable]
    content: str

    @property
    def today_utc_ms(self) -> int:
        """Now, for due dates."""
        return int(datetime.now(UTC).timestamp() * 1000)

    @property
    def store_dir(self) -> Path:
        """The store's folder."""
        return Path(self.store.dir)


def load(folder: Path, overrides: Mapping[str, Any] | None = None, *, today: date | None = None) -> Settings:
    """Read and check a settings folder.

    Args:
        folder: The folder.
        overrides: Dotted key -> value, put in the place of the folder's own.
        today: Which calibration records count as made; default: now.

    Raises:
        ConfigError: With every mistake of every file.
    """
    document = Document(folder)
    document.read()
    if document.tables or not document.mistakes:
        document.override(overrides or {})
        document.apply_templates()
        settings = _build(document, today or datetime.now(UTC).date())
        if settings is not None and not document.mistakes:
            return settings
    unique = dict.fromkeys(document.mistakes)
    raise ConfigError(sorted(unique, key=lambda m: (m.file, m.line)))


def _build(document: Document, today: date) -> Settings | None:
    model = _model(document)
    if model is None:
        return None
    if not document.names("plc"):
        document.wrong(("plc",), "names no PLC; add a [plc.ID] table")
    if not document.names("drive"):
        document.wrong(("drive",), "names no drive; add a [drive.ID] table")
    curves = read_calibrations(document, dict(model.drive), today)
    endpoints = {i: build_endpoint(document, i, p) for i, p in model.plc.items()}
    drives = {i: DriveBuilder(document, model, i, d).build(curves.get(i, [])) for i, d in model.drive.items()}
    check_shared(document, drives)
    content = json.dumps(
        {
            "settings": model.model_dump(exclude={"store": {"dir"}, "control": True}),
            "calibrations": {c.ref: c.digest for cs in curves.values() for c in cs},
        },
        sort_keys=True,
        separators=(",", ":"),
    )
    digest = hashlib.sha256(content.encode()).hexdigest()
    site = SiteSpec(model.site.id, model.site.name, digest, endpoints, drives)
    return Settings(
        site=site,
        digest=digest,
        mqtt=model.mqtt,
        forward=model.forward,
        store=model.store,
        clock=model.clock,
        control=ControlSettings(Path(model.control.socket)),
        people=model.person,
        content=content,
    )


def _model(document: Document) -> FolderModel | None:
    try:
        return FolderModel.model_validate(document.tables)
    except ValidationError as error:
        note_errors(document, error, FolderModel)
        return _what_is_good(document)


def _what_is_good(document: Document) -> FolderModel | None:
    """The folder without the tables that do not parse, so that mistakes beyond the types are found in the rest too."""
    good: dict[str, Any] = {}
    for key, value in document.tables.items():
        if key not in FolderModel.model_fields:
            continue
        if key in ("plc", "drive", "person") and isinstance(value, dict):
            good[key] = {n: v for n, v in value.items() if _parses({key: {n: v}}, key)}
        elif _parses({key: value}, key):
            good[key] = value
    good.setdefault("site", {"id": "unnamed", "name": "unnamed"})
    good.setdefault("plc", {})
    good.setdefault("drive", {})
    try:
        return FolderModel.model_validate(good)
    except ValidationError:
        return None


def _parses(tables: dict[str, Any], key: str) -> bool:
    probe = {"site": {"id": "x", "name": "x"}, "plc": {}, "drive": {}, **tables}
    try:
        FolderModel.model_validate(probe)
    except ValidationError as error:
        return not any(e["loc"] and e["loc"][0] == key for e in error.errors(include_url=False, include_input=False))
    return True


def secret(file: str, variable: str, what: str) -> Secret:
    """A secret from a file or from the environment.

    Raises:
        NightrakeError: Both are given, or the one that is given cannot be had.
    """
    if file and variable:
        raise NightrakeError(f"{what}: give a file or an environment variable, not both")
    if file:
        try:
            return Secret(Path(file).read_text(encoding="utf-8").strip())
        except (OSError, UnicodeDecodeError) as error:
            raise NightrakeError(
                f"{what}: {file} cannot be read ({error}); check the path and its permissions"
            ) from error
    if variable:
        if variable not in os.environ:
            raise NightrakeError(f"{what}: the environment variable {variable} is not set")
        return Secret(os.environ[variable])
    return Secret("")


def reload_diff(old: Settings, new: Settings) -> list[str]:
    """What a reload changed, in words."""
    lines = []
    for word, before, after in (
        ("drive", old.site.drives, new.site.drives),
        ("PLC", old.site.endpoints, new.site.endpoints),
    ):
        lines += [f"{word} {i} is new" for i in after if i not in before]
        lines += [f"{word} {i} is gone" for i in before if i not in after]
        lines += [f"{word} {i} changed" for i in after if i in before and after[i] != before[i]]
    lines += [f"[{n}] changed" for n in ("mqtt", "forward", "store", "clock") if getattr(old, n) != getattr(new, n)]
    return lines or ["nothing changed"]


__all__ = ["ConfigError", "Secret", "Settings", "load", "reload_diff", "replace", "secret"]
