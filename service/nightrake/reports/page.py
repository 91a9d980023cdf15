"""The skeleton that every printed page shares, and writing a page to disk whole or not at all."""

from __future__ import annotations

import os
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from nightrake import __version__
from nightrake.errors import NightrakeError


class ReportError(NightrakeError):
    """A page could not be written."""


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("nightrake.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["version"] = __version__
    environment.filters["values"] = _values
    return environment


def render(template: str, **values: Any) -> str:
    """A whole page from a template that extends ``skeleton.html``.

    Args:
        template: Its file name. values: What it needs; ``title`` always. A missing one is an error of the program.
            Texts are escaped; only what `figure.svg_of` gives goes in as it is.
    """
    return _environment().get_template(template).render(**values)


def _values(text: str) -> Markup:
    """A value whose thousands and unit stay on one line."""
    return Markup("&nbsp;").join(part for part in text.split(" ")) if text[:1].isdigit() else Markup.escape(text)


def write_page(file: Path, html: str) -> None:
    """Write a page whole or not at all; a page of that name is replaced.

    Raises:
        ReportError: The folder cannot be made or written to.
    """
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                out.write(html)
                # mkstemp lets nobody else read; a report is for everybody.
                os.fchmod(out.fileno(), 0o644)
            Path(name).replace(file)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        text = f"{file}: the page cannot be written ({reason}); name a file or folder that can be"
        raise ReportError(text) from error
