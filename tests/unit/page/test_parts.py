"""Pages and parts as they are rendered: whole, escaped, free of inline script and style, and equal to one another."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from nightrake.page import parts
from nightrake.page.scene import Away, Changes, Scene
from pagescenes import NOW_MS, PEOPLE, alarm, calm, drive, in_alarm, lockout, many, plc_lost, row, scene, shut_down

TEMPLATES = Path(parts.__file__).parent / "templates"
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>{{7*7}}"
WHO = {"person": "night1", "name": "Night shift operator", "role": "operator", "may": ["acknowledge"]}
SIGNERS = [{"person": person, **known} for person, known in PEOPLE.items()]
MORE: dict[str, Any] = {"path": "/", "people": SIGNERS, "may_sign_in": True, "cannot_sign_in": ""}
VOID = {"meta", "link", "input", "br", "img", "hr"}


@pytest.fixture(scope="module")
def env() -> Environment:
    """The templates as the server loads them."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["static"] = lambda name: f"/static/abc/{name}"
    parts.furnish(made)
    return made


class Seen(HTMLParser):
    """Elements of a page: attributes by id, and whatever is wrong with it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.wrong: list[str] = []
        self.texts: list[str] = []
        self._open: list[str] = []
        self.feed(html)
        self.close()
        self.wrong += [f"not closed: {tag}" for tag in self._open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.wrong += [f"<{tag} {name}>" for name in given if name == "style" or name.startswith("on")]
        if tag == "style" or (tag == "script" and "src" not in given):
            self.wrong.append(f"inline <{tag}>")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open.pop() != tag:
            self.wrong.append(f"</{tag}> closes nothing")

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


SCENES: dict[str, Callable[[], Scene]] = {
    "calm": calm,
    "in alarm": in_alarm,
    "shut down": shut_down,
    "PLC lost": plc_lost,
    "nothing told yet": Scene,
}
PLACES: dict[str, dict[str, Any]] = {
    "overview": {},
    "alarms": {"rows": [row(1, "alarm", "raised", "PC1", alarm="PC1/forward/alarm_contact")]},
    "drive/PC1": {"rows": []},
    "drive/GT1": {},
    "lockout/PC1": {"lockout": lockout()},
    "lockout/PC2": {"lockout": None},
    "trips": {"trips": None, "why_not": "history is being read"},
    "trip/1": {"trip": None},
    "sign-in": {"refused": "no", "next": "/alarms", "person": "super1"},
    "help": {},
    "error": {"status": 404, "title": "Not there", "text": "There is no such page."},
}


@pytest.mark.parametrize("who", [None, WHO], ids=["nobody", "somebody"])
@pytest.mark.parametrize("where", PLACES)
@pytest.mark.parametrize("made", SCENES.values(), ids=SCENES.keys())
def test_every_page_is_whole(
    env: Environment, made: Callable[[], Scene], where: str, who: dict[str, Any] | None
) -> None:
    """Every place in every state renders, with each id once, nothing left open and nothing that the CSP forbids."""
    shown = made()
    if "/" in where and where.partition("/")[0] != "trip" and not shown.drives:
        with pytest.raises(KeyError):
            parts.render_page(env, where, shown, who, "token", MORE | PLACES[where])
        return
    page = Seen(parts.render_page(env, where, shown, who, "token", MORE | PLACES[where]))

    assert page.wrong == []
    assert len(page.ids) == len(set(page.ids))


@pytest.mark.parametrize("where", ["nowhere", "drive/PC9", "lockout/PC9"])
def test_places_that_are_not_there(env: Environment, where: str) -> None:
    """An unknown place or drive is a KeyError, which the server answers with 404."""
    with pytest.raises(KeyError):
        parts.render_page(env, where, calm(), None, "", MORE)


@pytest.mark.parametrize("where", ["overview", "alarms", "drive/PC1", "lockout/PC1"])
def test_parts_are_the_page(env: Environment, where: str) -> None:
    """What is sent for everything is, part by part, what the page was rendered with."""
    shown = in_alarm()
    page = re.sub(r"\s+", " ", parts.render_page(env, where, shown, None, "", MORE | {"lockout": lockout()}))
    made = parts.render_parts(env, where, shown, shown.everything())

    assert made
    for part in made:
        assert re.sub(r"\s+", " ", part.html) in page, part.id


def test_only_what_changed_is_sent(env: Environment) -> None:
    """One drive's change sends its strip and what stands at the site, and nothing to those who look at another one."""
    shown = in_alarm()
    one = Changes({"PC2"})

    assert [p.id for p in parts.render_parts(env, "overview", shown, one)] == ["site-now", "strip-PC2"]
    assert [p.id for p in parts.render_parts(env, "drive/PC1", shown, one)] == ["site-now"]
    assert parts.render_parts(env, "overview", shown, Changes(values={"PC2"})) == []


