"""What each page needs, out of the scene: plain values for the templates. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from nightrake.alarms.lockoutsteps import RECORDS_ONLY
from nightrake.alarms.responses import CAUTION
from nightrake.alarms.table import ALARM_TYPES
from nightrake.page import creep, creepdrive, records, tripviews
from nightrake.page.alarmcards import Card, cards_of, stop_now
from nightrake.page.journalwords import Told, because_words, told_rows
from nightrake.page.lockoutwalk import walk_of
from nightrake.page.moments import Wall, zone_of
from nightrake.page.people import People
from nightrake.page.scene import Scene
from nightrake.page.strips import Rank, Strip, strip_of, strips_of
from nightrake.page.torquebar import hour_path, kilo

LIVE = ("overview", "alarms", "drive", "lockout", "trips", "trip", "creep")
"""Places that are kept up to date by themselves."""
SHELVE_S = ((900, "15 min"), (1800, "30 min"), (3600, "1 h"), (7200, "2 h"), (14400, "4 h"), (28800, "8 h"))


class Around(NamedTuple):
    """What every view needs.

    Attributes:
        wall: The site's clock. people: Everybody. names: Of drives, by id. cards: All alarms, in their order.
    """

    wall: Wall
    people: People
    names: Mapping[str, str]
    cards: Sequence[Card]


STANDBY_S = ((14400, "4 h"), (28800, "8 h"), (86400, "1 day"), (259200, "3 days"), (604800, "7 days"))
"""Spans that the page offers; the watch allows up to 31 days."""
CREEP = {"record_only": creep.RECORD_ONLY, "cannot_know": creep.CANNOT_KNOW}
TEST_S = ((900, "15 min"), (1800, "30 min"), (3600, "1 h"), (7200, "2 h"), (14400, "4 h"))
"""Of a function check; the watch allows no longer one."""


def around_of(scene: Scene) -> Around:
    """What every view of a scene needs."""
    wall = Wall(zone_of(str(scene.site.get("zone") or "UTC")), scene.at_utc_ms)
    people = People(scene.site.get("people") or {})
    names = {drive: str(view["name"]) for drive, view in scene.drives.items()}
    return Around(wall, people, names, cards_of(scene.alarms, names, people, wall))


# --- what every page has ---


def shared_values(
    where: str, scene: Scene, around: Around, who: Mapping[str, Any] | None, csrf: str, more: Mapping[str, Any]
) -> dict[str, Any]:
    """What every page has: who is signed in, the site, what stands."""
    return {
        **part_values(where, around),
        "live": where.partition("/")[0] in LIVE,
        "site": scene.site,
        "away": scene.away,
        "path": str(more.get("path", "/")),
        "since": str(more.get("since", "")),
        "who": who,
        "csrf": csrf,
        "signers": list(more.get("people", ())),
        "may_sign_in": bool(more.get("may_sign_in", True)),
        "cannot_sign_in": str(more.get("cannot_sign_in", "")),
        "now": now_of(scene, around),
        "refused": str(more.get("refused", "")),
    }


def part_values(where: str, around: Around) -> dict[str, Any]:
    """What the templates of parts need, whatever the part."""
    return {
        "page": where,
        "wall": around.wall,
        "people": around.people,
        "names": around.names,
        "caution": CAUTION,
        "records_only": RECORDS_ONLY,
        "shelve_s": SHELVE_S,
        "standby_s": STANDBY_S,
        "test_s": TEST_S,
    }


def now_of(scene: Scene, around: Around) -> dict[str, Any]:
    """What stands at the site, in a line; and what waits for an acknowledgement, for those who only hear the page."""
    standing = [c for c in around.cards if c.stands]
    waiting = [c for c in standing if c.waits]
    flood = scene.service.get("flood") or {}
    return {
        "shutdowns": sum(c.tone == "shutdown" for c in standing),
        "alarms": sum(c.tone == "alarm" for c in standing),
        "waiting": [
            {"key": f"{c.key}#{c.occurrence}", "words": c.words, "urgent": c.tone == "shutdown"} for c in waiting
        ],
        "down": _down(scene.service),
        "flood": flood.get("flood_since_utc_ms") or 0,
        "held_back": flood.get("held_back") or 0,
    }


_LINKS = {
    **{link: ALARM_TYPES[kind].title for link, kind in (("broker", "broker_unreachable"), ("disk", "store_full"))},
    "store": ALARM_TYPES["not_forwarded"].title,
    "control": "the control socket does not answer",
    "forwarding": "forwarding stands still",
}
"""What a link that is down means."""
_DAYTIME = ("plc:", "notice:", "history")
"""Links that are said elsewhere: PLCs of their own accord; and what is a notice, for whoever is here in the daytime."""


def _down(service: Mapping[str, Any]) -> list[str]:
    """PLCs and links that are down, in words."""
    plcs, links = service.get("plcs") or {}, service.get("links") or {}
    silent = [f"PLC {name} does not answer" for name, plc in plcs.items() if not plc["up"]]
    broken = [name for name, link in links.items() if not link["up"] and not name.startswith(_DAYTIME)]
    return silent + [_LINKS.get(name, f"link {name} is down") for name in broken]


# --- pages ---


def page_values(where: str, scene: Scene, around: Around, more: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """Template and values of one place.

    Raises:
        KeyError: There is no such place, or no such drive.
    """
    kind, _, one = where.partition("/")
    if kind == "overview":
        strips = strips_of(scene.drives, around.cards, around.people, around.wall)
        places = places_of(scene)
        shown = [(s, hour_of(scene, s), order_of(s, places)) for s in strips]
        return "overview.html", {"strips": shown, "cards": about_no_drive(around.cards), "title": "Overview"}
    if kind == "alarms":
        rows = rows_of(more.get("rows", ()), around)
        return "alarms.html", {"lists": listed(around.cards), "rows": rows, "title": "Alarms"}
    if kind == "drive":
        rows = rows_of(more.get("rows", ()), around)
        return "drive.html", {
            **drive_values(one, scene, around),
            "rows": rows,
            "title": one,
        }
    if kind == "behind":
        return "parts/behind.html", {"drive": scene.drives[one], **behind(one, scene, around, more)}
    if kind == "lockout":
        values = {**drive_values(one, scene, around), **walk_values(scene, around, more.get("lockout"))}
        return "lockout.html", {**values, "title": f"Lockout of {one}"}
    if kind == "creep":
        ranked = creep.list_of(more.get("creep"), str(more.get("why_not", "")), around.names, around.wall)
        return "creep.html", {"list": ranked, **CREEP, "title": "Creep"}
    if kind == "drivecreep":
        return "parts/drivecreep.html", {"drive": scene.drives[one], **drive_creep(more["creep"], around)}
    if kind == "trips":
        return "trips.html", {"list": tripviews.list_of(more, around.names), "title": "Trips"}
    if kind == "trip":
        told = more.get("trip")
        shown_trip = tripviews.view_of(told, around.names, around.wall) if told else None
        return "trip.html", {"trip": shown_trip, "trip_id": one, "title": f"Trip {one}"}
    return _other(kind, more)


def behind(drive: str, scene: Scene, around: Around, more: Mapping[str, Any]) -> dict[str, Any]:
    """What stands behind a drive's torque: calibration records and data sheet."""
    calibration, sheet = more.get("calibration"), more.get("sheet")
    return {
        "records": records.records_of(calibration, scene.drives[drive], around.wall),
        "sheet": sheet,
        "behind_notes": records.notes_of(calibration, sheet),
    }


