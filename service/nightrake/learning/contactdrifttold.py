"""One contact's drift in a sentence. Pure."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

from nightrake.learning.contactdrifttypes import LEAST, Drift
from nightrake.learning.dutywords import day, several
from nightrake.learning.trend import Span


def told(found: Drift) -> Drift:
    """With its sentence, and remarks on what does not count."""
    reasons = Counter(one.left_out for one in found.operations if one.operated and one.left_out)
    left = [f"{several(count, 'operation')} left out: {why}." for why, count in reasons.most_common()]
    name = f"The {found.direction + ' ' if found.direction != 'forward' else ''}{found.stage} contact {found.channel}"
    return replace(found, sentence=f"{name} {_what(found)}.", remarks=(*found.remarks, *left))


def _what(found: Drift) -> str:
    over = f"over {several(found.n, 'operation')}{_since(found)}"
    if not found.operations:
        return f"did not operate{_since(found)}"
    if found.place_mm is None:
        some = f"{several(found.n, 'operation')}{_since(found)}"
        return f"cannot be judged: {some} can be placed, and {LEAST} are needed"
    interval = f"{found.confidence:.0%} interval"
    if found.drift_mm is None:
        low, mid, high = (f"{one:.2f}" for one in found.place_mm)
        return f"operates at {mid} mm ({interval} {low} to {high}), {over}; where it was set is not known"
    off = found.drift_mm
    share = "" if math.isnan(found.drift_percent) else f" ({abs(found.drift_percent):.1f} % of shutdown)"
    way = f"{abs(off.mid):.2f} mm{share} {'later' if off.mid >= 0.0 else 'earlier'} than set"
    head = f"operates {way}" if found.is_off else f"operates where it was set, as far as can be told: {way}"
    return f"{head} ({interval} {_signed(off)} mm; {found.set_point.words}), {over}"


def _since(found: Drift) -> str:
    return f" since {day(found.set_point.since_utc_ms)}" if found.set_point.since_utc_ms else ""


def _signed(span: Span) -> str:
    return f"{span.low:+.2f} to {span.high:+.2f}"
