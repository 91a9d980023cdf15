"""InfluxDB line protocol, text of our own: floats only, integer milliseconds, nothing that a store could take wrongly.

A store that is lenient keeps strings as 0 and drops NaN without a word, so neither ever leaves here.
"""

from __future__ import annotations

from collections.abc import Mapping


def escape(text: str) -> str:
    """A tag value or name with what line protocol needs escaped.

    Raises:
        ValueError: It is empty or holds a line break.
    """
    if not text or "\n" in text or "\r" in text:
        raise ValueError(f"not fit for a tag: {text[:40]!r}")
    return text.replace("\\", "\\\\").replace(",", "\\,").replace(" ", "\\ ").replace("=", "\\=")


def head(measurement: str, tags: Mapping[str, str]) -> str:
    """Measurement and tags, the part of a line that a series has in common."""
    return measurement + "".join(f",{escape(k)}={escape(v)}" for k, v in tags.items())


def fields_text(fields: Mapping[str, float]) -> str:
    """The fields of a line.

    Args:
        fields: At least one; finite numbers.

    Raises:
        ValueError: No field, or one that is not a finite number.
    """
    if not fields:
        raise ValueError("a line without a field")
    return "".join(more_field(name, value) for name, value in fields.items())[1:]


def more_field(name: str, value: float) -> str:
    """One field with a comma before it.

    Raises:
        ValueError: The value is not a finite float.
    """
    if type(value) is not float or value - value != 0.0:  # what is not finite leaves no zero
        raise ValueError(f"field {name} is {value!r}; only finite floats are forwarded")
    return f",{name}={value!r}"


def line(series: str, fields: str, utc_ms: int) -> str:
    """One line.

    Args:
        series: From `head`. fields: From `fields_text`. utc_ms: The stamp.
    """
    return f"{series} {fields} {utc_ms}"
