"""What the page shows, rendered: whole pages, and the parts of one that have changed.

A page is told by its *where*: ``overview``, ``alarms``, ``drive/ID``, ``lockout/ID``, ``trips``, ``trip/ID``,
``creep``, ``sign-in``, ``help`` and ``error``; ``behind/ID`` and ``drivecreep/ID`` are pieces of a drive's page. Parts
are the same for everybody who looks at the same place; what a role may not do is greyed by the browser and refused by
the watch.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

from jinja2 import Environment

from nightrake import __version__
from nightrake.domain.cleantext import clean
from nightrake.page import pageviews
from nightrake.page.factwords import reason_words
from nightrake.page.moments import span
from nightrake.page.pageviews import Around
from nightrake.page.records import in_signs
from nightrake.page.scene import Changes, Scene


class Part(NamedTuple):
    """One element of a page, anew.

    Attributes:
        id: Of the element; one that the page does not have yet goes into the list that its name begins with.
        html: The element whole, "": it is gone. order: Sorts it among its like, the lowest first; None: it stays.
    """

    id: str
    html: str
    order: int | None = None


def furnish(env: Environment) -> None:
    """Give an environment what the templates need, before it has loaded any.

    Args:
        env: With autoescape, the page's templates and the global ``static``.
    """
    env.finalize = _plain
    env.globals["version"] = __version__
    env.filters["compact_json"] = lambda value: json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    env.filters["span"] = span
    env.filters["reason"] = reason_words
    env.filters["in_signs"] = in_signs
    env.filters["sentence"] = _sentence


def _plain(value: Any) -> Any:
    """Texts without what could turn or hide the words around them."""
    return clean(value, len(value)) if isinstance(value, str) and not hasattr(value, "__html__") else value


def _sentence(text: str) -> str:
    """Some words as a sentence of their own."""
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def render_page(
    env: Environment,
    where: str,
    scene: Scene,
    who: Mapping[str, Any] | None,
    csrf: str,
    more: Mapping[str, Any] | None = None,
) -> str:
    """A whole page, with the values as they are now.

    Args:
        env: See `furnish`. where: Which page. scene: The site as last told.
        who: Who is signed in: ``person``, ``name``, ``role``, ``may``; None: nobody. csrf: the session's token.
        more: What a page needs besides: always ``path``, ``people`` (who can sign in), ``may_sign_in``,
            ``cannot_sign_in``, ``since`` (the mark of what is shown); of some ``rows``, ``lockout``, ``trips``,
            ``why_not``, ``trip``, ``calibration``, ``sheet``, ``creep``, ``skip``, ``refused``, ``person``, ``next``,
            ``status``, ``title``, ``text``.

    Raises:
        KeyError: There is no such place, or no such drive.
    """
    given = dict(more or {})
    around = pageviews.around_of(scene)
    template, values = pageviews.page_values(where, scene, around, given)
    shared = pageviews.shared_values(where, scene, around, who, csrf, given)
    return env.get_template(template).render({**shared, **values})


def render_parts(env: Environment, where: str, scene: Scene, changes: Changes) -> list[Part]:
    """The parts of a page that may be different now.

    Args:
        env: See `furnish`. where: Which page. scene: The site as last told. changes: What has changed; where ``all`` is
            set, every part is given.
    """
    around = pageviews.around_of(scene)
    made = _Made(env, pageviews.part_values(where, around))
    if changes.all or changes.alarms or changes.service or changes.drives or changes.site:
        made.add("site-now", "parts/now.html", now=pageviews.now_of(scene, around))
    kind, _, one = where.partition("/")
    if kind == "overview":
        _overview(made, scene, around, changes)
    elif kind == "alarms" and (changes.alarms or changes.all):
        for which, cards in pageviews.listed(around.cards).items():
            made.add(f"alarms-{which}", "parts/cards.html", which=which, cards=cards)
    elif one in scene.drives and (changes.all or changes.alarms or one in changes.drives):
        _drive(made, scene, around, one, kind)
    if kind in ("alarms", "drive"):
        for row in pageviews.rows_of([r for r in changes.rows if kind == "alarms" or r["drive"] == one], around):
            made.add(f"row-{row.seq}", "parts/row.html", -row.seq, row=row)
    return made.parts


class _Made:
    """Parts as they are made."""

    def __init__(self, env: Environment, shared: Mapping[str, Any]) -> None:
        self._env, self._shared = env, shared
        self.parts: list[Part] = []

    def add(self, name: str, template: str, order: int | None = None, /, **values: Any) -> None:
        """Render one."""
        html = self._env.get_template(template).render({**self._shared, **values})
        self.parts.append(Part(name, html.strip(), order))


def _overview(made: _Made, scene: Scene, around: Around, changes: Changes) -> None:
    every = changes.all or changes.site
    some = changes.drives | changes.alarmed
    if every or changes.alarms:
        made.add("site-alarms", "parts/sitealarms.html", cards=pageviews.about_no_drive(around.cards))
    places = pageviews.places_of(scene)
    for drive in scene.drives if every else [d for d in scene.drives if d in some]:
        strip = pageviews.strip(scene, around, drive)
        order = pageviews.order_of(strip, places)
        made.add(
            f"strip-{drive}", "parts/strip.html", order, strip=strip, order=order, hour=pageviews.hour_of(scene, strip)
        )


_OF_A_DRIVE = {"drive": ("head", "alarms", "contacts", "facts", "do"), "lockout": ("head",)}


def _drive(made: _Made, scene: Scene, around: Around, drive: str, kind: str) -> None:
    values = pageviews.drive_values(drive, scene, around)
    for name in _OF_A_DRIVE.get(kind, ()):
        made.add(f"drive-{name}", f"parts/drive{name}.html", **values)
