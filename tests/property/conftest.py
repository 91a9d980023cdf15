"""Laws over many made cases: each test is many."""

from __future__ import annotations

import pytest

MANY_CASES_S = 60.0
"""They take seconds on a machine that is quiet; one that is busy gets the same time for each case as other tests."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give them that time, where none is said."""
    for item in items:
        if "property" in item.path.parts and item.get_closest_marker("timeout") is None:
            item.add_marker(pytest.mark.timeout(MANY_CASES_S))
