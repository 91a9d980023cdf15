"""A folder with mistakes in its values, mended with stand-ins, so that everything else in it can still be checked.

pydantic tells what is wrong with single values and then gives no model at all, so that mistakes which only show beyond
single values (a shared address, an alarm above its shutdown) would hide behind the first typing error. What a stand-in
was needed for is noted as spoilt: nothing is told that rests on it.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError

from nightrake.settings.kinds import keys_at, kind_at, plain
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.words import nearest

ROUNDS = 50
"""Mending a value can bring up the next; more than this is no settings folder."""
_CANDIDATES: tuple[Any, ...] = ("x", "2000-01-01", "00:00", "1 m", 1, 0, 0.5, 1.0, 10.0, 100.0, True, [], {})
_FREE = ("template", "shift")
"""Keys of a drive that are taken away before the models see it."""
_M = TypeVar("_M", bound=BaseModel)


def mended(tables: Mapping[str, Any], model: type[_M]) -> tuple[_M | None, set[KeyPath]]:
    """What is left of a document without its faulty values.

    Args:
        tables: As they were read; they stay as they are. model: Of the whole document.

    Returns:
        The model, None where it cannot be mended, and the keys that hold a stand-in or a default in place of what was
        meant.
    """
    whole = copy.deepcopy(dict(tables))
    spoilt: set[KeyPath] = set()
    for _ in range(ROUNDS):
        try:
            return model.model_validate(whole), spoilt
        except ValidationError as error:
            for finding in sorted(error.errors(include_url=False), key=lambda f: -len(f["loc"])):
                path = tuple(p for p in finding["loc"] if p != "[key]")
                spoilt.add(path)
                if finding["type"] == "extra_forbidden":
                    spoilt.update(_meant(path, whole, model))
                _mend(whole, path, model)
    return None, spoilt


def not_given(table: Mapping[str, Any], model: type[BaseModel], path: KeyPath) -> set[KeyPath]:
    """Keys below `path` that a table leaves out, tables in it included; lists are given whole."""
    found = {(*path, key) for key in model.model_fields if key not in table}
    for key, value in table.items():
        kind = kind_at(model, (key,))
        if isinstance(value, dict) and isinstance(kind, type) and issubclass(kind, BaseModel):
            found |= not_given(value, kind, (*path, key))
    return found


def _meant(path: KeyPath, whole: dict[str, Any], model: type[BaseModel]) -> Iterable[KeyPath]:
    """The key that an unknown one was likely meant to be, where it is not given too: its default was not meant."""
    here = _at(whole, path[:-1])
    free = [k for k in keys_at(model, path[:-1]) if not (isinstance(here, dict) and k in here)]
    hint = nearest(str(path[-1]), free)
    return {(*path[:-1], key) for key in free if hint == f"did you mean '{key}'?"}


def _mend(whole: dict[str, Any], path: KeyPath, model: type[BaseModel]) -> None:
    """Leave a faulty value out, or put a stand-in where there has to be something."""
    if not path:
        return
    holder, last = _at(whole, path[:-1]), path[-1]
    if isinstance(holder, list) and isinstance(last, int) and last < len(holder):
        holder[last] = stand_in(kind_at(model, path))  # the others keep their places
    elif isinstance(holder, dict):
        holder.pop(last, None)
        outer = kind_at(model, path[:-1])
        field = outer.model_fields.get(str(last)) if isinstance(outer, type) and issubclass(outer, BaseModel) else None
        if field is not None and field.is_required():
            # The bounds of a field stand beside its type.
            holder[str(last)] = stand_in(field.rebuild_annotation())


def stand_in(kind: Any) -> Any:
    """A value that a type takes, whatever it means."""
    bare = plain(kind)
    if get_origin(bare) is Literal:
        return get_args(bare)[0]
    if isinstance(bare, type) and issubclass(bare, BaseModel):
        return {n: stand_in(f.rebuild_annotation()) for n, f in bare.model_fields.items() if f.is_required()}
    takes: TypeAdapter[Any] = TypeAdapter(kind)
    for value in _CANDIDATES:
        try:
            takes.validate_python(value, strict=True)
        except ValidationError:
            continue
        return copy.deepcopy(value)
    return None


def _at(whole: Any, path: KeyPath) -> Any:
    here = whole
    for part in path:
        if isinstance(here, dict):
            here = here.get(part)
        elif isinstance(here, list) and isinstance(part, int) and part < len(here):
            here = here[part]
        else:
            return None
    return here
