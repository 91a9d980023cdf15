"""Standard output that cannot be written, such as a file on a full disk, is a sentence and not a traceback."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from nightrake.errors import NightrakeError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


class OutputError(NightrakeError):
    """Standard output was not taken."""


class _Output(io.FileIO):
    """The lowest layer of standard output, the one that meets the disk."""

    def write(self, data: ReadableBuffer, /) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:  # whoever read it has enough
            raise
        except OSError as error:
            # Else what is still held is tried once more at the program's end, and complained of in other words.
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, self.fileno())
            os.close(nothing)
            text = f"standard output cannot be written ({error.strerror}); what stands there is not whole"
            raise OutputError(text) from error


@contextlib.contextmanager
def output_told() -> Iterator[None]:
    """Within it, whatever is printed and not taken raises `OutputError`, what was held until the end too."""
    before = sys.stdout
    if type(before) is not io.TextIOWrapper or not isinstance(before.buffer, io.BufferedWriter | io.FileIO):
        yield  # closed by whoever started us, or somebody else's stand-in
        return
    before.flush()
    raw = _Output(before.fileno(), "wb", closefd=False)
    is_held = isinstance(before.buffer, io.BufferedWriter)  # not so under PYTHONUNBUFFERED
    ours = io.TextIOWrapper(
        io.BufferedWriter(raw) if is_held else raw,
        before.encoding,
        before.errors,
        line_buffering=before.line_buffering,
        write_through=before.write_through,
    )
    sys.stdout = ours
    ended_well = False
    try:
        yield
        ended_well = True
    except SystemExit as end:
        ended_well = type(end) is SystemExit
        raise
    finally:
        sys.stdout = before
        with contextlib.nullcontext() if ended_well else contextlib.suppress(OSError, OutputError):
            ours.close()  # writes what it still holds
