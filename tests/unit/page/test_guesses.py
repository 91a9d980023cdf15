"""Guessing passwords is made slow, without keeping the right people out."""

from __future__ import annotations

from nightrake.page.guesses import FORGET_S, FREE, FRESH, KEPT, LONGEST_PERSON_S, LONGEST_S, Guesses, network_of


def guess(guesses: Guesses, person: str, address: str, now_s: float, *, familiar: bool = False) -> float:
    """One try as the sign-in makes it: how long it has to wait, or 0 where it was made."""
    wait_s = guesses.wait_s(person, address, familiar, now_s)
    if wait_s == 0.0:
        guesses.tried(person, address, familiar, now_s)
    return wait_s


def tries_within(seconds: float, person: str, address: str) -> int:
    """How many passwords somebody can try who never stops."""
    guesses, now_s, made = Guesses(), 0.0, 0
    while now_s < seconds:
        wait_s = guess(guesses, person, address, now_s)
        made += wait_s == 0.0
        now_s += max(wait_s, 0.001)
    return made


def test_five_tries_are_free_then_each_waits_twice_as_long() -> None:
    """A person who mistypes is not held up; a program is."""
    guesses = Guesses()
    free = [guess(guesses, "night1", "10.0.0.9", 0.0) for _ in range(FREE)]
    waits, now_s = [], 0.0
    for _ in range(4):
        wait_s = guess(guesses, "night1", "10.0.0.9", now_s)
        waits.append(round(wait_s, 6))
        now_s += wait_s
        assert guess(guesses, "night1", "10.0.0.9", now_s) == 0.0

    assert free == [0.0] * FREE
    assert waits == [2.0, 4.0, 8.0, 16.0]


def test_a_day_of_guessing_tries_few_passwords() -> None:
    """One address gets about a hundred tries a day: one each quarter of an hour in the end."""
    assert tries_within(24 * 3600, "night1", "10.0.0.9") < 24 * 3600 / LONGEST_S + 20


def test_many_addresses_share_the_count_of_a_person() -> None:
    """Guessing from very many machines is no faster than twice a minute for one person."""
    guesses, made = Guesses(), 0
    for second in range(3600):
        made += guess(guesses, "night1", f"10.0.{second // 250}.{second % 250}", float(second)) == 0.0

    assert made < 3600 / LONGEST_PERSON_S + FRESH + 15


def test_guessing_elsewhere_does_not_keep_a_person_from_their_own_desk() -> None:
    """An address from which the person has signed in has a count of its own."""
    guesses = Guesses()
    for n in range(50):
        guesses.tried("night1", f"10.0.0.{n}", False, 0.0)

    assert guesses.wait_s("night1", "10.0.0.7", False, 0.0) > 0.0
    assert guesses.wait_s("night1", "10.0.9.1", True, 0.0) == 0.0


def test_somebody_who_never_stops_keeps_nobody_from_a_new_telephone() -> None:
    """A program takes every try that comes free: the person's first at an address of their own is made all the same."""
    guesses, now_s = Guesses(), 0.0
    for _ in range(200):
        now_s += guess(guesses, "night1", f"10.0.0.{int(now_s) % 5}", now_s) or 0.001

    assert guess(guesses, "night1", "10.0.0.5", now_s) == 0.0
    assert guess(guesses, "night1", "10.0.0.5", now_s) > 0.0


def test_a_right_password_forgets_the_wrong_ones() -> None:
    """Whoever gets in after four tries begins anew."""
    guesses = Guesses()
    for _ in range(FREE - 1):
        guesses.tried("night1", "10.0.0.9", False, 0.0)
    guesses.right("night1", "10.0.0.9", False)

    assert [guess(guesses, "night1", "10.0.0.9", 1.0) for _ in range(FREE)] == [0.0] * FREE


def test_counts_are_forgotten_after_an_hour_and_bounded_in_number() -> None:
    """An attack from very many addresses fills no memory."""
    guesses = Guesses()
    for n in range(KEPT + 500):
        guesses.tried(f"p{n}", f"10.{n // 65536}.{n // 256 % 256}.{n % 256}", False, 0.0)
    for _ in range(9):
        guesses.tried("night1", "10.9.9.9", False, 10.0)

    assert len(guesses._counts) <= KEPT
    assert guesses.wait_s("night1", "10.9.9.9", False, 10.0) > 0.0
    assert guesses.wait_s("night1", "10.9.9.9", False, 10.0 + FORGET_S + LONGEST_S) == 0.0


def test_a_network_of_ipv6_counts_as_one_address() -> None:
    """Source: RFC 6177, a site has at least 2^64 addresses of its own."""
    assert network_of("2001:db8::1") == network_of("2001:db8::ffff:1") != network_of("2001:db8:0:1::1")
    assert network_of("10.0.0.1") != network_of("10.0.0.2")
