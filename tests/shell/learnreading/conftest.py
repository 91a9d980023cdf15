"""An hour of PC1, recorded once for all tests here, and the same when its readings are gone."""

from __future__ import annotations

import pytest

from shell.learnreading.dutydays import Hour, make


@pytest.fixture(scope="session")
def hour(tmp_path_factory: pytest.TempPathFactory) -> Hour:
    """The hour, made once."""
    return make(tmp_path_factory.mktemp("duty") / "store")


@pytest.fixture(scope="session")
def bare(hour: Hour, tmp_path_factory: pytest.TempPathFactory) -> Hour:
    """The same without its readings."""
    return hour.without_readings(tmp_path_factory.mktemp("bare") / "store")
