"""People of the test site, called over the broker and by telephone (a webhook), and what each of them was told."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from typing import Any

from integration.ledger import Ledger
from integration.site import Site
from peers.webhook import Webhook

PEOPLE = {"night1": "operator", "night2": "operator", "super1": "supervisor"}


def write_crew(
    site: Site,
    phone: Webhook,
    *,
    wait_s: float = 600.0,
    remind_s: float = 0.0,
    limit: tuple[int, float] = (10, 600.0),
    lockout: bool = True,
) -> None:
    """Give a site people, each with a telephone: night1 is called first, night2 after `wait_s`, and so on in turns.

    Args:
        site: Whose folder. phone: Takes the calls. wait_s, remind_s: Of each step. limit: Messages within seconds.
        lockout: Whether a shutdown opens one.
    """
    people = "".join(
        f'[person.{name}]\nname = "{name}"\nrole = "{role}"\nreach = {{ phone = "{name}" }}\n'
        for name, role in PEOPLE.items()
    )
    steps = "".join(
        f'[[escalation.{priority}.step]]\npeople = ["{who}"]\nwait_s = {wait_s}\nremind_s = {remind_s}\n'
        for priority in ("urgent", "high", "low")
        for who in ("night1", "night2")
    )
    (site.folder / "people.toml").write_text(f"{people}{steps}[lockout]\nafter_shutdown = {str(lockout).lower()}\n")
    (site.folder / "channels.toml").write_text(
        f"[person_limit]\nmessages = {limit[0]}\nwithin_s = {limit[1]}\n"
        f'[channel.phone]\nurl = "json://127.0.0.1:{phone.port}/{{address}}"\n'
    )


def rings(phone: Webhook, person: str) -> list[str]:
    """Titles of what came to a person's telephone, in order."""
    return [str(body["title"]) for path, body in list(phone.got) if path == f"/{person}"]


def calls(heard: Ledger, person: str, *events: str) -> list[dict[str, Any]]:
    """What came for a person over the broker, in order: everything, or what is one of these events."""
    return [
        m for m in heard.heard(f"person/{person}") if m["kind"] == "person" and (not events or m["event"] in events)
    ]


def owed(rows: Iterable[dict[str, Any]], person: str) -> Counter[str]:
    """How many calls the journal's rows (as plain values, in order) say a person is due, by priority.

    Who has been called is told once that an alarm flood has begun.
    """
    found: Counter[str] = Counter()
    for row in rows:
        if row["event"] == "called" and row["kind"] == "call" and person in row["data"]["people"]:
            found[row["data"]["priority"]] += 1
        found["high"] += row["event"] == "flood_began" and bool(found)
    return +found


def called(heard: Ledger, person: str) -> Counter[str]:
    """For how many calls a person was told over the broker, by priority: singly, or as one of many."""
    found: Counter[str] = Counter()
    for message in calls(heard, person, "called", "more"):
        data = message["data"]
        found.update(data["calling"] if message["event"] == "more" else {data["priority"]: 1})
    return found


MANY_URGENT, MANY = re.compile(r"^URGENT: (\d+) more urgent"), re.compile(r"more alarms? calls? you: (.*)")
"""In the subject of one message in the place of many."""
PRIORITY = re.compile(r"(\d+) (urgent|high|low)")


def rung(phone: Webhook, person: str) -> Counter[str]:
    """The same by telephone, from what stands in the messages."""
    found: Counter[str] = Counter()
    for title in rings(phone, person):
        many, priority = MANY_URGENT.search(title), title.partition(":")[0].lower()
        if many:
            found["urgent"] += int(many[1])
        elif listed := MANY.search(title):
            found.update({name: int(number) for number, name in PRIORITY.findall(listed[1])})
        elif priority in ("urgent", "high", "low"):
            found[priority] += 1
    return found
