"""Each text that is told of a site, one after the other, tries to be a script and to turn its line round.

Whatever people, PLCs, brokers, files or another version of the watch write: no markup, no control character, no page
that cannot be shown for it. Texts that are words of a fixed list may end a page, but never become part of it.
"""

from __future__ import annotations

import copy
import unicodedata
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from creepfiles import cannot_say, stepped
from nightrake.page.look import HERE, Templates
from nightrake.page.scene import Scene
from nightrake.page.statics import Statics
from nightrake.pagereading.creepshape import side_of
from nightrake.workers.pagechannel import read
from pagescenes import NOW_MS, PEOPLE, drive, in_alarm, lockout, plc_lost, row, scene, shut_down
from unit.page.test_parts import Seen
from unit.page.test_records import calibration, record
from unit.page.test_tripviews import event, trip

pytestmark = pytest.mark.timeout(60)  # some make thousands of pages, which takes a busy machine a while

EVIL = "\"'><script>alert(1)</script><img src=x onerror=alert(1)>\u202e\x1b[31m\x00\u2066\x85{{7*7}}"
WHO = {"person": "night1", "name": "Night shift operator", "role": "operator", "may": ["acknowledge"]}
MORE = {"path": "/", "people": [], "may_sign_in": True, "cannot_sign_in": "", "since": ""}
FIXED = {
    "state", "kind", "life", "letter", "priority", "stop", "quality", "step", "stage", "grain", "form", "zone",
    "alarm", "event", "branch", "direction", "torque_is", "drive", "subject", "leans", "contact", "trip",
}  # fmt: skip
"""Keys whose texts are words of the program itself, or ids that the settings allow only in a narrow form."""


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where texts stand in plain values, those that are keys of names included."""
    if isinstance(value, str):
        yield path
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list | tuple):
        for number, inner in enumerate(value):
            yield from leaves(inner, (*path, number))


def changed(value: Any, path: tuple[Any, ...]) -> Any:
    """The same with one text in place of another."""
    if not path:
        return EVIL
    made = list(value) if isinstance(value, tuple) else copy.copy(value)
    made[path[0]] = changed(made[path[0]], path[1:])
    return made


def told() -> dict[str, Any]:
    """A site with something of everything."""
    over = {"by": "super1", "reason": "tank empty", "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + 60_000}
    pc1 = drive(
        "PC1", "Primary", "primary", 32_000.0, 40_000.0, 34_000.0, quality="failure", reasons=["doubt"], standby=over,
        out_of_service=["PC1/forward/torque_rising"], shelved=["PC1/forward/torque_high"], locked_out=True,
    )  # fmt: skip
    made = [in_alarm(), shut_down(), plc_lost()]
    alarms = [made[0].alarms[0], made[0].alarms[2], made[1].alarms[1], made[2].alarms[0]]
    return {
        "site": {**made[0].site, "two_persons": ["release"]},
        "drives": {"PC1": pc1},
        "alarms": alarms,
        "service": {**made[2].service, "links": {"broker": {"up": False, "detail": "gone"}}},
    }


ROWS = [
    row(1, "lockout", "cause", "PC1", actor="fitter1", remark="a plank", cause="ice", lock_of="x", lock_number="17"),
    row(2, "alarm", "acknowledged", "PC1", alarm="PC1/forward/alarm_contact", actor="night1", known_by="page session"),
    row(3, "command", "refused", "", actor="night1", verb="reset", reason="not now"),
    row(4, "page", "sign_in_refused", "", address="10.0.0.9", why="password", known_by="page"),
    row(5, "call", "delivered", "PC1", person="night1", way="mail", detail="queued", alarm="PC1/forward/alarm_contact"),
    row(6, "link", "down", "", link="broker", detail="no answer", plc="PLCA"),
    row(7, "drive", "quality", "PC1", contact="forward/alarm/A", reasons=["over range"], detail="x", reason="y"),
    row(8, "lockout", "opened", "PC1", because="PC1/forward/shutdown_contact 2", actor="x"),
    row(9, "history", "recomputed", "PC1", actor="x", reason="y"),
]
SHEET = {
    "device_serial": "FM-1", "cautions": ["Lock out."], "notes": ["a note"],
    "findings": [{"verdict": "look", "subject": "Alarm", "text": "32 kN.m", "source": "trade"}],
    "sections": [{"title": "Load", "rows": [{"label": "Torque", "si": "32 kN.m", "us": "24 klbf"}]}],
}  # fmt: skip
RECORD = record(
    made_by="F. Example", made_on="2026-03-14", due_on="2028-03-14", device_serial="FM-0101", method="applied torque",
    method_detail="lever", place="Works", reference_standard="TT-7", transducer="T", supersedes="old", remarks="none",
    not_in_budget=["hysteresis"],
)  # fmt: skip


def told_of(one: dict[str, Any]) -> dict[str, Any]:
    """A side as the reader tells it, without its days."""
    side = side_of(one)
    assert side is not None
    return {**side.told, "days": None}


SAID = {"by": "fitter1", "role": "maintenance", "utc_ms": 1}
WALKED = lockout(
    reports=[
        {**SAID, "step": "isolation_reported", "remark": "Q3", "lock_number": "17"},
        {**SAID, "step": "cause", "remark": "plank", "cause": "ice"},
        {**SAID, "step": "test_run", "name": "proof", "remark": ""},
        {**SAID, "step": "lock_exception", "lock_of": "x", "absent": "a", "looked_for": "b", "will_be_told": "c"},
    ],
    in_charge="fitter1",
    released_by="super1",
)
CREEP = {
    "judged_utc_ms": NOW_MS, "read_utc_ms": NOW_MS, "took_s": 1.5, "beware": ["a doubt"], "notes": ["a note"],
    "report": "creep-2026-11-23.html", "reports": [], "total": 2, "skip": 0, "warnings": 0, "drives": 2,
    "sides": [{**told_of(one), "place": 1} for one in (stepped("PC1", several=True), cannot_say("SC9"))],
}  # fmt: skip
PAGES: dict[str, dict[str, Any]] = {
    "overview": {},
    "alarms": {"rows": ROWS},
    "drive/PC1": {"rows": ROWS},
    "behind/PC1": {"calibration": calibration(RECORD, None), "sheet": SHEET},
    "lockout/PC1": {"lockout": WALKED},
    "trips": {"trips": [trip()], "notes": ["left out"], "why_not": "", "drive": "PC1", "stage": "alarm", "skip": 50},
    "trip/1": {"trip": trip(events=[event(1, "alarm", "raised")], remarks=["odd"], notes=["part"])},
    "creep": {"creep": {**CREEP, "reports": [{"name": "creep-2026-11-23.html", "bytes": 1}]}, "why_not": ""},
    "drivecreep/PC1": {"creep": {**CREEP, "of": 3}},
    "sign-in": {"refused": "no", "next": "/alarms", "person": "super1"},
    "error": {"status": 404, "title": "Not there", "text": "There is no such page."},
}


@pytest.fixture(scope="module")
def look() -> Templates:
    """As the worker has it."""
    return Templates(Statics(Path(HERE) / "static"))


def put_up(site: Mapping[str, Any]) -> Scene:
    """A scene of what is told."""
    made = scene()
    made.apply({"at": NOW_MS, **site})
    return made


def faults(html: str) -> list[str]:
    """What of an evil text got through."""
    wrong = list(Seen(html).wrong)
    wrong += [mark for mark in ("<img", "<script>alert", "49\ufffd") if mark in html]
    hidden = {c for c in html if unicodedata.category(c) in ("Cc", "Cf", "Cs") and c != "\n"}
    return wrong + [f"U+{ord(c):04X}" for c in hidden]


@pytest.mark.parametrize("where", PAGES)
def test_no_text_becomes_more_than_a_text(look: Templates, where: str) -> None:
    """One after the other: of the site, and of what the page was given besides."""
    site, more = told(), {**MORE, **PAGES[where], "people": [{"person": p, **k} for p, k in PEOPLE.items()]}
    found, ended = list[str](), set[str]()
    shows_site = where.partition("/")[0] in ("overview", "alarms", "drive", "lockout")
    cases = [("more", path) for path in leaves(more)] + [("site", path) for path in leaves(site) if shows_site]
    for whose, path in cases:
        told_now = changed(site, path) if whose == "site" else site
        given = changed(more, path) if whose == "more" else more
        try:
            made = put_up(told_now)
            html = look.page(where, made, WHO, "token", given)
            parts = look.parts(where, made, made.everything()) if whose == "site" else ()
        except Exception as error:  # noqa: BLE001  any at all
            keys = {part for part in path if isinstance(part, str)}
            if not keys & FIXED:
                ended.add(f"{whose} {path}: {type(error).__name__}: {error}")
            continue
        found += [f"{whose} {path}: {fault}" for fault in faults(html) + faults("".join(p.html for p in parts))]

    assert len(cases) > (100 if shows_site else 10)
    assert found == []
    assert ended == set()


def test_half_a_character_does_not_come_in() -> None:
    """JSON may name one half of a pair of UTF-16, which no page could be sent with; whole pairs are what they were."""
    told = read(b'{"detail": "a\\ud800b", "more": ["\\uDFFF"], "site": "\\ud83d\\ude00"}')

    assert told == {"detail": "a?b", "more": ["?"], "site": "\U0001f600"}
