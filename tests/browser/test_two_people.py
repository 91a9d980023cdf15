"""Two people at once on one works: whatever both do to the same thing, each is told the truth about their own part."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any, NamedTuple

import httpx
import pytest

from browser.works import WORD, Works
from integration.site import until

pytestmark = pytest.mark.timeout(60)

Told = tuple[int, str]
"""Status and sentence of an answer."""


class Person(NamedTuple):
    """Somebody who is signed in, as a browser of their own."""

    client: httpx.Client
    csrf: str

    def does(self, what: str, drive: str = "", **args: Any) -> Told:
        """One command."""
        command = {"what": what, "drive": drive, "args": args}
        answer = self.client.post("/api/v1/commands", json=command, headers={"X-CSRF-Token": self.csrf})
        told = answer.json()
        return answer.status_code, told.get("text") or told["detail"]


@pytest.fixture
def people(works: Works) -> Iterator[dict[str, Person]]:
    """An operator, a supervisor and a fitter."""
    with ExitStack() as stack:
        found = {}
        for name in ("night1", "super1", "fitter1"):
            more: dict[str, Any] = {"headers": {"Origin": works.url, "Accept": "application/json"}, "timeout": 10.0}
            client = stack.enter_context(httpx.Client(base_url=works.url, trust_env=False, **more))
            csrf = client.get("/api/v1/session").json()["csrf"]
            answer = client.post("/sign-in", data={"person": name, "password": WORD, "csrf": csrf})
            found[name] = Person(client, answer.raise_for_status().json()["csrf"])
        yield found


def at_once(*acts: Callable[[], Told]) -> list[Told]:
    """All of them in the same moment; their answers in the order given."""
    answers: dict[int, Told] = {}
    ready = threading.Barrier(len(acts))

    def act(number: int) -> None:
        ready.wait(10.0)
        answers[number] = acts[number]()

    threads = [threading.Thread(target=act, args=(n,)) for n in range(len(acts))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return [answers[n] for n in range(len(acts))]


def standing(works: Works, drive: int) -> dict[str, Any]:
    """What names the alarm that stands at a drive, once it does."""
    works.contact(drive, "alarm", operated=True)
    until(lambda: works.alarm(drive) is not None, "the alarm")
    alarm = works.alarm(drive)
    return {"alarm": alarm["alarm"], "occurrence": alarm["occurrence"]}


def test_both_acknowledge_and_one_of_them_has(works: Works, people: dict[str, Person]) -> None:
    """One is told that it is acknowledged, the other by whom it was; the journal has one of them."""
    alarm = standing(works, 0)
    answers = at_once(*(lambda p=p: people[p].does("acknowledge", **alarm) for p in ("night1", "super1")))
    (row,) = works.rows("alarm", "acknowledged")
    again = people["fitter1"].does("acknowledge", **{**alarm, "occurrence": alarm["occurrence"] + 1})

    assert sorted(status for status, _ in answers) == [200, 409]
    refused = next(text for status, text in answers if status == 409)
    name = {"night1": "Nina Night", "super1": "Sam Supervisor"}[row["data"]["actor"]]
    assert f"not acknowledged: {name} ({row['data']['actor']}) has acknowledged it already" in refused
    assert again[0] == 409
    assert "there is no occurrence 2 of it yet; 1 stands now" in again[1]


def test_one_shelves_what_the_other_acknowledges(works: Works, people: dict[str, Person]) -> None:
    """Neither undoes the other: it is acknowledged, and shelved until its end."""
    alarm = standing(works, 1)
    answers = at_once(
        lambda: people["super1"].does("shelve", **alarm, reason="pump test", for_s=600),
        lambda: people["night1"].does("acknowledge", **alarm),
    )
    after = works.alarm(1)

    assert [status for status, _ in answers] == [200, 200]
    assert (after["life"], after["acked_by"], after["shelved"]["by"]) == ("acknowledged", "night1", "super1")


def test_both_walk_the_same_lockout(works: Works, people: dict[str, Person]) -> None:
    """Each lock is its owner's; nothing is released while a test run goes on, also not in the moment of its end."""
    fitter, supervisor, operator = (people[p] for p in ("fitter1", "super1", "night1"))
    works.shut_down(2)
    at_once(
        lambda: fitter.does("isolation_reported", "D2", lock_number="17"),
        lambda: supervisor.does("isolation_reported", "D2", lock_number="18"),
    )
    locks = works.watch.ask("lockout", drive="D2")["locks"]
    at_once(*(lambda p=p: p.does("zero_energy_reported", "D2") for p in (fitter, supervisor)))
    fitter.does("cause", "D2", cause="ice")
    for step in ("cleared", "contacts_proved", "area_clear"):
        fitter.does(step, "D2")
    for stage in ("shutdown", "alarm"):
        works.contact(2, stage, operated=False)
    until(lambda: "operated" not in str(works.watch.ask("lockout", drive="D2")["missing"]), "the contacts")
    begun = supervisor.does("test_run", "D2", name="proof", limit_s=600)
    swapped = fitter.does("lock_removed", "D2", lock_number="18")
    for who, number in ((fitter, "17"), (supervisor, "18")):
        who.does("lock_removed", "D2", lock_number=number)
    during = at_once(lambda: operator.does("release", "D2"), lambda: supervisor.does("release", "D2"))
    goes_on = works.watch.ask("lockout", drive="D2")
    at_the_end = at_once(lambda: fitter.does("test_run_end", "D2"), lambda: operator.does("release", "D2"))
    held = works.watch.ask("lockout", drive="D2")

    assert {(one["person"], one["number"]) for one in locks} == {("fitter1", "17"), ("super1", "18")}
    assert begun[0] == 200
    assert "18" in swapped[1]
    assert goes_on["locks"][0]["off_utc_ms"] or goes_on["locks"][1]["off_utc_ms"]
    assert [status for status, _ in during] == [409, 409]
    assert all("the test run under Sam Supervisor goes on; end it first" in text for _, text in during)
    assert goes_on["open"]
    assert at_the_end[0][0] == 200
    assert held["open"], "one person alone releases nothing here"
    until(lambda: supervisor.does("release", "D2")[0] == 200, "the contact to have stayed released")
    assert works.watch.ask("lockout", drive="D2")["open"] is (at_the_end[1][0] != 200), "two are needed"
