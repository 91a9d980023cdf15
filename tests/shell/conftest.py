"""Fixtures of all tests of the shell: the process that theirs are forked from, and a night for all of them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from peers.warm import waiting
from plantnights import a_night
from shell.longterm.triphistories import turn


@pytest.fixture(scope="session", autouse=True)
def _forked_from_one_that_waits() -> Iterator[None]:
    """Commands, workers and victims need not load libraries each time; see `peers.warm`."""
    with waiting():
        yield


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store of a night with an alarm, a shutdown and a release, and its trip records; whoever changes it copies it.

    Its tests are in several files, and it takes seconds to make.
    """
    folder = tmp_path_factory.mktemp("night")
    a_night(folder)
    turn(folder)
    return folder
