"""Words from outside (a broker, a store, a PLC, a client of the control socket) before they are kept or shown. Pure.

A control character can paint over a terminal or begin a line of its own that looks like ours, and a bidirectional
mark can turn a sentence round; neither is of use in one.
"""

from __future__ import annotations

LONGEST = 300
"""Characters of one such text at most."""


def clean(text: str, limit: int = LONGEST) -> str:
    """One line of printable characters.

    Args:
        text: Whatever came. limit: Characters kept at most.

    Returns:
        The text; line breaks and tabs are blanks in it, everything else that cannot be printed is a question mark.
    """
    text = text[:limit]
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in text)
