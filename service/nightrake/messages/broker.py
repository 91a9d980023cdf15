"""What there is to know of a broker: where it is, what its refusals mean, what comes from it. No I/O."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from nightrake.errors import MessageError

INCOMING_BYTES = 4096
"""Nothing of our own that comes back is longer; what comes all the same is dropped unread."""
PACKET_BYTES = 20 * 1024
"""A broker on MQTT 5 is told that we take no longer packet: twice the longest command, so that one which is too long
can be answered, with its topic and properties."""
ANSWER_S = 10.0
"""For the broker's answer to anything."""
UNSPECIFIED = 0x80  # as a DISCONNECT it is paho's word for "the socket closed"
TAKEN_OVER = 0x8E
TOO_MANY_IN_FLIGHT = 0x93
ENDED = "the connection ended"
EARLY = (
    "ended the connection before it answered; does it want TLS (mqtt.ca_file), or another client certificate than "
    "mqtt.cert_file?"
)
REFUSED = {
    1: "does not speak this version of MQTT; try mqtt.protocol = 311",
    2: "refuses our client id; set another mqtt.client_id",
    3: "is not ready to serve",
    4: "refuses this user name or password; check mqtt.username and its password",
    5: "does not authorise us; check mqtt.username, its password and the broker's access rules",
    UNSPECIFIED: "refuses the connection without a reason",
    132: "does not speak MQTT 5; set mqtt.protocol = 311",
    133: "refuses our client id; set another mqtt.client_id",
    134: "refuses this user name or password; check mqtt.username and its password",
    135: "does not authorise us; check mqtt.username, its password and the broker's access rules",
    136: "is not ready to serve",
    137: "is busy",
    138: "has banned this client",
    TAKEN_OVER: "gave our client id to another client",
    TOO_MANY_IN_FLIGHT: "allows fewer messages in flight than we sent",
}
"""CONNACK and DISCONNECT reason codes (MQTT 3.1.1: 1 to 5; MQTT 5: 128 up)."""


class LinkLost(MessageError):
    """The connection to the broker failed or ended.

    Attributes:
        code: The broker's reason code, where it gave one.
        thrown_off: The broker was there and ended a connection that was up.
    """

    def __init__(self, text: str, code: int | None = None) -> None:
        self.code = code
        self.thrown_off = code == TAKEN_OVER or text.endswith(ENDED)
        super().__init__(text)


class Refused(MessageError):
    """The broker refused a subscription; the connection holds."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where the broker is and how to speak to it.

    Attributes:
        host, port: TCP address. protocol: 5, or 311 for MQTT 3.1.1.
        client_id: Stable; two programs must never share one.
        username, password: "" for none.
        ca_file, cert_file, key_file: Given: TLS.
        keepalive_s: Silence after which either side takes the other for dead.
        answer_s: How long the broker may take to answer anything.
    """

    host: str
    port: int
    protocol: int
    client_id: str
    username: str = ""
    password: str = field(default="", repr=False)
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    keepalive_s: int = 15
    answer_s: float = ANSWER_S

    @property
    def place(self) -> str:
        """How sentences name it."""
        return f"broker {self.host}:{self.port}"


class Received(NamedTuple):
    """A message that came in."""

    topic: str
    payload: bytes
    retained: bool


class Will(NamedTuple):
    """What the broker says for us, retained, when we vanish."""

    topic: str
    payload: bytes
