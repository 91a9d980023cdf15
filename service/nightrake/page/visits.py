"""Who visits: the session behind a request, what they may, and the tokens of their forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from starlette.requests import Request

from nightrake.page import tokens
from nightrake.page.addresses import is_loopback
from nightrake.page.directory import Directory, Person
from nightrake.page.guesses import network_of
from nightrake.page.hub import Hub
from nightrake.page.lockouts import Lockouts
from nightrake.page.ports import ASKER, Asker, Feed, Look, Reader, Watch
from nightrake.page.problems import Problem
from nightrake.page.scene import Scene
from nightrake.page.sessions import Session, Sessions
from nightrake.page.shields import Place
from nightrake.page.signin import SignIn
from nightrake.page.statics import Statics

NOT_OVER_PLAIN = (
    "nobody can sign in over an unencrypted connection from another machine; "
    "give the page a certificate (page.cert_file, page.key_file)"
)
SIGN_IN_FIRST = "sign in first"
NOT_YET = "the page has just been started and does not know its people yet; try again in a few seconds"


@dataclass
class Room:
    """Everything that answers to a request are made from.

    Attributes:
        open_view: Whoever reaches the page may look without signing in. list_people: Who may not look is shown their
            names all the same, to sign in by. log: Takes one line.
    """

    scene: Scene
    hub: Hub
    feed: Feed
    look: Look
    watch: Watch
    lockouts: Lockouts
    directory: Directory
    sessions: Sessions
    sign_in: SignIn
    statics: Statics
    place: Place
    log: Callable[[str], None]
    reader: Reader | None = None
    open_view: bool = True
    list_people: bool = False


class Visit(NamedTuple):
    """One request's visitor.

    Attributes:
        session_id: From the cookie, where its session holds; else "". session, person: None where nobody is signed in.
        address: Where from. secure: Over TLS. may_sign_in: Over this connection.
    """

    session_id: str
    session: Session | None
    person: Person | None
    address: str
    secure: bool
    may_sign_in: bool

    @property
    def who(self) -> dict[str, Any] | None:
        """The visitor as pages show them."""
        if self.person is None:
            return None
        person = self.person
        return {"person": person.id, "name": person.name, "role": person.role, "may": person.may}


def room_of(request: Request) -> Room:
    """The room of the application."""
    room: Room = request.app.state.room
    return room


def visit_of(request: Request) -> Visit:
    """Who sent a request; what is read to answer it is read for them."""
    visit = _visit_of(request)
    session = visit.session
    ASKER.set(Asker(network_of(visit.address)) if session is None else Asker(session.key.hex(), is_known=True))
    return visit


def _visit_of(request: Request) -> Visit:
    room = room_of(request)
    address = room.place.address_of(request.scope)
    secure = room.place.is_secure(request.scope)
    may = secure or is_loopback(address)
    session_id = cookie_of(request, tokens.SESSION, secure) if may else ""
    found = room.sessions.find(session_id, room.directory)
    if found is None:
        return Visit("", None, None, address, secure, may)
    return Visit(session_id, found[0], found[1], address, secure, may)


def looker(request: Request) -> Visit:
    """Who sent a request that only looks.

    Raises:
        Problem: 401 where looking needs a sign-in.
    """
    visit = visit_of(request)
    if visit.person is None and not room_of(request).open_view:
        check_known(request)
        raise Problem(401, f"{SIGN_IN_FIRST}: this site shows nothing to people it does not know")
    return visit


def check_known(request: Request) -> None:
    """The watch has said who there is: before, a person who is signed in looks like a stranger, and is none.

    Raises:
        Problem: 503 where it has not.
    """
    if not room_of(request).directory.is_known:
        raise Problem(503, NOT_YET, {"Retry-After": "2"})


def cookie_of(request: Request, name: str, secure: bool) -> str:
    """One of our cookies; "" where the browser has none."""
    return tokens.cookie_in(request.headers.get("cookie", ""), tokens.cookie_name(name, secure))


def form_cookie(request: Request, visit: Visit) -> str:
    """The cookie that forms of somebody who is not signed in are bound to; "" where the browser has none yet."""
    return cookie_of(request, tokens.FORM, visit.secure)


def csrf_of(request: Request, visit: Visit) -> tuple[str, str]:
    """The token for this visitor's forms.

    Returns:
        (token, cookie): the cookie is one that has to be set with it, "" where none has.
    """
    secret = room_of(request).sessions.secret
    if visit.session_id:
        return tokens.csrf_token(secret, "session", visit.session_id), ""
    cookie = form_cookie(request, visit)
    fresh = "" if cookie else tokens.new_id()
    return tokens.csrf_token(secret, "form", cookie or fresh), fresh


def check_csrf(request: Request, visit: Visit, token: str) -> None:
    """A request that has an effect comes from a page of ours.

    Raises:
        Problem: 403 where it does not.
    """
    secret = room_of(request).sessions.secret
    purpose, cookie = ("session", visit.session_id) if visit.session_id else ("form", form_cookie(request, visit))
    if not tokens.csrf_holds(secret, purpose, cookie, token):
        raise Problem(403, "this page is of before the last sign-in or sign-out; load it again and try once more")


def session_view(request: Request, visit: Visit, csrf: str) -> dict[str, Any]:
    """The session as the browser is told."""
    who = visit.who or {"person": "", "name": "", "role": "", "may": []}
    people = menu_for(request, visit)
    return {**who, "csrf": csrf, "may_sign_in": visit.may_sign_in, "people": people}


def menu_for(request: Request, visit: Visit) -> list[dict[str, str]]:
    """Those who can sign in, to be chosen from; none for a stranger whom the site shows nothing: they type a name."""
    room = room_of(request)
    names = room.open_view or room.list_people or visit.person is not None
    return room.directory.menu() if names else []
