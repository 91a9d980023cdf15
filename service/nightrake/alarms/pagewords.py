"""Sign-ins at the page in words, for the account of a night: only what the row itself says. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from nightrake.alarms.accountwords import event_words
from nightrake.alarms.told import Fact, counted

REFUSED = {
    "password": "wrong password",
    "unknown": "nobody may sign in by that name",
    "waiting": "too many wrong passwords before",
}
"""Why a sign-in was refused, as the page's process says it."""


def page_words(fact: Fact) -> str:
    """A sign-in at the page, its end, or one that was refused; or how many of these there were."""
    if fact.event.endswith("_counted"):
        about = fact.data.get("last_data")
        last = fact._replace(event=fact.text("last"), data=about if isinstance(about, Mapping) else {})
        refused = ("refused sign-in", "refused sign-ins")
        what = (
            refused if fact.event.startswith("sign_in_refusals") else ("sign-in or sign-out", "sign-ins and sign-outs")
        )
        return f"{counted(fact.count('events'), *what)} at the page, the last: {page_words(last)}"
    who = fact.text("actor") or "A stranger"
    where = f" from {fact.text('address')}" if fact.text("address") else ""
    why = f": {REFUSED.get(fact.text('why'), fact.text('why'))}" if fact.text("why") else ""
    more = fact.count("times") - 1  # that came in the same minute from anybody, and got no row of their own
    others = f" So {'was' if more == 1 else 'were'} {more} more." if more > 0 else ""
    words = {
        "signed_in": "signed in at the page",
        "signed_out": "signed out at the page",
        "signed_out_everywhere": "signed out of the page everywhere",
        "sign_in_refused": "was refused at the page's sign-in",
    }.get(fact.event, event_words(fact.event).lower())
    return f"{who} {words}{where}{why}.{others}"
