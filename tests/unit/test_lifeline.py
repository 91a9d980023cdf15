"""When what refers to itself is collected: not while news is on its way, and yet some time."""

from __future__ import annotations

import gc

import pytest

from nightrake.lifeline import MOST_LEFT_OUT, OLD_TURNS, OLDER_TURNS, YOUNG_TURNS, Tidy


@pytest.fixture
def collected(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Generations that were collected, in order."""
    found: list[int] = []
    monkeypatch.setattr(gc, "collect", found.append)
    return found


def test_each_generation_has_its_turn(collected: list[int]) -> None:
    """What is new once a second, what has outlived that every 20 seconds, everything once an hour."""
    tidy = Tidy()
    for _ in range(OLD_TURNS):
        tidy.turn(False)

    assert len(collected) == OLD_TURNS // YOUNG_TURNS
    assert collected.count(1) == OLD_TURNS // OLDER_TURNS - 1
    assert collected[-1] == 2
    assert collected.count(2) == 1


def test_nothing_is_collected_while_news_is_on_its_way(collected: list[int]) -> None:
    """The turn that was left out is made up for as soon as it is quiet, with the generation that was due."""
    tidy = Tidy()
    for _ in range(OLDER_TURNS - 1):
        tidy.turn(False)
    collected.clear()
    for _ in range(5):
        tidy.turn(True)
    assert collected == []

    tidy.turn(False)
    assert collected == [1]


def test_news_without_end_does_not_end_collecting(collected: list[int]) -> None:
    """A storm of events makes it seldom, not never."""
    tidy = Tidy()
    for _ in range(10 * (YOUNG_TURNS + MOST_LEFT_OUT)):
        tidy.turn(True)

    assert len(collected) == 10