def test_strips_carry_the_order_of_the_page(env: Environment) -> None:
    """Sorting parts by their order gives the order of the page, however many drives there are."""
    shown = many(60)
    made = [p for p in parts.render_parts(env, "overview", shown, shown.everything()) if p.order is not None]
    page = parts.render_page(env, "overview", shown, None, "", MORE)

    ordered = [p.id for p in sorted(made, key=lambda p: p.order or 0)]
    assert ordered == re.findall(r'<li id="(strip-[^"]+)"', page)


def test_rows_go_to_whom_they_concern(env: Environment) -> None:
    """The journal's new rows come as parts, the newest first, on the drive's page those of the drive."""
    rows = [row(5, "alarm", "cleared", "PC1", alarm="PC1/forward/alarm_contact"), row(6, "service", "started")]
    on_alarms = parts.render_parts(env, "alarms", calm(), Changes(rows=rows))
    on_drive = parts.render_parts(env, "drive/PC1", calm(), Changes(rows=rows))

    assert [(p.id, p.order) for p in on_alarms] == [("row-6", -6), ("row-5", -5)]
    assert [p.id for p in on_drive] == ["row-5"]


def test_acknowledgement_names_the_occurrence_on_the_screen(env: Environment) -> None:
    """The second touch carries the alarm and the occurrence that are shown, and its words say which."""
    page = parts.render_page(env, "overview", in_alarm(), WHO, "token", MORE)

    found = re.search(r'data-verb="acknowledge"[^>]*data-args="([^"]*)"[^>]*>\s*<button[^>]*>([^<]*)<', page)
    assert found is not None
    assert found[1] == "{&#34;alarm&#34;:&#34;PC1/forward/alarm_contact&#34;,&#34;occurrence&#34;:3}"
    assert found[2] == "Acknowledge PC1: alarm contact operated"


def test_what_is_urgent_cannot_be_put_aside(env: Environment) -> None:
    """No form offers to shelve a shutdown; and the way to its lockout is there."""
    shown = scene({"PC1": drive("PC1", "", "", 1.0, 2.0, 1.0)}, (alarm("PC1", "shutdown_contact"),))
    page = parts.render_page(env, "drive/PC1", shown, WHO, "token", MORE)

    assert 'data-verb="shelve"' not in page
    assert 'href="/lockout/PC1"' in page


def test_page_that_hears_nothing_says_so(env: Environment) -> None:
    """A page loaded while the watch is away is grey from the first paint, and says since when and why."""
    shown = in_alarm()
    shown.away = Away(NOW_MS, "the watch does not answer")
    page = parts.render_page(env, "overview", shown, None, "", MORE)

    assert '<html lang="en" class="away">' in page
    assert "Nothing here is live." in page
    assert "The watch does not answer; the values are of 03:14:05." in page


def test_what_is_down_and_a_flood_are_said(env: Environment) -> None:
    """A silent PLC, a link that is down and a flood of alarms stand in the line about the site, in words."""
    links = {name: {"up": False, "detail": ""} for name in ("broker", "control", "odd")}
    flood = {"flood_since_utc_ms": NOW_MS - 60_000, "flood_count": 14, "held_back": 3}
    shown = scene(plcs={"PLCB": {"up": False, "detail": "no answer"}}, links=links, flood=flood)
    page = parts.render_page(env, "overview", shown, None, "", MORE)

    for words in (
        "PLC PLCB does not answer",
        "messages do not get through",
        "the control socket does not answer",
        "link odd is down",
        "flood of alarms since 03:13, 3 calls held back",
    ):
        assert words in page


