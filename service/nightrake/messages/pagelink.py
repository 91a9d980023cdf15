"""The address on the operator's page at which an alarm is seen. Pure."""

from __future__ import annotations

from collections.abc import Container

from nightrake.alarms.keys import parse_key


def page_link(public_url: str, alarm: str, drives: Container[str]) -> str:
    """Where to look.

    Args:
        public_url: Of the page, "" = there is none. alarm: Its name, or what stands for one.
        drives: Ids of the drives that there are.

    Returns:
        The page of the alarm's drive, or the list of alarms; "" without a page.
    """
    if not public_url:
        return ""
    try:
        drive = parse_key(alarm).drive
    except ValueError:  # a test call, a flood
        drive = ""
    root = public_url.rstrip("/")
    return f"{root}/drives/{drive}" if drive and drive in drives else f"{root}/alarms"


def with_link(text: str, link: str, between: str = " ") -> str:
    """A text that ends with it."""
    return f"{text}{between}{link}" if link else text
