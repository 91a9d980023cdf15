"""Python processes that need not import everything first: forked from one that has imported it and waits.

    python warm.py HANDLE MODULE ...     the one that waits, on a socket of that number; `waiting` starts and ends it

A process that is forked has the arguments, folder, environment and aimed kill that it is given, as one has that is
begun anew; where nobody waits it is begun anew.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from typing import IO, Any

LIBRARIES = "apsw numpy pydantic rich.progress rich.table structlog typer zoneinfo".split()
OURS = (
    "nightrake.cli.main nightrake.cli.historian_care nightrake.cli.historian_verify nightrake.cli.history_run"
    " nightrake.cli.trips_show nightrake.journal.store nightrake.workers.keeping"
).split()
MOST_BYTES = 1 << 17


# --- the one that waits -----------------------------------------------------------------------------------------------


def serve(asked: socket.socket, modules: Sequence[str]) -> None:
    """Fork for each message until the socket ends; returns in a process that was asked for, ready to be it."""
    for name in modules:
        importlib.import_module(name)
    gc.collect()
    gc.freeze()  # or each process would copy all of it as soon as it looks for garbage
    asked.send(b"ready")
    while True:
        text, handles, _, _ = socket.recv_fds(asked, MOST_BYTES, 4)
        with contextlib.suppress(ChildProcessError):  # there is none
            while os.waitpid(-1, os.WNOHANG if text else 0)[0]:
                pass
        if not text:
            os._exit(0)
        if os.fork() == 0:
            asked.close()
            _tend(json.loads(text), handles)
            return
        for handle in handles:
            os.close(handle)


def _tend(given: Mapping[str, Any], handles: list[int]) -> None:
    """Say which process it is, and how it ended; returns in that process."""
    if pid := os.fork():
        for handle in handles[1:]:
            os.close(handle)
        os.write(handles[0], f"{pid}\n".encode())
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        with contextlib.suppress(OSError):
            os.write(handles[0], f"{code}\n".encode())
        os._exit(0)
    for number, handle in enumerate(handles[1:]):
        os.dup2(handle, number)
    for handle in handles:
        os.close(handle)
    os.environ.clear()
    os.environ.update(given["env"])
    os.chdir(str(given["cwd"]))
    sys.argv = list(given["argv"])
    if (crashpoint := sys.modules.get("nightrake.crashpoint")) is not None:
        _aim(crashpoint)


def _aim(crashpoint: Any) -> None:
    """What takes the place of `reach` wherever that was imported already."""
    reach = crashpoint.aimed(os.environ.get(crashpoint.VARIABLE, ""))
    for module in list(sys.modules.values()):
        if vars(module).get("reach") is crashpoint._passed:
            setattr(module, "reach", reach)


def be(argv: list[str]) -> None:
    """What Python does with its own arguments: -m MODULE, -c TEXT or a file, and words for it."""
    sys.path[:1] = filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))
    sys.dont_write_bytecode = bool(os.environ.get("PYTHONDONTWRITEBYTECODE"))
    kind = argv[0]
    if kind == "-m":
        sys.path.insert(0, os.getcwd())
        sys.argv = argv[1:]
        runpy.run_module(argv[1], run_name="__main__", alter_sys=True)
    elif kind == "-c":
        sys.path.insert(0, "")
        sys.argv = ["-c", *argv[2:]]
        exec(compile(argv[1], "<string>", "exec"), {"__name__": "__main__"})
    else:
        sys.path.insert(0, os.path.dirname(kind))
        runpy.run_path(kind, run_name="__main__")


# --- who asks it ------------------------------------------------------------------------------------------------------

_waiting: list[socket.socket] = []


@contextlib.contextmanager
def waiting(modules: Sequence[str] = (*LIBRARIES, *OURS)) -> Iterator[None]:
    """While inside, `start` and `python` fork from one that waits."""
    ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with ours, its:
        command = [sys.executable, __file__, str(its.fileno()), *modules]
        process = subprocess.Popen(command, pass_fds=[its.fileno()], stdin=subprocess.DEVNULL)
        its.close()
        try:
            assert ours.recv(100) == b"ready", "it has ended"
            _waiting.insert(0, ours)
            yield
        finally:
            _waiting[:] = [one for one in _waiting if one is not ours]
            ours.close()
            process.wait(10.0)


class Forked:
    """A process that was forked for us; used as `subprocess.Popen` is.

    Args:
        argv: As after ``python``. env: All of it. cwd: Its folder. handles: What is to be its standard input, output
            and error. stdin, stdout: Our ends of those.
    """

    def __init__(
        self,
        argv: list[str],
        env: Mapping[str, str],
        cwd: str,
        handles: tuple[int, int, int],
        stdin: IO[str] | None = None,
        stdout: IO[str] | None = None,
    ) -> None:
        self.args, self.stdin, self.stdout = argv, stdin, stdout
        self._said, its = socket.socketpair()
        with its:
            text = json.dumps({"argv": argv, "env": dict(env), "cwd": cwd}).encode()
            socket.send_fds(_waiting[0], [text], [its.fileno(), *handles])
        self._words = self._said.makefile("r")
        self.pid = int(self._words.readline())
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """Its exit code, as `subprocess` has it; None: it lives."""
        return self._look(0.0)

    def _look(self, within_s: float | None) -> int | None:
        if self.returncode is None and select.select([self._said], [], [], within_s)[0]:
            self.returncode = int(self._words.readline())
            self._words.close()
            self._said.close()
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Until it has ended."""
        code = self._look(timeout)
        if code is None:
            raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
        return code

    def kill(self) -> None:
        """kill -9."""
        self.send_signal(signal.SIGKILL)

    def send_signal(self, number: int) -> None:
        """A signal, if it lives."""
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)


def start(*argv: str, env: Mapping[str, str] | None = None) -> Forked | subprocess.Popen[str]:
    """A process with pipes to its standard input and output.

    Args:
        argv: As after ``python``. env: All of it; None = ours.
    """
    if not _waiting:
        command = [sys.executable, *argv]
        return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env, text=True)
    its_in, our_out = os.pipe()
    our_in, its_out = os.pipe()
    try:
        ends = os.fdopen(our_out, "w"), os.fdopen(our_in)
        return Forked(list(argv), env or os.environ, os.getcwd(), (its_in, its_out, 2), *ends)
    finally:
        os.close(its_in)
        os.close(its_out)


def python(
    *argv: str, env: Mapping[str, str] | None = None, cwd: str | None = None, timeout: float = 60.0
) -> subprocess.CompletedProcess[str]:
    """Run a process to its end and give what it said.

    Args:
        argv: As after ``python``. env: All of it; None = ours. cwd: Its folder; None = ours. timeout: In s.
    """
    if not _waiting:
        command = [sys.executable, *argv]
        return subprocess.run(command, capture_output=True, text=True, env=env, cwd=cwd, timeout=timeout, check=False)
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err, open(os.devnull) as nothing:
        handles = nothing.fileno(), out.fileno(), err.fileno()
        process = Forked(list(argv), env or os.environ, cwd or os.getcwd(), handles)
        try:
            code = process.wait(timeout)
        finally:
            process.kill()
        out.seek(0)
        err.seek(0)
        return subprocess.CompletedProcess(process.args, code, out.read(), err.read())


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])), sys.argv[2:])
    be(list(sys.argv))
