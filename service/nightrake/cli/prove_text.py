"""What the dialogue of a proving says: cautions, points, edges, the status beside the prompt."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from nightrake.cli.lines import KEPT
from nightrake.commissioning.proving import ContactEdge, Point

CAUTIONS = (
    "Known torque is applied to a machine that can hold stored energy. Only qualified people: isolate and lock out, "
    "verify zero energy, secure the rakes and the pulling gear, keep clear of the line of pull, release the wind-up "
    "slowly. Follow the manufacturer's instructions and local codes (OSHA 29 CFR 1910.147 in the United States).",
    "While the drive is in test its contacts page nobody and latch nothing here; the hard-wired stop is not touched by "
    "this program, and this program proves nothing about it. A motor that runs on after the shutdown contact is told "
    "all the same.",
)
RUNS = "THE MOTOR RUNS. No point is taken and no contact counts until it stands still and is locked out."
RUNS_ON = "still_running"
ROWS = {
    RUNS_ON: "THE MOTOR RUNS ON although the shutdown contact has operated; stop it at its starter",
    "raised": "the watch has latched a shutdown of this drive, and tells people of it",
}
"""Journal rows of the drive that the dialogue repeats, by event."""
NOT_IN_TEST = (
    "the drive is NOT IN TEST any more: its contacts page and latch again; 'test' begins the function check anew"
)


def is_told(row: Mapping[str, Any]) -> bool:
    """Whether the dialogue repeats a journal row: of alarms only the shutdown's own."""
    about = str(row.get("data", {}).get("alarm", "shutdown_contact"))
    return row["event"] in ROWS and about.endswith("shutdown_contact")


def point_text(point: Point) -> str:
    """A point in a line."""
    return (
        f"  point {point.number}: {point.torque_nm / 1000:.3f} kN.m at {point.position_mm:.3f} mm, {point.branch}, "
        f"run {point.run} (+-{point.spread_mm / 2:.3f} mm)"
    )


def edge_text(edge: ContactEdge) -> str:
    """An edge in a line."""
    what = f"{edge.stage} {edge.channel} {'operated' if edge.operated else 'released'}"
    if edge.running:
        return f"! {what} at {edge.position_mm:.3f} mm while the motor ran: it does not count"
    if not edge.known:
        return f"! {what}, but the arm's place was not seen; repeat it slowly"
    return f"  {what} at {edge.position_mm:.3f} mm (+-{edge.half_width_mm:.3f}), {edge.state}"


def status_text(view: Mapping[str, Any], direction: str) -> str:
    """Motor and test first, then position and torque, then the contacts; rows are broken between these only."""
    position, torque = view["position_mm"], view["torque_nm"]
    parts = [{True: "MOTOR RUNS", False: "motor off", None: "motor ?"}[view["running"]]]
    parts.append(f"in test {view['in_test_s'] / 60:.0f} min" if view["in_test_s"] else "NOT IN TEST")
    parts.append("no position" if position["value"] is None else f"{position['value']:.2f} mm")
    if position["reason"]:
        parts.append(f"BAD: {position['reason']}")
    elif torque["value"] is not None:
        sign = {"below": "<", "beyond": ">"}.get(torque["kind"], "")
        parts.append(f"{sign}{torque['value'] / 1000:.1f} kN.m")
    for contact in view["contacts"]:
        if contact["direction"] == direction:
            reads = {1: "ON", 0: "off", None: "?"}[contact["reads"]]
            parts.append(f"{contact['stage']} {contact['channel']} {reads}")
    return ", ".join(part.replace(" ", KEPT) for part in parts)
