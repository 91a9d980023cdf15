"""The peers' own promise: a missing program fails the test and names its package."""

from __future__ import annotations

import pytest

from peers.process import program


def test_missing_program_fails_and_names_its_debian_package() -> None:
    """Nothing is skipped because something is not installed."""
    with pytest.raises(pytest.fail.Exception, match="apt-get install some-package"):
        program("no-such-program-here", "some-package")
