"""People for the latency benchmark: whom to call, and the telephone (a webhook) that stamps each call as it comes."""

from __future__ import annotations

import json
import re
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

PEOPLE = """
[person.night1]
name = "Night shift operator"
role = "operator"
reach = { phone = "night1" }

[person.super1]
name = "Shift supervisor"
role = "supervisor"

[[escalation.urgent.step]]
people = ["night1"]
wait_s = 3600.0

[[escalation.high.step]]
people = ["night1"]
wait_s = 3600.0
"""
ALARMS = "[alarm.alarm_contact]\non_delay_s = 0.0\n"
CHANNELS = """
[person_limit]
messages = 1000
within_s = 10.0

[channel.phone]
url = "json://127.0.0.1:{port}/{{address}}"
"""


def write_people(site: Path, phone_port: int) -> None:
    """Give a site people, who are called as soon as an alarm contact operates, by both ways and without a limit."""
    (site / "people.toml").write_text(PEOPLE)
    (site / "alarms.toml").write_text(ALARMS)
    (site / "channels.toml").write_text(CHANNELS.format(port=phone_port))


class Phone:
    """Takes calls on 127.0.0.1.

    Attributes:
        port: Where. rung: For each call, when it came (seconds since 1970), and about which drive.
    """

    def __init__(self) -> None:
        self.rung: list[tuple[float, str]] = []
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                at_s = time.time()
                title = str(json.loads(self.rfile.read(int(self.headers["Content-Length"])))["title"])
                drive = re.search(r"\bD\d{4}\b", title)
                phone.rung.append((at_s, drive.group() if drive and "alarm contact operated" in title else ""))
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Nothing on the terminal."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, name="phone", daemon=True).start()

    def close(self) -> None:
        """No longer there."""
        self._server.shutdown()
        self._server.server_close()
