"""A connection to the watch of a folder, for commands that ask it something, also while the folder holds mistakes."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from nightrake.control.client import ControlClient
from nightrake.errors import ControlError
from nightrake.settings.reach import Reach, reach_of

WIDTH = 80


@contextmanager
def asking(folder: Path, overrides: Mapping[str, str | int | float]) -> Iterator[tuple[Reach, ControlClient]]:
    """Connect; where the folder holds mistakes that the watch has not taken, say so on standard error.

    Raises:
        ConfigError: The folder holds mistakes, and no watch answers. ControlError: No watch answers.
    """
    site = reach_of(folder, overrides)
    try:
        client = ControlClient(site.socket)
    except ControlError as error:
        if site.mistakes is not None:
            raise site.mistakes from error
        raise
    if site.mistakes is not None:
        count = len(site.mistakes.mistakes)
        some = "a mistake" if count == 1 else f"{count} mistakes"
        doubt = f"! {folder} holds {some}, see nightrake check; the watch goes on with the settings that it has."
        print("\n".join(textwrap.wrap(doubt, WIDTH, subsequent_indent="  ")), file=sys.stderr)
    with client:
        yield site, client
