"""A real Mosquitto on a free port, of 127.0.0.1 unless a test puts it elsewhere."""

from __future__ import annotations

import signal
from pathlib import Path

from peers.process import Peer, port_free, program


class Mosquitto(Peer):
    """The broker.

    Args:
        folder: For configuration and log.
        acl: Text of an access list, or "" for none. lines: Further lines of configuration.
        tls: (CA file, certificate file, key file) for a listener with TLS, or None. address: Where it listens.
    """

    def __init__(
        self,
        folder: Path,
        acl: str = "",
        lines: tuple[str, ...] = (),
        tls: tuple[Path, Path, Path] | None = None,
        address: str = "127.0.0.1",
    ) -> None:
        super().__init__(folder, port_free())
        self._program = program("mosquitto", "mosquitto")
        self._conf = folder / "mosquitto.conf"
        self._acl = folder / "acl.txt"
        listener = [f"listener {self.port} {address}", "allow_anonymous true", "set_tcp_nodelay true"]
        general = [
            "user root",
            "log_type error",
            "log_type warning",
            "log_type notice",
            "log_type information",
            "persistence false",
        ]
        general.append("max_queued_messages 100000")  # at its default of 1000 it drops what a slow test has yet to read
        # user: started by root it would otherwise give up the right to read the test's own files.
        if tls is not None:
            ca, cert, key = tls
            listener += [f"cafile {ca}", f"certfile {cert}", f"keyfile {key}"]
        if acl:
            self.write_acl(acl)
            general.append(f"acl_file {self._acl}")
        self._conf.write_text("\n".join([*general, *lines, *listener]) + "\n")

    def command(self) -> list[str]:
        return [self._program, "-c", str(self._conf)]

    def write_acl(self, text: str) -> None:
        """Write the access list; `reload` makes a running broker read it."""
        self._acl.write_text(text)
        self._acl.chmod(0o644)

    def reload(self) -> None:
        """Have it read its access list again."""
        before = self._reloads()
        self.signal(signal.SIGHUP)
        self.wait_for(lambda: self._reloads() > before, "mosquitto to reload")

    def _reloads(self) -> int:
        return self.log.read_text(errors="replace").count("Reloading config")
