"""The stated interval holds the true torque in 93 to 97 of 100 cases, and is no wider than it has to be.

The short form of tests/soak/montecarlo.py, with the same devices: friction, backlash, springs that no polynomial of the
fit describes, a drifting transducer, a wrong reference, warm days. The devices know nothing of the budget.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from unit.commissioning.devices import Kind, study

pytestmark = pytest.mark.timeout(60)  # seconds of computing, which take a busy machine a while

GOOD = Kind()
LOW, HIGH = 0.93, 0.97
COUNT = 400


def binomial(share: float, cases: int) -> float:
    """Three standard deviations of a share seen in so many cases."""
    return 3.0 * float((share * (1.0 - share) / cases) ** 0.5)


@pytest.mark.parametrize("swinging", [True, False], ids=["swinging load", "anywhere between the branches"])
def test_interval_of_a_good_record_holds_the_truth(swinging: bool) -> None:
    """Two runs over ten torques; the expanded uncertainty stays under 2 % of shutdown torque all along every record."""
    seen = study(GOOD, COUNT, seed=20, swinging=swinging)

    assert LOW - binomial(LOW, seen.cases) < seen.share < HIGH + binomial(HIGH, seen.cases)
    assert seen.largest_pct < 2.0
    assert seen.cases > 0.95 * COUNT


@pytest.mark.parametrize(
    "kind",
    [
        replace(GOOD, temperature_range_k=40.0),
        replace(GOOD, noise_mm=0.03, reference_noise=0.001),
        replace(GOOD, square=0.0, cube=0.0, ripple=0.0, friction=0.001),
        replace(GOOD, form="straight segments"),
    ],
    ids=["temperature dominates", "noisy", "straight springs", "straight segments"],
)
def test_interval_holds_whatever_dominates(kind: Kind) -> None:
    """Half of the devices under a swinging load, half at rest; a rectangle dominates, or the scatter, or nothing."""
    both = [study(kind, COUNT // 2, seed=4, swinging=swinging) for swinging in (True, False)]
    cases = sum(s.cases for s in both)
    share = sum(s.covered for s in both) / cases

    assert LOW - binomial(LOW, cases) < share < HIGH + binomial(HIGH, cases)


def test_interval_holds_with_few_degrees_of_freedom() -> None:
    """One run over four torques and a rough transducer: k is well above 2, and has to be."""
    rough = Kind(runs=1, levels=4, noise_mm=0.12, friction=0.0005, temperature_range_k=1.0, reference_pct=0.1)
    rough = replace(
        rough, reference_noise=0.0001, square=0.0, cube=0.0, ripple=0.0, form="straight line", drift_mm=0.001
    )
    seen = study(rough, COUNT, seed=8, swinging=False)

    assert LOW - binomial(LOW, seen.cases) < seen.share < HIGH + binomial(HIGH, seen.cases)


@pytest.mark.parametrize(("runs", "least", "most"), [(3, LOW, 0.98), (2, 0.90, 0.97), (1, 0.70, 0.90)])
def test_runs_that_differ(runs: int, least: float, most: float) -> None:
    """Each run off by 0.2 % of shutdown torque: three show it, one cannot and says so.

    Two show it with one degree of freedom, and hold a little less than they say.
    """
    kind = replace(GOOD, runs=runs, run_sd=0.002)
    both = [study(kind, COUNT // 2, seed=5, swinging=swinging) for swinging in (True, False)]
    cases = sum(s.cases for s in both)
    share = sum(s.covered for s in both) / cases

    assert least - binomial(least, cases) < share < most + binomial(most, cases)
    assert {s.left_out for s in both} == ({("between runs",)} if runs == 1 else {()})
