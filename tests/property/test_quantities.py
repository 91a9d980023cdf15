"""Whatever people type for a quantity: a finite number, or one plain sentence."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.commissioning.units import Dimension, QuantityError, si_value

PIECES = st.sampled_from(
    [
        *"0 1 12 3.5 350,000 1e5 1e400 1/2 1/0 -7 .5 nan inf N kN m mm lbf lb in ft kg kgf hp kW rpm min-1".split(),
        *"degC degF deg K s J Hz psi MPa mol delta_degC * / . - · ^2 ** **9 ^-1 ( ) per to , ' \" ° µ ² ⁻¹".split(),
        *"__ lambda [ ] % \\ é ٣ ½ \U0001d7d8".split(),
        "\n",
        "\x00",
    ]
)
TEXTS = st.one_of(
    st.sampled_from(["1e999 N*m\n", "5 m\n", "\t5 m"]),
    st.text(max_size=70),
    st.lists(PIECES, max_size=8).map("".join),
    st.lists(PIECES, max_size=8).map(" ".join),
)


@settings(max_examples=1500)
@given(TEXTS, st.sampled_from(Dimension))
def test_text_is_a_finite_number_or_refused_in_a_sentence(text: str, dimension: Dimension) -> None:
    """Nothing else comes out, and nothing that was typed is evaluated."""
    try:
        value = si_value(text, dimension)
    except QuantityError as error:
        told = str(error)
        assert told.startswith("is ")
        assert told.isprintable()
        assert len(told) < 300
        assert "pint" not in told.lower().replace(text.lower(), "")
    else:
        assert math.isfinite(value)


@settings(max_examples=300)
@given(st.floats(1e-6, 1e9), st.sampled_from(["N*m", "kN m", "lbf-in", "ft.lb", "kgf*m"]))
def test_value_scales_with_its_number(number: float, unit: str) -> None:
    """Twice the number is twice the torque."""
    once, twice = (si_value(f"{v!r} {unit}", Dimension.TORQUE) for v in (number, 2.0 * number))

    assert math.isclose(twice, 2.0 * once, rel_tol=1e-12)
