"""Namespaces of a test's own: a network that can be cut, a small disk that can be filled; nothing else is touched.

Root makes them directly. A plain user makes them inside a user namespace. Where the kernel or a container forbids both,
the test fails with the sentence that says what is missing.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from peers.process import program

NEAR, FAR = "10.77.0.1", "10.77.0.2"
"""The watch's address and the PLC's, inside namespaces that nothing else can reach."""


class Apart:
    """A process that holds a namespace; programs are started inside it with `prefix` before their command.

    Args:
        kind: "net" or "mount". setup: Shell commands that are run inside first.
        inside: Whose user namespace to share, so that both may be joined by a cable.
    """

    def __init__(self, kind: str, setup: str, inside: Apart | None = None) -> None:
        self._flag = f"--{kind}"
        if inside is None:
            self._own_user = not _may([self._flag])
            if self._own_user and not _may(["--user", "--map-root-user", self._flag]):
                pytest.fail(
                    f"this test needs a {kind} namespace, and this kernel or container lets this user make none; run "
                    "it as root, or allow user namespaces (sysctl kernel.unprivileged_userns_clone and "
                    "user.max_user_namespaces)"
                )
            user = ["--user", "--map-root-user"] if self._own_user else []
            command = [program("unshare", "util-linux"), *user, self._flag]
        else:
            self._own_user = inside._own_user
            command = [*inside.prefix(), program("unshare", "util-linux"), self._flag]
        script = f"set -e; {setup}; echo ready; exec cat"
        self._process = subprocess.Popen(
            [*command, "sh", "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        assert self._process.stdout is not None
        said = self._process.stdout.readline()
        if said != b"ready\n":
            said += self._process.stdout.read()
            self.close()
            pytest.fail(f"the {kind} namespace could not be set up ({setup}): {said.decode(errors='replace')}")
        self.pid = self._process.pid

    def prefix(self) -> list[str]:
        """What goes before a command so that it runs inside; the pid stays the command's own."""
        user = ["--user", "--preserve-credentials"] if self._own_user else []
        return [program("nsenter", "util-linux"), "--target", str(self.pid), *user, self._flag]

    def run(self, *command: str) -> str:
        """Run a command inside and give what it says; one that fails fails the test."""
        done = subprocess.run([*self.prefix(), *command], capture_output=True, text=True, timeout=10, check=False)
        if done.returncode:
            pytest.fail(f"{' '.join(command)}: {done.stderr}")
        return done.stdout

    def root(self, path: Path) -> Path:
        """A path as it is seen inside, for the test to use."""
        return Path(f"/proc/{self.pid}/root{path}")

    def close(self) -> None:
        """Let go: the namespace ends with the last program in it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(5.0)
        self._process.stdout.close()


def _may(flags: list[str]) -> bool:
    """Whether this user may make such a namespace, here and now."""
    done = subprocess.run([program("unshare", "util-linux"), *flags, "true"], capture_output=True, check=False)
    return done.returncode == 0


class Cable:
    """Two networks and the cable between them: the watch's (`control`) and the PLC's (`plant`).

    Nobody is told when it is cut: no FIN, no RST.
    """

    def __init__(self) -> None:
        ip = program("ip", "iproute2")
        self._ip = ip
        self.control = Apart("net", f"{ip} link set lo up")
        try:
            self.plant = Apart("net", f"{ip} link set lo up", inside=self.control)
        except BaseException:
            self.control.close()
            raise
        end = ["type", "veth", "peer", "name", "far", "netns", str(self.plant.pid)]
        self.control.run(ip, "link", "add", "name", "near", *end)
        self.control.run(ip, "address", "add", f"{NEAR}/24", "dev", "near")
        self.control.run(ip, "link", "set", "near", "up")
        self.plant.run(ip, "address", "add", f"{FAR}/24", "dev", "far")
        self.plug_in()

    def pull(self) -> None:
        """Pull the cable where the watch's own network card notices: its carrier goes."""
        self.plant.run(self._ip, "link", "set", "far", "down")

    def plug_in(self) -> None:
        """Undo `pull`."""
        self.plant.run(self._ip, "link", "set", "far", "up")

    def pull_behind_a_switch(self) -> None:
        """Pull it on the PLC's side of a switch: the watch's card sees nothing, packets just vanish."""
        self.plant.run(self._ip, "address", "delete", f"{FAR}/24", "dev", "far")

    def plug_in_behind_a_switch(self) -> None:
        """Undo `pull_behind_a_switch`."""
        self.plant.run(self._ip, "address", "add", f"{FAR}/24", "dev", "far")

    def sockets(self, end: Apart, port: int) -> dict[str, int]:
        """TCP sockets of one network that have to do with a port of the PLC: state -> count.

        Listeners are left out, and so is TIME_WAIT: the kernel keeps those a minute after a good end.

        Source of the state numbers: Linux, include/net/tcp_states.h.
        """
        counts: dict[str, int] = {}
        for line in Path(f"/proc/{end.pid}/net/tcp").read_text(encoding="ascii").splitlines()[1:]:
            local, remote, state = line.split()[1:4]
            if f"{port:04X}" in (local.split(":")[1], remote.split(":")[1]) and state not in ("06", "0A"):
                name = "ESTABLISHED" if state == "01" else "closing"
                counts[name] = counts.get(name, 0) + 1
        return counts

    def close(self) -> None:
        """Let go of both."""
        self.plant.close()
        self.control.close()
