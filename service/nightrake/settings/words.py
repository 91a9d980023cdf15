"""pydantic's findings in our own words: what is wrong, where, what to do."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from nightrake.settings.folder import Document
from nightrake.settings.kinds import keys_at
from nightrake.settings.lines import Path as KeyPath

_TYPES = {
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "string_type": "a text in quotes",
    "list_type": "a list such as [ ... ]",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "number_without_unit": "a number with its unit, in quotes, such as '40 kN*m'; give a unit",
}
_BOUNDS = {
    "greater_than": "more than {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "less_than": "less than {lt:g}",
    "less_than_equal": "{le:g} or less",
}
_SECRET_WORDS = ("password", "passwd", "token", "secret", "api_key", "apikey")
_NEVER_SHOWN = ("page_password",)
"""Keys in whose place somebody may have written a password as it is."""
_ID = "letters, digits, '-' and '_', 1 to 32 of them"
_TIME = "a time of day such as '06:00', midnight being '00:00'"
_DAY = "a day such as '2026-12-25'"
_PATTERNS = {
    r"^[A-Za-z0-9_-]{1,32}$": _ID,
    r"^[a-z][a-z0-9_]{0,40}$": "a name with its unit in small letters, such as flow_m3_per_h",
    r"^([A-Za-z_][A-Za-z0-9_]*)?$": "the name of an environment variable",
    r"^([01][0-9]|2[0-3]):[0-5][0-9]$": _TIME,
    r"^(([01][0-9]|2[0-3]):[0-5][0-9])?$": _TIME,
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$": _DAY,
    r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$": _DAY,
}
_NOT_IN_MODEL: dict[int, tuple[str, ...]] = {0: ("template",), 2: ("template", "shift")}
"""Keys that are taken away before the models see the tables, by the depth at which they stand."""


def note_errors(
    document: Document,
    error: ValidationError,
    model: type[BaseModel],
    skip: Collection[str],
    template: KeyPath = (),
) -> None:
    """Turn each of pydantic's findings into a mistake.

    Args:
        document: Where mistakes go. error: The findings. model: Of the whole document.
        skip: Drives of which nothing can be said to be missing, because their template is unknown.
        template: Where the findings are about a template alone: its path.
    """
    for finding in error.errors(include_url=False):
        path = tuple(p for p in finding["loc"] if p != "[key]")
        if template:
            inside = {**finding, "loc": ("drive", template[1], *finding["loc"])}
            document.wrong((*template, *path), sentence(inside, model))
            continue
        if finding["type"] == "missing":
            if document.broken and len(path) <= 2:
                continue
            in_list = any(isinstance(p, int) for p in path)  # lists are given whole, by the drive or by its template
            if len(path) > 1 and path[0] == "drive" and path[1] in skip and not in_list:
                continue
        document.wrong(path, sentence(finding, model))


def sentence(finding: Mapping[str, Any], model: type[BaseModel]) -> str:
    """One finding as a sentence."""
    kind, value, context = finding["type"], finding.get("input"), finding.get("ctx") or {}
    if kind == "extra_forbidden":
        return _unknown_key(finding["loc"], model)
    if kind == "missing" and len(finding["loc"]) == 1 and "site" in model.model_fields:
        table = finding["loc"][0]
        return f"there is no [{table if table == 'site' else f'{table}.ID'}] table in the folder; add it"
    if kind == "missing":
        return "is missing and has no default; add it"
    shown = "something else" if str(finding["loc"][-1]) in _NEVER_SHOWN else _shown(value)
    if isinstance(value, float) and not math.isfinite(value):
        return f"is {shown}; expected a finite number"
    if kind in _TYPES:
        return f"is {shown}; expected {_TYPES[kind]}"
    if kind in _BOUNDS:
        return f"is {shown}; expected {_BOUNDS[kind].format(**context)}"
    if kind == "literal_error":
        return f"is {shown}; expected {context['expected']}{_near(value, context['expected'])}"
    if kind == "string_pattern_mismatch":
        return f"is {shown}; expected {_PATTERNS.get(context['pattern'], 'a text without control characters')}"
    if kind == "string_too_short":
        return "is empty; give it"
    if kind == "string_too_long":
        return f"is {len(str(value))} characters long; at most {context['max_length']} fit"
    if kind == "too_long":
        return f"has {context['actual_length']} entries; at most {context['max_length']} are taken"
    return f"is {shown}, which does not fit here; compare the commented example in config/"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = repr(value) if isinstance(value, (str, int, float)) else f"the date or time {value}"
    return text if len(text) <= 60 else f"{text[:57]}..."


def _unknown_key(path: KeyPath, model: type[BaseModel]) -> str:
    key = str(path[-1])
    known = sorted({*keys_at(model, path[:-1]), *_before_models(path[:-1])})
    if any(word in key.lower() for word in _SECRET_WORDS):
        held = ("password", "token", "secret")
        if "page_password" in known:
            how = "page_password, made by 'nightrake operator password PERSON'"
            return f"a password never stands in the settings; its hash does, as {how}"
        here = [k for k in known if k.endswith(("_file", "_env")) and any(word in k for word in held)]
        how = f" with {' or '.join(here)}" if here else ""
        return f"a secret never stands in the settings; name a file or an environment variable that holds it{how}"
    return f"unknown key; {nearest(key, known) or f'known here: {listed(known)}'}"


def _before_models(path: KeyPath) -> tuple[str, ...]:
    if path and path[0] != "drive":
        return ()
    return _NOT_IN_MODEL.get(len(path), ())


def nearest(word: str, known: Iterable[str]) -> str:
    """``did you mean 'X'?`` for the known word most like this one, or an empty text."""
    names = list(known)
    letters = sorted(word.lower())
    same = [n for n in names if sorted(n.lower()) == letters]  # letters in the wrong order or case
    near = difflib.get_close_matches(word, same, 1, 0.0) or difflib.get_close_matches(word, names, 1, 0.6)
    return f"did you mean '{near[0]}'?" if near else ""


def listed(names: Iterable[str]) -> str:
    """The first names of a list, for a sentence."""
    some = list(names)
    return ", ".join(some[:12]) + (f" and {len(some) - 12} more" if len(some) > 12 else "") or "none"


def _near(value: Any, expected: str) -> str:
    options = [w for w in expected.replace("'", " ").replace(",", " ").split() if w != "or"]
    hint = nearest(str(value), options)
    return f"; {hint}" if hint else ""
