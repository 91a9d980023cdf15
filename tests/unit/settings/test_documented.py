"""`config/` documents every key that the models know, with the default that they have."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from nightrake.settings.kinds import all_keys
from nightrake.settings.models import FolderModel, ForwardTable, MqttTable, PlcTable, StoreTable
from nightrake.settings.recordmodels import CalibrationTable

CONFIG = Path(__file__).resolve().parents[3] / "config"
TEXT = "\n".join(p.read_text(encoding="utf-8") for p in sorted(CONFIG.glob("*.toml")))
RECORD = (CONFIG / "calibration" / "PC1-forward-2026-03-14.toml").read_text(encoding="utf-8")
FREE = {"kept"}  # names of its own are given there
SHOWN = re.compile(r"^# ([a-z_]+) = (\S.*?)(?:\s{2,}#.*)?$", re.MULTILINE)


def nested(model: Any) -> set[Any]:
    """All models below one."""
    found: set[Any] = set()
    for field in model.model_fields.values():
        for module, part in re.findall(r"\b([\w.]+)\.(\w+Table)\b", repr(field.annotation)):
            inner = getattr(__import__(module, fromlist=[part]), part)
            if inner not in found:
                found |= {inner} | nested(inner)
    return found


@pytest.mark.parametrize("key", sorted((all_keys(FolderModel) | {"template", "shift"}) - FREE))
def test_key_of_the_folder_is_documented(key: str) -> None:
    """Set, shown in a comment, or a table of its own."""
    assert re.search(rf"(?<![\w]){key}(?![\w])", TEXT), key


@pytest.mark.parametrize("key", sorted(all_keys(CalibrationTable)))
def test_key_of_a_record_is_documented(key: str) -> None:
    """Every key of a calibration record stands in the example's."""
    assert re.search(rf"^(# )?(\[\[?)?{key}\b", RECORD, re.MULTILINE), key


def test_defaults_in_comments_are_the_defaults() -> None:
    """`# key = value` shows what holds when the key is left out."""
    defaults: dict[str, set[str]] = {}
    for model in (FolderModel, MqttTable, ForwardTable, PlcTable, StoreTable, *nested(FolderModel)):
        for name, field in model.model_fields.items():
            defaults.setdefault(name, set()).add(repr(field.default))
    shown = SHOWN.findall(TEXT)

    assert len(shown) > 25
    for key, value in shown:
        if key in ("scan", "values_s"):  # these default to the wider table's
            continue
        assert repr(tomllib.loads(f"v = {value}")["v"]) in defaults[key], f"# {key} = {value}"


def scalars_with_default() -> list[tuple[str, object]]:
    """Every key whose default is a value, with that value; lists, tables and what is simply not there apart."""
    found = set()
    for model in (FolderModel, *nested(FolderModel)):
        for name, field in model.model_fields.items():
            if isinstance(field.default, (str, int, float)) and field.default != "":
                found.add((name, field.default))
    return sorted(found, key=str)


@pytest.mark.parametrize(("key", "default"), scalars_with_default())
def test_default_of_a_key_is_said(key: str, default: object) -> None:
    """As `# key = default`, or with the word in the comment beside the key or on the lines after it."""
    value = re.escape(json.dumps(default))
    beside = rf"^{key} = [^\n]*#(?:[^\n]|\n +#)*default\s(?: +# )?{value}"
    in_prose = rf"\b{key} \(default {value}"

    assert re.search(rf"^# {key} = {value}(?!\w)|{beside}|{in_prose}", TEXT, re.MULTILINE), (key, default)
