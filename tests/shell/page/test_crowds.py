"""Strangers take every place that there is: somebody who is signed in still gets theirs."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import socket
from pathlib import Path

import pytest

from nightrake.page.directory import Person
from nightrake.page.door import Door, listen
from nightrake.page.hub import GIVE_WAY, LISTENERS, PER_ADDRESS, ROWS, Hub
from nightrake.page.problems import Problem
from nightrake.page.scene import Scene
from nightrake.page.sessions import Sessions
from nightrake.page.shields import Receive, Scope, Send
from pagewatch import UTC_MS, PlainLook, site_of, until
from shell.page.test_requests import GET, connections, no_answer, short_answer


def test_strangers_who_listen_make_room_for_people() -> None:
    """All places are taken: a further stranger is turned away, and one of the address with most ends for a person."""
    hub = Hub(Scene(), PlainLook())
    ones = [hub.join("", "", f"10.0.0.{n // PER_ADDRESS}", known=n == 0) for n in range(LISTENERS - 1)]
    few = hub.join("", "", "10.0.9.9")
    with pytest.raises(Problem, match=f"{LISTENERS} pages listen already"):
        hub.join("", "", "10.0.9.8")
    mine = hub.join("", "", "10.0.9.8", b"k", known=True)

    assert [one.ended for one in ones if one.ended] == [GIVE_WAY]
    assert (few.ended, mine.ended, ones[0].ended) == ("", "", "")
    assert hub.count == LISTENERS


def test_strangers_behind_the_same_address_make_room_for_people() -> None:
    """The plant's gateway is one address; and a network of IPv6 is one too, however many addresses it has."""
    hub = Hub(Scene(), PlainLook())
    for n in range(PER_ADDRESS):
        hub.join("", "", f"2001:db8:0:7::{n + 1:x}")
    with pytest.raises(Problem, match=f"{PER_ADDRESS} pages listen from 2001:db8:0:7::ff already"):
        hub.join("", "", "2001:db8:0:7::ff")
    known = [hub.join("", "", "2001:db8:0:7::ff", known=True) for _ in range(PER_ADDRESS)]
    with pytest.raises(Problem, match="close one, then try again"):
        hub.join("", "", "2001:db8:0:7::ff", known=True)

    assert hub.count == PER_ADDRESS
    assert not any(one.ended for one in known)


@pytest.mark.asyncio
async def test_addresses_that_are_known_come_in_past_a_crowd(free_port: int) -> None:
    """Several strangers keep every place busy, none of them too many: whoever has signed in before is let in."""
    door = Door(_by_address, listen("127.0.0.1", free_port), None, most=9, knows=lambda one: one == "127.0.0.5")
    work = asyncio.create_task(door.run())
    places = [f"127.0.0.{20 + n // 3}" for n in range(9)]
    hogs = [await asyncio.open_connection("127.0.0.1", free_port, local_addr=(place, 0)) for place in places]
    try:
        for _, writer in hogs:
            writer.write(GET)
        await until(lambda: len(connections(door)) == 9 and not any(c.is_idle for c in connections(door)))
        answers = []
        for place in ("127.0.0.6", "127.0.0.5"):
            reader, writer = await asyncio.open_connection("127.0.0.1", free_port, local_addr=(place, 0))
            with contextlib.suppress(ConnectionError):
                writer.write(GET)
                answers.append((await reader.readuntil(b"\r\n"))[:12])
            writer.close()
        assert door.count <= 9
    finally:
        for _, hog in hogs:
            hog.transport.abort()
        work.cancel()
        await asyncio.gather(work, return_exceptions=True)

    assert answers == [b"HTTP/1.1 503", b"HTTP/1.1 204"]


async def _by_address(scope: Scope, receive: Receive, send: Send) -> None:
    """Busy for good for strangers."""
    await (short_answer if scope["client"][0] == "127.0.0.5" else no_answer)(scope, receive, send)


@pytest.mark.asyncio
async def test_known_addresses_are_those_of_sign_ins(tmp_path: Path, free_port: int) -> None:
    """The worker's own door knows them by its sessions; a name that nobody signed in with is not known."""
    sessions = Sessions(tmp_path, lambda: UTC_MS, print)
    await sessions.open()
    await sessions.begin(Person("night1", "Ada", "operator", "hash"), "2001:db8:0:7::1", 12.0, "browser-of-mine")
    await sessions.close()
    anew = Sessions(tmp_path, lambda: UTC_MS, print)
    await anew.open()
    known = [anew.knows(one) for one in ("2001:db8:0:7::", "2001:db8:0:8::1", "browser-of-mine", "another", "")]
    await anew.close()

    assert known == [True, False, True, False, False]


@pytest.mark.parametrize("where", ["lockout/PC1", "alarms", "drive/PC1", "overview", ""])
def test_a_page_that_lives_by_rows_is_loaded_anew_where_one_is_missing(where: str) -> None:
    """Rows came faster than they can be told: no lockout is shown as it was before, as though it were of now."""
    hub = Hub(Scene(), PlainLook())
    hub.scene.apply(site_of(["PC1"]))
    quick, storm = hub.join(where, "", "10.0.0.1"), hub.join(where, "", "10.0.0.2")
    for one in (quick, storm):
        hub.take(one)
    quick.mark(hub.scene.apply({"rows": [row(n) for n in range(5)]}), {})
    storm.mark(hub.scene.apply({"rows": [row(n) for n in range(ROWS + 1)]}), {})
    quiet = hub.take(quick)
    quick.mark(hub.scene.apply({"rows": [row(300)], "missed": True}), {})
    told = [quiet, hub.take(storm), hub.take(quick)]
    after = hub.take(quick)

    by_rows = where not in ("", "overview")
    assert ["event: again" in one for one in told] == [False, by_rows, by_rows]
    assert "again" not in after


def row(seq: int) -> dict[str, object]:
    """A row of PC1."""
    return {"seq": seq, "kind": "lockout", "event": "cause", "drive": "PC1"}


@pytest.mark.asyncio
async def test_whoever_comes_as_the_door_closes_is_left_to_nobody(free_port: int) -> None:
    """Closed at any turn of the loop around a connection's coming: it is ended, and no socket is left open."""
    for turns in range(6):
        door = Door(short_answer, listen("127.0.0.1", free_port), None)
        work = asyncio.create_task(door.run())
        await asyncio.sleep(0)
        with socket.create_connection(("127.0.0.1", free_port), 5.0) as guest:
            for _ in range(turns):
                await asyncio.sleep(0)
            work.cancel()
            await asyncio.gather(work, return_exceptions=True)
            gc.collect()  # a socket that nobody holds fails the test by its warning
            guest.setblocking(False)
            with contextlib.suppress(ConnectionResetError):
                assert await asyncio.wait_for(asyncio.get_running_loop().sock_recv(guest, 1), 5.0) == b""
