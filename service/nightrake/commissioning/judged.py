"""A data sheet judged: every finding, with what this tool must not judge taken out of its hands. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from nightrake.commissioning.finding import Finding, Verdict
from nightrake.commissioning.judged_arm import judge_arm
from nightrake.commissioning.judged_torque import judge_torques
from nightrake.commissioning.sheet import Sheet
from nightrake.domain.site import Stage

OUTSIDE_TEXT = "have it assessed by qualified people, for it is counted on for the safety of people"
OUTSIDE_SOURCE = "ISO 13849-1, IEC 62061: not what this tool is made for"

_ORDER = (Verdict.WRONG, Verdict.OUTSIDE, Verdict.LOOK_AGAIN, Verdict.OK)


def judge(sheet: Sheet) -> list[Finding]:
    """Every finding, the worst first.

    Nothing that speaks for a contact which somebody counts on for the safety of people is ever called ok: such findings
    are replaced by one that says to have it assessed. What is wrong, or deserves a look, is still told.
    """
    protecting = sheet.specification.protecting
    findings = [f for f in (*judge_torques(sheet), *judge_arm(sheet)) if not _is_claimed_ok(f, protecting)]
    outside = [
        Finding(f"{stage} contacts and people", Verdict.OUTSIDE, OUTSIDE_TEXT, OUTSIDE_SOURCE, frozenset({stage}))
        for stage in Stage
        if stage in protecting
    ]
    in_order = sorted((*outside, *findings), key=lambda f: _ORDER.index(f.verdict))
    return [replace(f, text=_one_sentence(f.text)) for f in in_order]


def _is_claimed_ok(finding: Finding, protecting: Iterable[Stage]) -> bool:
    return finding.verdict is Verdict.OK and not finding.stages.isdisjoint(protecting)


def _one_sentence(text: str) -> str:
    return text if text.endswith((".", "?")) else f"{text}."


def is_wrong(findings: Iterable[Finding]) -> bool:
    """Whether anything is wrong."""
    return any(f.verdict is Verdict.WRONG for f in findings)


def summary(findings: Iterable[Finding]) -> str:
    """How many findings of each verdict, in words."""
    counts = Counter(f.verdict for f in findings)
    return ", ".join(f"{counts[v]} {v}" for v in Verdict if counts[v])
