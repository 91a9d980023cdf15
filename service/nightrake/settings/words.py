"""pydantic's findings in our own words: what is wrong, where, what to do."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterable, Mapping
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from nightrake.settings.folder import Document
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
}
_SECRET_KEYS = {"password", "token", "secret"}


def note_errors(document: Document, error: ValidationError, model: type[BaseModel], prefix: KeyPath = ()) -> None:
    """Turn each of pydantic's findings into a mistake."""
    for finding in error.errors(include_url=False):
        path = prefix + tuple(p for p in finding["loc"] if p != "[key]")
        document.wrong(path, sentence(finding, model))


def sentence(finding: Mapping[str, Any], model: type[BaseModel]) -> str:
    """One finding as a sentence."""
    kind, value, context = finding["type"], finding.get("input"), finding.get("ctx") or {}
    shown = _shown(value)
    if kind == "extra_forbidden":
        return _unknown_key(str(finding["loc"][-1]), keys_at(model, finding["loc"][:-1]))
    if kind == "missing":
        return "is missing; it has no default, so give it"
    if kind in _TYPES:
        return f"is {shown}; expected {_TYPES[kind]}"
    bounds = {
        "greater_than": "more than {gt}",
        "greater_than_equal": "{ge} or more",
        "less_than": "less than {lt}",
        "less_than_equal": "{le} or less",
    }
    if kind in bounds:
        return f"is {shown}; expected {bounds[kind].format(**context)}"
    if kind == "finite_number":
        return f"is {shown}; expected a finite number"
    if kind == "literal_error":
        return f"is {shown}; expected {context['expected']}{_near(value, context['expected'])}"
    if kind == "string_pattern_mismatch":
        return f"is {shown}; expected letters, digits, '-' and '_', 32 at most"
    return f"is {shown}; it does not fit ({finding['msg'].lower()})"


def _shown(value: Any) -> str:
    if isinstance(value, (dict, list)):
        return "a table" if isinstance(value, dict) else "a list"
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)[:60]


def _unknown_key(key: str, known: Iterable[str]) -> str:
    if key in _SECRET_KEYS:
        return f"a secret never stands in the settings; name a file with {key}_file or a variable with {key}_env"
    names = sorted(known)
    near = difflib.get_close_matches(key, names, 1, 0.6)
    hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(names)}"
    return f"unknown key; {hint}"


def _near(value: Any, expected: str) -> str:
    options = [w for w in expected.replace("'", " ").replace(",", " ").split() if w != "or"]
    near = difflib.get_close_matches(str(value), options, 1, 0.6)
    return f"; did you mean '{near[0]}'?" if near else ""


def keys_at(model: type[BaseModel], path: Iterable[Any]) -> list[str]:
    """Known keys of the table at a path below a model."""
    here: Any = model
    for part in path:
        here = _inner(here)
        if isinstance(here, type) and issubclass(here, BaseModel):
            field = here.model_fields.get(str(part))
            here = field.annotation if field else None
        else:
            args = get_args(here)
            here = args[-1] if args else None
    here = _inner(here)
    return list(here.model_fields) if isinstance(here, type) and issubclass(here, BaseModel) else []


def _inner(kind: Any) -> Any:
    """Look through optional and annotated types."""
    while True:
        if get_origin(kind) in (Union, types.UnionType):
            kind = next((a for a in get_args(kind) if a is not type(None)), None)
        elif hasattr(kind, "__metadata__"):
            kind = get_args(kind)[0]
        else:
            return kind