def test_what_is_for_the_daytime_is_not_down(env: Environment) -> None:
    """A creep warning, an update or history that is sealed late wakes nobody: the line about the site stays calm."""
    names = ("notice:creep_forecast:PC1:forward", "notice:service_updated", "history", "plc:PLCA")
    shown = scene(links={name: {"up": False, "detail": ""} for name in names})

    page = parts.render_page(env, "overview", shown, None, "", MORE)

    assert "is down" not in page
    assert "notice:" not in page
    assert "No alarm stands." in page


@pytest.mark.parametrize(
    ("running", "stop", "said"),
    [
        (False, "confirmed", "stands; stop confirmed"),
        (None, "confirmed", "not known; stop was confirmed"),
        (True, "confirmed", "runs</dd>"),
        (True, "still RUNNING", "runs; still RUNNING"),
        (True, "", "runs</dd>"),
    ],
)
def test_stop_is_said_as_it_is_now(env: Environment, running: bool | None, stop: str, said: str) -> None:
    """A drive's own page says of its motor what the strip says: a stop that is of the past, or undone, is not said."""
    shown = scene({"PC1": drive("PC1", "", "", 1.0, 2.0, 1.0, running=running, stop=stop)})

    page = parts.render_page(env, "drive/PC1", shown, None, "", {**MORE, "rows": []})

    assert said in page.partition("<dt>Motor</dt>")[2].partition("<dt>")[0]


def test_share_says_of_what_and_which_way(env: Environment) -> None:
    """Of a drive that turns both ways too: a percentage alone says nothing on a telephone, which has no scale."""
    page = parts.render_page(env, "overview", scene(), None, "", MORE)
    strip = page.partition('id="strip-GT1"')[2].partition("</li>")[0]

    assert re.search(r"<span data-share>54</span> % of shutdown</small> <small class=\"share side\">forward<", strip)


def test_drive_of_a_silent_plc_does_not_look_free_of_alarms(env: Environment) -> None:
    """That none stands is not said where nobody would know."""
    page = parts.render_page(env, "drive/SC1", plc_lost(), None, "", {**MORE, "rows": []})

    assert "No alarm of this drive stands" not in page
    assert "nobody is told if this drive overloads" in page


@pytest.mark.parametrize(("missing", "main"), [((), True), (("the cause has not been reported",), False)])
def test_release_stands_out_only_once_nothing_is_against_it(
    env: Environment, missing: tuple[str, ...], main: bool
) -> None:
    """Until then the next step is what a tired person is led to."""
    more = {**MORE, "lockout": lockout(missing=missing)}
    page = parts.render_page(env, "lockout/PC1", shut_down(), WHO, "token", more)
    button = re.search(r"<button type=\"submit\"([^>]*)>Release PC1", page)

    assert button is not None
    assert ("main" in button.group(1)) is main


def test_error_is_a_sentence(env: Environment) -> None:
    """As the interface says it, with a capital and a full stop."""
    page = parts.render_page(env, "error", scene(), None, "", {**MORE, "text": "there is no such page"})

    assert "<p>There is no such page.</p>" in page


def test_sign_in_shows_nothing_of_the_site(env: Environment) -> None:
    """Where looking asks for a sign-in, the page for that tells no alarm and no drive."""
    page = parts.render_page(env, "sign-in", shut_down(), None, "token", MORE)

    assert "PC1" not in page
    assert "urgent" not in page


