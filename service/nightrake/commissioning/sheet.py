"""What a specification comes to: torques, forces, positions. Pure.

None stands for what cannot be computed because a value is missing; `judged` says which key to add.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from nightrake.commissioning.gears import Range, efficiency_of, ratio_of, speed_below_which
from nightrake.commissioning.specification import SetPoint, Specification
from nightrake.commissioning.statics import Device, support_share
from nightrake.domain.site import Direction, PositionSignal, PositionSpec, ValueType

CURVE_POINTS = 61
BEYOND = 1.25
"""Without a stated travel the curve is looked at as far as this times the shutdown's position."""


@dataclass(frozen=True, slots=True)
class StagePoint:
    """One set point as the arm shows it.

    Attributes:
        torque_nm: Output torque. support_nm: What the arm's support carries then.
        position_m: Predicted arm travel from rest (a magnitude), None where the arm cannot show it.
        spring_n: Force in the springs of the loaded side. mm_per_knm: Sensitivity there, mm of travel for each kN.m.
        actual_nm: Output torque at that position, over the range of the main gear unit's efficiency.
        step_nm: Output torque of one step of the transducer, or None.
        drift: Relative change of torque at that position, at the lowest and at the highest temperature; or None.
    """

    torque_nm: float
    support_nm: float
    position_m: float | None
    spring_n: float | None
    mm_per_knm: float | None
    actual_nm: Range
    step_nm: float | None
    drift: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Side:
    """One sensed direction.

    Attributes:
        direction: Which. device: Arm, springs and gear train behind them.
        dead_zone_nm: Output torque below which the arm rests on its stop.
        process_m: Predicted travel at the normal torque, None where it cannot be shown or is not known.
        alarm, shutdown: The set points, None where not stated.
        curve: (travel in m, output torque in N.m at best efficiency), from rest to the end of the travel.
        rises: Torque rises all along the curve.
    """

    direction: Direction
    device: Device
    dead_zone_nm: float
    process_m: float | None
    alarm: StagePoint | None
    shutdown: StagePoint | None
    curve: tuple[tuple[float, float], ...]
    rises: bool

    @property
    def travel_m(self) -> float | None:
        """Mechanical travel."""
        return self.device.arm.travel_m


@dataclass(frozen=True, slots=True)
class Force:
    """What the motor can force at the output: at rated torque, and at the highest before it stalls (None: unknown)."""

    rated_nm: Range
    stall_nm: Range | None


@dataclass(frozen=True, slots=True)
class SpeedBelow:
    """Output speeds, rad/s, below which the motor can force a torque: without loss, and over the efficiency range."""

    torque_nm: float
    what: str
    rated_no_loss: float
    rated: Range
    stall: Range | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """A specification with everything computed from it.

    Attributes:
        specification: What was given.
        primary, main, train: Efficiencies, None without stages. primary_ratio, main_ratio: None likewise.
        process_w: Power that the normal load takes at the output. motor_w: and from the motor, over the efficiencies.
        motor_nm: Rated motor torque. force: At the output. speeds_below: For shutdown torque and gear rating.
        train_rad_s: Output speed by the gear train.
        sides: By sensed direction, those that can be computed. step_m: One step of the transducer.
    """

    specification: Specification
    primary: Range | None
    main: Range | None
    train: Range | None
    primary_ratio: float | None
    main_ratio: float | None
    process_w: float | None
    motor_w: Range | None
    motor_nm: float | None
    force: Force | None
    speeds_below: tuple[SpeedBelow, ...]
    train_rad_s: float | None
    sides: Mapping[Direction, Side]
    step_m: float | None


def make_sheet(specification: Specification) -> Sheet:
    """Compute everything that the specification allows."""
    spec = specification
    primary, main = spec.part("primary"), spec.part("main")
    etas = [efficiency_of(p) if p else None for p in (primary, main)]
    train = efficiency_of(spec.stages) if primary and main else None
    ratio = ratio_of(spec.stages) if primary and main else None
    process_w = spec.process.torque_nm * spec.output_rad_s if spec.process and spec.output_rad_s else None
    motor = spec.motor
    motor_nm = motor.power_w / motor.speed_rad_s if motor.power_w and motor.speed_rad_s else None
    step_m = spec.resolution_m or transducer_step_m(spec.drive.position)
    return Sheet(
        specification=spec,
        primary=etas[0],
        main=etas[1],
        train=train,
        primary_ratio=ratio_of(primary) if primary else None,
        main_ratio=ratio_of(main) if main else None,
        process_w=process_w,
        motor_w=_from_motor(process_w, train),
        motor_nm=motor_nm,
        force=_force(spec, motor_nm, ratio, train),
        speeds_below=_speeds_below(spec, train),
        train_rad_s=motor.speed_rad_s / ratio if motor.speed_rad_s and ratio else None,
        sides=_sides(spec, step_m),
        step_m=step_m,
    )


