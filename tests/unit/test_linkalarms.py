"""Alarms of links that nobody else ends: they end when the link is well or gone, and not before."""

from __future__ import annotations

from nightrake.alarms.book import shown
from nightrake.calling import Now
from nightrake.domain.inputs import LinkHealth, Tick
from nightrake.keeping import DAMAGE
from nightrake.linkalarms import LinkAlarms
from works import SECOND, Works, rake, site_of


def fallen(link: str) -> Works:
    """A site whose link has been down for an hour, and that has begun a new run since."""
    works = Works(site_of(rake("D")))
    works.give(LinkHealth(works.now_ns, works.utc_ms, link, False, "broken"))
    for _ in range(60):
        works.now_ns += 60 * SECOND
        works.give(Tick(works.now_ns, works.utc_ms))
    assert [str(a.key.kind) for a in shown(works.state.alarms.book)] != []
    works.state = works.state._replace(links={})
    return works


def lives(works: Works) -> list[str]:
    """Lives of what is shown, after the off-delay."""
    for _ in range(60):
        works.now_ns += 60 * SECOND
        works.give(Tick(works.now_ns, works.utc_ms))
    return [a.state.life.value for a in shown(works.state.alarms.book) if not a.key.drive]


def links_of(works: Works) -> LinkAlarms:
    """The part under test, over these works."""
    return LinkAlarms(lambda: Now(works.state, works.now_ns, works.utc_ms), works.give)


def test_first_commit_ends_the_alarm_of_a_disk_that_has_room_again() -> None:
    """A part tells changes only, and in the new run nothing changed."""
    works = fallen("disk")
    before = lives(works)
    links_of(works).committed()
    links_of(works).committed()
    after = lives(works)

    assert before == ["unacknowledged"]
    assert after == ["cleared unacknowledged"]


def test_disk_in_trouble_in_this_run_is_not_called_well() -> None:
    """A commit may go through while the disk is nearly full."""
    works = fallen("disk")
    works.give(LinkHealth(works.now_ns, works.utc_ms, "disk", False, "nearly full"))
    before = lives(works)
    links_of(works).committed()

    assert lives(works) == before


def test_forwarding_that_is_switched_off_is_no_alarm() -> None:
    """While it is on, it says itself how it is."""
    works = fallen("store")
    before = lives(works)
    links_of(works).look(forwards=True)
    assert lives(works) == before
    links_of(works).look(forwards=False)

    assert lives(works) != before


def test_notice_about_history_ends_with_the_run_that_had_the_trouble() -> None:
    """The worker tells changes only; trouble of this run stays told."""
    works = fallen("history")
    before = lives(works)
    links_of(works).look(forwards=True)
    assert lives(works) != before
    works.give(LinkHealth(works.now_ns, works.utc_ms, "history", False, "the disk is full"))
    standing = lives(works)
    links_of(works).look(forwards=True)

    assert lives(works) == standing


def test_history_that_is_damaged_is_a_notice_while_it_is_told() -> None:
    """At once, with the sentence; it writes no row of a link, and ends when the damage is out of the way."""
    works = Works(site_of(rake("D")))
    works.give(LinkHealth(works.now_ns, works.utc_ms, DAMAGE, False, "history.db.damaged-1: was moved aside"))
    standing = [(str(a.key), a.facts["detail"]) for a in shown(works.state.alarms.book)]
    before = lives(works)
    works.give(LinkHealth(works.now_ns, works.utc_ms, DAMAGE, True, ""))

    assert standing == [("site/-/history_damaged", "history.db.damaged-1: was moved aside")]
    assert lives(works) != before
    assert works.told("link_down") == []
