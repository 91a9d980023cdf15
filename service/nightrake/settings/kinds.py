"""What the models say about a key: which keys its table knows, and what type a single value has to be."""

from __future__ import annotations

import types
from collections.abc import Iterable
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from nightrake.settings.lines import Path as KeyPath


def keys_at(model: type[BaseModel], path: Iterable[Any]) -> list[str]:
    """Known keys of the table at a path below a model; none where there is no such table."""
    here = kind_at(model, path)
    return list(here.model_fields) if _is_model(here) else []


def all_keys(model: type[BaseModel]) -> set[str]:
    """Every key that a model or one below it has."""
    found: set[str] = set()
    for name, field in model.model_fields.items():
        found.add(name)
        kind = plain(field.annotation)
        while get_origin(kind) in (list, dict):
            kind = plain(get_args(kind)[-1])
        if _is_model(kind):
            found |= all_keys(kind)
    return found


def kind_at(model: type[BaseModel], path: Iterable[Any]) -> Any:
    """Type at a path below a model, optional and annotated types looked through; None where there is none."""
    here: Any = model
    for part in path:
        if _is_model(here):
            field = here.model_fields.get(str(part))
            here = plain(field.annotation) if field else None
        else:
            args = get_args(here)
            here = plain(args[-1]) if args else None
    return here


def fitting(model: type[BaseModel], path: KeyPath, value: Any) -> Any:
    """A value of the command line (a text or a whole number) as the type that its key needs, if it can be that.

    What cannot be converted is handed back as it came, so that the models say what is wrong with it.
    """
    below = ("drive", *path[1:]) if path and path[0] == "template" else path
    kind = kind_at(model, below)
    options = get_args(kind) if get_origin(kind) is Literal else ()
    if options:
        return next((o for o in options if str(o) == str(value)), value)
    if kind is bool and value in ("true", "false"):
        return value == "true"
    if kind is str and isinstance(value, (int, float)) and not isinstance(value, bool):
        return str(value)
    if kind in (int, float) and isinstance(value, str):
        try:
            return kind(value)
        except ValueError:
            return value
    return value


def plain(kind: Any) -> Any:
    """Look through optional and annotated types."""
    while True:
        if get_origin(kind) in (Union, types.UnionType):
            kind = next((a for a in get_args(kind) if a is not type(None)), None)
        elif hasattr(kind, "__metadata__"):
            kind = get_args(kind)[0]
        else:
            return kind


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
