"""The skeleton that every printed page shares, and writing a page to disk whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from nightrake import __version__
from nightrake.domain.cleantext import clean
from nightrake.errors import NightrakeError


class ReportError(NightrakeError):
    """A page could not be written."""


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("nightrake.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_plain,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["version"] = __version__
    environment.filters["values"] = _values
    environment.filters["css_text"] = _css_text
    environment.filters["thousands"] = _thousands
    return environment


def render(template: str, **values: Any) -> str:
    """A whole page from a template that extends ``skeleton.html``.

    Args:
        template: Its file name. values: What it needs; ``title`` and ``paper`` always. A missing one is an error of the
            program. `paper` stands on every sheet of paper. Texts are escaped; only what `figure.svg_of` gives goes in
            as it is.
    """
    return _environment().get_template(template).render(**values)


def _plain(value: Any) -> Any:
    """Texts without what could turn or hide the words around them; a page of ours goes in as it is."""
    return clean(value, len(value)) if isinstance(value, str) and not hasattr(value, "__html__") else value


def _values(text: str) -> Markup:
    """A value whose thousands and unit stay on one line."""
    return Markup("&nbsp;").join(part for part in text.split(" ")) if text[:1].isdigit() else Markup.escape(text)


def _thousands(text: str) -> Markup:
    """A sentence whose numbers do not break between their thousands."""
    return Markup(re.sub(r"(?<=\d) (?=\d{3}\b)", "&nbsp;", str(Markup.escape(clean(text, len(text))))))


def _css_text(text: str) -> Markup:
    """A text within the quotes of a style sheet: whatever could end them, or the element, as its number."""
    return Markup("").join(
        Markup(c if c.isalnum() or c in " .,:-_" else f"\\{ord(c):06x} ") for c in clean(text, len(text))
    )


def write_page(file: Path, html: str) -> None:
    """Write a page whole or not at all; a page of that name is replaced.

    Raises:
        ReportError: The folder cannot be made or written to.
    """
    write_whole(file, html)


def write_whole(file: Path, data: bytes | str) -> None:
    """Likewise, of any file.

    Raises:
        ReportError: The folder cannot be made or written to.
    """
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{file.name}.", dir=file.parent)
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(data if isinstance(data, bytes) else data.encode())
                # mkstemp lets nobody else read; a report is for everybody.
                os.fchmod(out.fileno(), 0o644)
            Path(name).replace(file)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        text = f"{file}: cannot be written ({reason}); name a file or folder that can be"
        raise ReportError(text) from error