def _from_motor(process_w: float | None, train: Range | None) -> Range | None:
    """Power that the motor has to give: the lower the efficiency, the more."""
    if process_w is None or train is None:
        return None
    return Range(process_w / train.high, process_w / train.best, process_w / train.low)


def _force(spec: Specification, motor_nm: float | None, ratio: float | None, train: Range | None) -> Force | None:
    if motor_nm is None or ratio is None or train is None:
        return None
    rated = train.times(motor_nm * ratio)
    stall_ratio = spec.motor.stall_ratio
    return Force(rated, None if stall_ratio is None else rated.times(stall_ratio))


def _speeds_below(spec: Specification, train: Range | None) -> tuple[SpeedBelow, ...]:
    power_w, stall = spec.motor.power_w, spec.motor.stall_ratio
    if power_w is None or train is None:
        return ()
    wanted = [(p.shutdown and p.shutdown.torque_nm, f"shutdown torque{p.words}") for p in spec.set_points]
    wanted.append((spec.gear_rating_nm, "gear rating"))
    found = []
    for torque_nm, what in wanted:
        if torque_nm:
            no_loss = speed_below_which(power_w, torque_nm)
            rated = train.times(no_loss)
            found.append(SpeedBelow(torque_nm, what, no_loss, rated, None if stall is None else rated.times(stall)))
    return tuple(found)


def transducer_step_m(position: PositionSpec | None) -> float | None:
    """One step of the position as the PLC serves it, metres; None where that does not tell how fine it is measured.

    A whole-number register steps by its scale. A float steps finer than any transducer, so it says nothing.
    """
    if position is None or position.point.type is ValueType.FLOAT32:
        return None
    step = abs(position.point.scale)
    if position.signal is not PositionSignal.SCALED:
        step *= abs((position.hi_mm - position.lo_mm) / (position.hi - position.lo))
    return step / 1000.0


def _sides(spec: Specification, step_m: float | None) -> dict[Direction, Side]:
    main, primary = spec.part("main"), spec.part("primary")
    if spec.arm is None or not main or (spec.floating != "gearmotor" and not primary):
        return {}
    share = support_share(spec.floating, ratio_of(primary), efficiency_of(primary).best) if primary else 1.0
    efficiency = efficiency_of(main)
    found = {}
    for direction in spec.drive.directions:
        springs = spec.springs.get(direction)
        if springs is None:
            continue
        gain = ratio_of(main) * efficiency.best * share
        device = Device(spec.arm, springs, gain, mirrored=direction is Direction.REVERSE)
        points = spec.set_points_of(direction)
        alarm = _stage_point(spec, device, points.alarm, efficiency, step_m)
        shutdown = _stage_point(spec, device, points.shutdown, efficiency, step_m)
        end_m = _end_m(device, alarm, shutdown)
        xs = [end_m * i / (CURVE_POINTS - 1) for i in range(CURVE_POINTS)]
        found[direction] = Side(
            direction=direction,
            device=device,
            dead_zone_nm=device.dead_zone_nm,
            process_m=device.travel_m(spec.process.torque_nm) if spec.process else None,
            alarm=alarm,
            shutdown=shutdown,
            curve=tuple((x, device.torque_nm(x)) for x in xs),
            rises=device.rises_to(end_m),
        )
    return found


def _end_m(device: Device, *points: StagePoint | None) -> float:
    """How far the arm is looked at: to its end stop, else a little past the last set point, else while it holds."""
    if device.arm.travel_m is not None:
        return min(device.arm.travel_m, device.reach_m)
    last = max((p.position_m for p in points if p is not None and p.position_m), default=device.reach_m)
    return min(BEYOND * last, device.reach_m)


def _stage_point(
    spec: Specification, device: Device, set_point: SetPoint | None, efficiency: Range, step_m: float | None
) -> StagePoint | None:
    if set_point is None:
        return None
    torque_nm = set_point.torque_nm
    travel = device.travel_m(torque_nm)
    slope = device.slope_nm_per_m(travel) if travel is not None else None
    usable = slope is not None and math.isfinite(slope) and slope > 0.0
    return StagePoint(
        torque_nm=torque_nm,
        support_nm=torque_nm / device.gain,
        position_m=travel,
        spring_n=None if travel is None else device.springs.loaded_spring_n(travel),
        mm_per_knm=1e6 / slope if usable and slope else None,
        actual_nm=efficiency.times(torque_nm / efficiency.best),
        step_nm=step_m * slope if step_m is not None and usable and slope else None,
        drift=_drift(spec, device),
    )


def _drift(spec: Specification, device: Device) -> tuple[float, float] | None:
    """Relative change of the springs' force (preload and all, since both come from one deflection) at both ends."""
    if spec.lowest_k is None or spec.highest_k is None:
        return None
    per_k = device.springs.rate_change_per_k
    return per_k * (spec.lowest_k - spec.adjusted_k), per_k * (spec.highest_k - spec.adjusted_k)
