"""What there is to know of a channel, and what comes of a message over it. No I/O."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple
from urllib.parse import quote


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """One channel.

    Attributes:
        name: As people's `reach` names it.
        url: In the library's form; ``{address}`` and ``{secret}`` stand for what is filled in.
        secret: "" for none. ca_file: Authorities to check the other side against, "" for the system's.
        text: ``short`` for telephones, ``long`` for mail.
        timeout_s: How long the other side may take to answer anything.
    """

    name: str
    url: str
    secret: str = field(default="", repr=False)
    ca_file: str = ""
    text: str = "short"
    timeout_s: float = 15.0

    def filled(self, address: str) -> str:
        """The URL for one address. A redirection is not followed: it could lead the secret elsewhere."""
        url = self.url.replace("{address}", quote(address, safe="")).replace("{secret}", quote(self.secret, safe=""))
        more = f"cto={self.timeout_s:g}&rto={self.timeout_s:g}&redirect=no"
        return f"{url}{'&' if '?' in url else '?'}{more}"


class Sent(NamedTuple):
    """What came of one try. `detail`: why not, one line without the secret."""

    ok: bool
    detail: str = ""


class Outcome(NamedTuple):
    """What came of a message to a person over a channel; to be journalled.

    Attributes:
        person, channel, alarm, event, seq: Of which message; `seq` is its row's number.
        ok: The other side has taken it. detail: why not.
        tries: So far. again: It is tried again.
    """

    person: str
    channel: str
    alarm: str
    event: str
    seq: int
    ok: bool
    detail: str = ""
    tries: int = 1
    again: bool = False