def hostile() -> Scene:
    """Every free text of people, plant and settings tries to be a script."""
    over = {"by": HOSTILE, "reason": HOSTILE, "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + 60_000}
    view = drive(
        "PC1", HOSTILE, HOSTILE, 32_000.0, 40_000.0, 34_000.0, quality="failure", reasons=[HOSTILE], standby=over
    )
    view["position_mm"]["reason"] = view["torque_nm"]["reason"] = view["contacts"][0]["reason"] = HOSTILE
    view["contacts"][0]["reads"] = None
    shelved = alarm("PC1", "torque_high", shelved=over)
    loud = alarm("PC1", "alarm_contact", title=HOSTILE, first_response=[HOSTILE], told=[HOSTILE], withheld=HOSTILE)
    site = alarm("site", "paging_dead", facts={"people": [HOSTILE], "detail": HOSTILE}, acked_by=HOSTILE)
    made = scene({"PC1": view}, (shelved, loud, site), plcs={HOSTILE: {"up": False, "detail": HOSTILE}})
    made.site["name"] = HOSTILE
    made.site["causes"] = [HOSTILE]
    made.site["people"] = {"x": {"name": HOSTILE, "role": HOSTILE}}
    return made


@pytest.mark.parametrize("where", ["overview", "alarms", "drive/PC1", "lockout/PC1", "sign-in", "error"])
def test_script_in_any_free_text_stays_text(env: Environment, where: str) -> None:
    """Nothing that a person or the plant can write becomes markup, in no place of the page."""
    report = {"step": "cause", "by": HOSTILE, "role": HOSTILE, "utc_ms": 1, "remark": HOSTILE, "cause": HOSTILE}
    more = MORE | {
        "rows": [row(1, "lockout", "cause", "PC1", actor=HOSTILE, remark=HOSTILE, cause=HOSTILE)],
        "lockout": lockout(reports=[report], missing=[HOSTILE], because=HOSTILE, in_charge=HOSTILE),
        "people": [{"person": HOSTILE, "name": HOSTILE, "role": HOSTILE}],
        "refused": HOSTILE,
        "title": HOSTILE,
        "text": HOSTILE,
        "next": HOSTILE,
        "path": HOSTILE,
        "person": HOSTILE,
    }
    page = parts.render_page(env, where, hostile(), {**WHO, "name": HOSTILE}, HOSTILE, more)
    seen = Seen(page)

    assert "<img" not in page
    assert "<script>alert" not in page
    assert seen.wrong == []
    assert any("alert(1)" in text for text in seen.texts), "the text itself is shown"


def test_control_characters_do_not_turn_words_round(env: Environment) -> None:
    """A bidirectional mark in a reason is shown as a question mark."""
    view = drive("PC1", "x\u202eevil", "", 32_000.0, 40_000.0, 1.0)
    page = parts.render_page(env, "overview", scene({"PC1": view}), None, "", MORE)

    assert "\u202e" not in page


def test_two_hundred_drives_stay_small(env: Environment) -> None:
    """The overview of 200 drives with all that it loads is under 150 kB on the wire, compressed as the server does."""
    import gzip

    page = parts.render_page(env, "overview", many(200), WHO, "token", MORE)
    loaded = [p.read_bytes() for p in (TEMPLATES.parent / "static").glob("*.*")]

    assert sum(len(gzip.compress(raw, 5)) for raw in (page.encode(), *loaded)) < 150_000


def test_rows_lead_to_their_moment_in_the_chart(env: Environment) -> None:
    """A drive's row has a link to that moment; a row about no drive has none."""
    rows = [row(5, "alarm", "cleared", "PC1", alarm="PC1/forward/alarm_contact"), row(6, "service", "started")]
    of_service, of_drive = parts.render_parts(env, "alarms", calm(), Changes(rows=rows))

    assert f'href="/drives/PC1?at={rows[0]["utc_ms"]}&amp;span=600000#charts-title"' in of_drive.html
    assert "href" not in of_service.html


def test_lockout_opened_by_hand_names_who_did_it(env: Environment) -> None:
    """By name, as a sentence of its own."""
    held = lockout(because="by hand: fitter1")
    page = parts.render_page(env, "lockout/PC1", shut_down(), WHO, "token", {**MORE, "lockout": held})

    assert "<p>Opened by hand by Maintenance fitter.</p>" in page
    assert "Because of" not in page


def test_alarms_that_a_shutdown_suppresses_stand_behind_one_line(env: Environment) -> None:
    """On the drive's page: what somebody has put aside is shown, what is suppressed by design is opened first."""
    over = {"by": "night1", "reason": "pump test", "since_utc_ms": NOW_MS, "until_utc_ms": NOW_MS + 60_000}
    alarms = (
        alarm("PC1", "torque_high", suppressed="the shutdown has acted"),
        alarm("PC1", "torque_rising", suppressed="the shutdown has acted"),
        alarm("PC1", "alarm_contact", shelved=over),
    )
    page = parts.render_page(env, "drive/PC1", scene({"PC1": shut_down().drives["PC1"]}, alarms), WHO, "token", MORE)

    before, _, behind = page.partition("Suppressed by design: 2")
    assert "pump test" in before
    assert before.count("the shutdown has acted") == 0
    assert behind.count("the shutdown has acted") == 2
