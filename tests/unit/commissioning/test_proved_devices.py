"""Two hundred devices proved as in the field: how often the truth lies within what their records state."""

from __future__ import annotations

import pytest

from unit.commissioning.devices import Kind
from unit.commissioning.proofs import tally


@pytest.mark.blocks("simulates two hundred provings")
@pytest.mark.timeout(60)
def test_records_hold_the_truth_as_often_as_they_say() -> None:
    """93 to 97 % of 600 statements (a torque on site, both contacts' operating torques), and none of them is wide."""
    found = tally(Kind(), 200, seed=2)

    assert found.statements == 600
    assert 0.93 <= found.share <= 0.97
    assert found.widest_pct < 2.0


@pytest.mark.blocks("simulates provings")
@pytest.mark.timeout(60)
def test_uncertainty_that_is_understated_would_be_seen() -> None:
    """The same count with uncertainties half as wide holds far less often: the check above can fail."""
    assert tally(Kind(), 60, seed=2, factor=0.5).share < 0.80