def drive_creep(told: Mapping[str, Any], around: Around) -> dict[str, Any]:
    """Creep of one drive."""
    sides = creepdrive.sides_of(told, around.names, around.wall)
    return {"judged": creep.judged_of(told, "", around.wall), "sides": sides, **CREEP}


def _other(kind: str, more: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """Pages that show nothing of the scene."""
    if kind == "sign-in":
        values = {k: str(more.get(k, "")) for k in ("person", "next")}
        return "signin.html", {**values, "title": "Sign in"}
    if kind == "help":
        return "help.html", {"title": "Help"}
    if kind == "error":
        title = str(more.get("title", "This page is not there"))
        return "error.html", {"status": more.get("status", 404), "text": str(more.get("text", "")), "title": title}
    raise KeyError(f"no page '{kind}'")


def listed(cards: Sequence[Card]) -> dict[str, list[Card]]:
    """Alarms by the list they stand in: ``active``, ``aside`` and ``notices``."""
    return {
        "active": [c for c in cards if c.stands],
        "aside": [c for c in cards if c.aside],
        "notices": [c for c in cards if not c.is_alarm and not c.aside],
    }


def about_no_drive(cards: Sequence[Card]) -> list[Card]:
    """Alarms of the site and its PLCs that stand."""
    return [c for c in cards if c.stands and not c.drive]


def strip(scene: Scene, around: Around, drive: str) -> Strip:
    """One drive's strip."""
    return strip_of(scene.drives[drive], around.cards, around.people, around.wall)


def places_of(scene: Scene) -> dict[str, int]:
    """Each drive's place in the site's own order."""
    return {drive: place for place, drive in enumerate(scene.drives)}


def order_of(shown: Strip, places: Mapping[str, int]) -> int:
    """A strip's place among all: the worst first, then the nearer to its alarm, then by the site's order."""
    return (shown.order * 10_000) + min(9_999, places.get(shown.id, 9_999))


def hour_of(scene: Scene, shown: Strip) -> str:
    """The last hour of a drive as a path; "" where nothing is known of it."""
    return hour_path(scene.hours.of(shown.id, scene.at_utc_ms), shown.bar.full_nm)


def rows_of(rows: Sequence[Mapping[str, Any]], around: Around) -> list[Told]:
    """Journal rows in words, the newest first."""
    return told_rows(rows, around.names, around.people)


def drive_values(drive: str, scene: Scene, around: Around) -> dict[str, Any]:
    """A drive's page.

    Raises:
        KeyError: There is no such drive.
    """
    view = scene.drives[drive]
    shown = strip(scene, around, drive)
    own = [c for c in around.cards if c.drive == drive]
    return {
        "drive": view,
        "strip": shown,
        "hour": hour_of(scene, shown),
        "cards": [c for c in own if c.is_alarm and not c.aside],
        "aside": [c for c in own if c.aside],
        "notices": [c for c in own if not c.is_alarm and not c.aside],
        "contacts": view.get("contacts") or [],
        "alarm_at": kilo(view["alarm_nm"]),
        "shutdown_at": kilo(view["shutdown_nm"]),
        "shut": shown.rank <= Rank.SHUTDOWN,
        "stop_now": stop_now(view["stop"], view["running"]),
    }


NO_LOCKOUT: Mapping[str, Any] = {
    "number": 0,
    "open": False,
    "opened_utc_ms": 0,
    "because": "",
    "locks": (),
    "reports": (),
    "in_charge": "",
    "test_run_s": 0.0,
    "missing": (),
    "cancelled": False,
    "released_by": "",
    "released_utc_ms": 0,
}


def walk_values(scene: Scene, around: Around, held: Mapping[str, Any] | None) -> dict[str, Any]:
    """A lockout as it is walked.

    Args:
        held: As `domain.alarmview.lockout_view`; None: it could not be asked for.
    """
    known = held is not None
    held = held or NO_LOCKOUT
    needs = [str(step) for step in scene.site.get("needs") or ()]
    return {
        "held": held,
        "because": because_words(str(held["because"]), around.names, around.people),
        "known": known,
        "walk": walk_of(held, needs, around.people, around.wall),
        "causes": list(scene.site.get("causes") or ()),
        "two_persons": list(scene.site.get("two_persons") or ()),
        "everybody": [(p, str(known.get("name") or p)) for p, known in around.people.known.items()],
    }
