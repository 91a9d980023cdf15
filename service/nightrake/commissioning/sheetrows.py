"""A data sheet as titled rows, SI and US units side by side, for the terminal and the page alike. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from nightrake.commissioning.finding import travel
from nightrake.commissioning.gears import Range
from nightrake.commissioning.judged_torque import base_text
from nightrake.commissioning.sheet import Sheet, Side, StagePoint
from nightrake.commissioning.shown import INCH_M, LBF_IN_NM, number, shown, shown_range
from nightrake.commissioning.specification import SetPoint
from nightrake.commissioning.statics import Springs
from nightrake.commissioning.units import Dimension
from nightrake.domain.site import Direction, Stage

UNKNOWN = "not stated"
CAUTIONS = (
    "Computed from what was stated; only a calibration record says what this device does. Gear efficiency, friction "
    "and spring wire alone make 5 to 20 % of difference.",
    "The shutdown contact has to stop the motor through hard wiring; neither this sheet nor nightrake is a safety "
    "function. A stopped machine can hold stored energy: isolate, lock out, verify zero energy, release the wind-up "
    "slowly, follow the manufacturer's instructions and local codes, and leave it to qualified people.",
)
"""What has to stand on every sheet, once."""


class Row(NamedTuple):
    """One line: what, its value in SI units, the same in US customary ones ("" where there is no other)."""

    label: str
    si: str
    us: str = ""


class Section(NamedTuple):
    """Some rows under a title."""

    title: str
    rows: Sequence[Row]


def sections(sheet: Sheet) -> list[Section]:
    """The whole sheet; what is not stated or cannot be computed says so."""
    found = [
        Section("Load and set points", list(_load(sheet))),
        Section("Motor and gear train", list(_train(sheet))),
        Section("What the motor can force at the output", list(_force(sheet))),
        Section("Device", list(_device(sheet))),
    ]
    several = len(sheet.specification.drive.directions) > 1
    for direction in sheet.specification.drive.directions:
        title = f"Arm and contacts, {direction}" if several else "Arm and contacts"
        side = sheet.sides.get(direction)
        rows = list(_side(sheet, side)) if side else [Row("Arm positions", "cannot be computed; see below")]
        found.append(Section(title, [*rows, *_contacts(sheet, direction)]))
    return found


def _row(label: str, value: float | None, dimension: Dimension) -> Row:
    return Row(label, UNKNOWN) if value is None else Row(label, *_once(shown(value, dimension)))


def _range(label: str, value: Range | None, dimension: Dimension, lacking: str = "cannot be computed") -> Row:
    if value is None:
        return Row(label, lacking)
    return Row(label, *_once(shown_range((value.low, value.high), dimension, 3)))


def _once(pair: tuple[str, str]) -> tuple[str, str]:
    """A value that reads the same in both systems is written once."""
    return (pair[0], "") if pair[0] == pair[1] else pair


def _percent(value: Range | None) -> str:
    if value is None:
        return UNKNOWN
    low, best, high = (number(100.0 * v, 3) for v in value)
    return f"{best} %" if low == high else f"{low} to {high} %, best {best} %"


def _load(sheet: Sheet) -> Iterator[Row]:
    spec = sheet.specification
    process = spec.process
    yield _row("Normal (process) torque", process.torque_nm if process else None, Dimension.TORQUE)
    if process:
        yield Row("  from", process.how)
        if process.load:
            yield _row("  load for each length", *process.load)
    yield _row("Output speed", spec.output_rad_s, Dimension.SPEED)
    yield Row("Runs", " and ".join(spec.runs) or UNKNOWN)
    yield Row("Forward is", spec.forward or UNKNOWN)
    yield _row("Power of the normal load", sheet.process_w, Dimension.POWER)
    yield _range("  from the motor", sheet.motor_w, Dimension.POWER)
    yield _row("Main gear rating", spec.gear_rating_nm, Dimension.TORQUE)
    for points in spec.set_points:
        for name, point in (("Alarm", points.alarm), ("Shutdown", points.shutdown)):
            yield _row(f"{name} torque{points.words}", point.torque_nm if point else None, Dimension.TORQUE)
            if point:
                yield Row("  base", base_text(point))
                yield Row("  of gear rating", _of(point, spec.gear_rating_nm))
        if points.alarm and points.shutdown:
            yield Row(f"Alarm of shutdown{points.words}", _of(points.alarm, points.shutdown.torque_nm))


def _of(point: SetPoint, whole_nm: float | None) -> str:
    return UNKNOWN if whole_nm is None else f"{number(100.0 * point.torque_nm / whole_nm, 3)} %"


def _train(sheet: Sheet) -> Iterator[Row]:
    spec, motor = sheet.specification, sheet.specification.motor
    yield _row("Motor power", motor.power_w, Dimension.POWER)
    yield _row("Motor speed", motor.speed_rad_s, Dimension.SPEED)
    yield _row("Motor torque, rated", sheet.motor_nm, Dimension.TORQUE)
    yield Row("Supply", motor.supply or UNKNOWN)
    yield Row("Breakdown torque", _times(motor.breakdown_ratio))
    if motor.supply == "variable frequency":
        yield Row("Limit of its drive", _times(motor.limit_ratio))
    for stage in spec.stages:
        label = f"{stage.part.capitalize()}: {stage.kind}"
        yield Row(label, f"{number(stage.ratio, 5)} : 1, {_percent(stage.efficiency)}")
    for name, ratio, efficiency in (
        ("Primary gear unit", sheet.primary_ratio, sheet.primary),
        ("Main gear unit", sheet.main_ratio, sheet.main),
    ):
        yield Row(name, UNKNOWN if ratio is None else f"{number(ratio, 5)} : 1, {_percent(efficiency)}")
    if sheet.primary_ratio and sheet.main_ratio:
        ratio = sheet.primary_ratio * sheet.main_ratio
        yield Row("Whole train", f"{number(ratio, 5)} : 1, {_percent(sheet.train)}")
    yield _row("Output speed by the train", sheet.train_rad_s, Dimension.SPEED)


def _times(ratio: float | None) -> str:
    return UNKNOWN if ratio is None else f"{ratio:g} times rated torque"


def _force(sheet: Sheet) -> Iterator[Row]:
    force = sheet.force
    yield _range("At rated motor torque", force.rated_nm if force else None, Dimension.TORQUE)
    yield _range("At the most before it stalls", force.stall_nm if force else None, Dimension.TORQUE)
    for speed in sheet.speeds_below:
        yield Row(f"It can force the {speed.what}", *shown(speed.torque_nm, Dimension.TORQUE))
        yield Row("  at rated torque, no loss", f"below {shown(speed.rated_no_loss, Dimension.SPEED)[0]}")
        for label, values in (("  at rated torque", speed.rated), ("  before it stalls", speed.stall)):
            yield Row(
                label, f"below {shown_range((values.low, values.high), Dimension.SPEED, 3)[0]}" if values else UNKNOWN
            )


def _device(sheet: Sheet) -> Iterator[Row]:
    spec, arm = sheet.specification, sheet.specification.arm
    yield Row("Serial number", spec.drive.device_serial or UNKNOWN)
    yield Row("Mounting", spec.mounting or UNKNOWN)
    yield Row("Shaft", (spec.orientation or UNKNOWN) + (", balanced" if spec.balanced else ""))
    yield Row("The springs hold", f"the {spec.floating}")
    yield _row("Arm length", arm.length_m if arm else None, Dimension.LENGTH)
    yield _row("Rest angle from square", arm.rest_angle_rad if arm else None, Dimension.ANGLE)
    yield _row("Travel to the end stop", arm.travel_m if arm else None, Dimension.LENGTH)
    for direction, springs in spec.springs.items():
        more = f", {direction}" if len(spec.springs) > 1 else ""
        yield from _springs(f"Springs{more}", springs)
    yield _row("Contact differential", spec.differential_m, Dimension.LENGTH)
    yield Row("Contact tolerance", f"{spec.tolerance_pct:g} % of set point")
    yield _row("Transducer step", sheet.step_m, Dimension.LENGTH)
    yield Row("Transducer class", UNKNOWN if (c := spec.transducer_class_pct) is None else f"+-{c:g} % of span")
    if spec.lowest_k is not None and spec.highest_k is not None:
        yield Row("Temperature", *shown_range((spec.lowest_k, spec.highest_k), Dimension.TEMPERATURE))
        yield Row("  springs adjusted at", *shown(spec.adjusted_k, Dimension.TEMPERATURE))
    else:
        yield Row("Temperature", UNKNOWN)


_LENGTH = Dimension.LENGTH


def _pair(first: tuple[str, str], second: tuple[str, str]) -> tuple[str, str]:
    return f"{first[0]}; {second[0]}", f"{first[1]}; {second[1]}"


def _springs(label: str, springs: Springs) -> Iterator[Row]:
    yield Row(label, springs.arrangement)
    if springs.wire:
        wire = springs.wire
        yield Row("  wire; mean coil diameter", *_pair(shown(wire.wire_m, _LENGTH), shown(wire.coil_m, _LENGTH)))
        yield Row("  active coils", number(wire.active_coils))
        yield Row("  shear modulus", *shown(wire.shear_modulus_pa, Dimension.MODULUS))
    yield Row("  rate, one spring", *shown(springs.rate_n_per_m / springs.count, Dimension.SPRING_RATE))
    if springs.is_pair:
        yield Row("  rate, both sides together", *shown(2.0 * springs.rate_n_per_m, Dimension.SPRING_RATE))
    elif springs.count > 1:
        yield Row(f"  rate, {springs.count} together", *shown(springs.rate_n_per_m, Dimension.SPRING_RATE))
    yield Row("  preload", *shown(springs.preload_n, Dimension.FORCE))


def _side(sheet: Sheet, side: Side) -> Iterator[Row]:
    if side.device.springs.is_pair:
        yield Row("Dead zone below preload", "none: centred pair")
    else:
        yield Row("Dead zone: torque below", *shown(side.dead_zone_nm, Dimension.TORQUE))
    if sheet.specification.process:
        text = "in the dead zone" if side.process_m is None else _signed(side, side.process_m)
        yield Row("Normal torque comes at", text, "" if side.process_m is None else _inches(side, side.process_m))
    for name, point in (("Alarm", side.alarm), ("Shutdown", side.shutdown)):
        yield from _point(name, side, point)


def _point(name: str, side: Side, point: StagePoint | None) -> Iterator[Row]:
    if point is None:
        yield Row(f"{name} comes at", "cannot be computed")
        return
    if point.position_m is None:
        yield Row(f"{name} comes at", "no position of the arm")
    else:
        yield Row(f"{name} comes at", _signed(side, point.position_m), _inches(side, point.position_m))
    yield Row("  torque on the support", *shown(point.support_nm, Dimension.TORQUE))
    yield _row("  force in the springs", point.spring_n, Dimension.FORCE)
    if point.mm_per_knm is not None:
        per_kip = point.mm_per_knm / (INCH_M * 1000.0) * LBF_IN_NM * 100.0
        yield Row("  sensitivity", f"{number(point.mm_per_knm, 3)} mm/kN.m", f"{number(per_kip, 3)} in/100 000 lbf.in")
    if point.step_nm is not None:
        yield Row("  one transducer step", *shown(point.step_nm, Dimension.TORQUE, 3))
    yield _range("  torque by the efficiency", point.actual_nm, Dimension.TORQUE)
    if point.drift is not None:
        low, high = point.drift
        yield Row("  springs cold, hot", f"{100 * low:+.2f} % and {100 * high:+.2f} %")


def _signed(side: Side, value_m: float) -> str:
    return travel(-value_m if side.direction is Direction.REVERSE else value_m)


def _inches(side: Side, value_m: float) -> str:
    return f"{(-value_m if side.direction is Direction.REVERSE else value_m) / INCH_M:.3f} in"


def _contacts(sheet: Sheet, direction: Direction) -> Iterator[Row]:
    spec = sheet.specification
    for stage in Stage:
        here = [c for c in spec.drive.contacts if c.id.direction is direction and c.id.stage is stage]
        forms = sorted({c.form.value.replace("_", " ") for c in here})
        channels = " and ".join(c.id.channel for c in here)
        words = f"{' / '.join(forms)}, channel {channels}" if here else "none"
        words += ", supervised" if here and stage in spec.supervised else ""
        yield Row(f"{stage.capitalize()} contacts", words)
