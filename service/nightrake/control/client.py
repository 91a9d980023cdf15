"""The other end of the control socket, for the CLI and for workers: plain blocking calls."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from nightrake.errors import ControlError


class ControlClient:
    """One connection to a running watch.

    Args:
        path: The watch's control socket. timeout_s: How long a reply may take.

    Raises:
        ControlError: No watch listens there.
    """

    def __init__(self, path: Path, *, timeout_s: float = 10.0) -> None:
        self._path = path
        self._timeout_s = timeout_s
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.settimeout(timeout_s)
        try:
            self._socket.connect(str(path))
        except OSError as error:
            self._socket.close()
            raise _no_connection(path, error) from error
        self._lines = self._socket.makefile("rb")

    def __enter__(self) -> ControlClient:
        return self

    def __exit__(self, *exc: object) -> None:
        self._lines.close()
        self._socket.close()

    def again(self) -> ControlClient:
        """A new connection to the same place; this one is closed.

        Raises:
            ControlError: No watch listens there.
        """
        self.__exit__()
        return ControlClient(self._path, timeout_s=self._timeout_s)

    def ask(self, verb: str, **args: Any) -> Any:
        """Send one request and give its result.

        Raises:
            ControlError: The watch refused (its own sentence), hung up or did not answer in time.
        """
        self._send(verb, args)
        return self._reply(verb)["result"]

    def stream(self, verb: str, **args: Any) -> Iterator[Any]:
        """Send one request and give its results as they come, until the watch hangs up."""
        self._send(verb, args)
        while True:
            reply = self._reply(verb)
            yield reply["result"]
            if not reply.get("more"):
                return

    def _send(self, verb: str, args: Mapping[str, Any]) -> None:
        try:
            self._socket.sendall(json.dumps({"verb": verb, "args": args}).encode() + b"\n")
        except OSError as error:
            raise ControlError(f"{self._path}: the watch hung up ({error.strerror or error})") from error

    def _reply(self, verb: str) -> dict[str, Any]:
        try:
            line = self._lines.readline()
        except TimeoutError as error:
            raise ControlError(f"{self._path}: the watch did not answer '{verb}' in time") from error
        except OSError as error:
            raise ControlError(f"{self._path}: the watch hung up ({error.strerror or error})") from error
        if not line.endswith(b"\n"):
            when = "in the middle of its answer to" if line else "before it answered"
            raise ControlError(f"{self._path}: the watch hung up {when} '{verb}'")
        try:
            reply = json.loads(line)
            if reply["ok"]:
                return {"result": reply["result"], "more": reply.get("more", False)}
            sentence = str(reply.get("error", "refused without a reason"))
        except (ValueError, LookupError, TypeError, AttributeError, RecursionError) as error:
            raise ControlError(f"{self._path}: what answers there is no watch; correct control.socket") from error
        raise ControlError(sentence)


def _no_connection(path: Path, error: OSError) -> ControlError:
    """Why the socket could not be connected to; only where nobody listens is there no watch."""
    if isinstance(error, PermissionError):
        return ControlError(
            f"{path}: this user may not use the watch's control socket; ask for the group of the socket, or use sudo"
        )
    why = error.strerror or str(error)
    if isinstance(error, (FileNotFoundError, ConnectionRefusedError, NotADirectoryError)):
        words = f"{path}: no watch answers there ({why}); start it with 'nightrake watch'"
        if not path.is_absolute():
            words += f", or go to the folder where it runs: this path counts from {Path.cwd()}"
        return ControlError(words, nobody=True)
    return ControlError(f"{path}: the watch's control socket cannot be used ({why})")
