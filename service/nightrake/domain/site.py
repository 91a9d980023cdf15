"""The site as the core sees it: PLCs, points, drives, contacts. Built once from the settings, never changed.

Spans are integer nanoseconds here (settings give seconds); addresses are 0-based PDU addresses (settings may give
classic reference numbers). Ids are immutable identities; names are labels for people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from nightrake.domain.onchangespec import OnChange


class Table(StrEnum):
    """A Modbus data table, with the function code that reads it."""

    COIL = "coil"  # function code 1
    DISCRETE = "discrete"  # function code 2
    HOLDING = "holding"  # function code 3
    INPUT = "input"  # function code 4

    @property
    def function_code(self) -> int:
        """The one function code that reads this table (1 to 4)."""
        return _FUNCTION_CODES[self]

    @property
    def holds_bits(self) -> bool:
        """True for coils and discrete inputs."""
        return self in (Table.COIL, Table.DISCRETE)


_FUNCTION_CODES = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}


class ValueType(StrEnum):
    """How a point's value lies in its table. BIT with a register table means bit ``bit`` of that register."""

    BIT = "bit"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"

    @property
    def words(self) -> int:
        """Registers taken: 1 or 2."""
        return 2 if self in (ValueType.INT32, ValueType.UINT32, ValueType.FLOAT32) else 1


class Order(StrEnum):
    """Byte and word order of a 32-bit value; A is the most significant byte. BADC on 16 bits means swapped bytes."""

    ABCD = "ABCD"  # big-endian, high word first
    CDAB = "CDAB"  # high word last
    BADC = "BADC"  # high word first, bytes swapped within each word
    DCBA = "DCBA"  # little-endian throughout


class Stage(StrEnum):
    """Which of the device's two torque stages a contact belongs to."""

    ALARM = "alarm"
    SHUTDOWN = "shutdown"


class Direction(StrEnum):
    """A sensed direction of rotation. A device with one sensed direction uses FORWARD only."""

    FORWARD = "forward"
    REVERSE = "reverse"


class Form(StrEnum):
    """Wiring of a contact. A normally closed one opens when it operates, and so shows a broken wire."""

    NORMALLY_OPEN = "normally_open"
    NORMALLY_CLOSED = "normally_closed"


class BitMeans(StrEnum):
    """What bit value 1 says about a contact: the circuit is closed, or the contact has operated."""

    CLOSED = "closed"
    OPERATED = "operated"


class PointSpec(NamedTuple):
    """One value in one PLC.

    Attributes:
        endpoint: Id of the PLC.
        unit: Modbus unit id, 0 to 247 (0 only where the PLC's settings allow it).
        table: Which data table.
        address: 0-based PDU address.
        type: How the value lies there.
        bit: Bit number 0 to 15 (0 = least significant) for a BIT in a register; 0 otherwise.
        order: Byte and word order of 32-bit (and, for BADC and DCBA, 16-bit) values.
        scale, offset: value = raw * scale + offset.
        period_ns: How often it is to be read.
    """

    endpoint: str
    unit: int
    table: Table
    address: int
    type: ValueType
    bit: int = 0
    order: Order = Order.ABCD
    scale: float = 1.0
    offset: float = 0.0
    period_ns: int = 1_000_000_000

    @property
    def words(self) -> int:
        """Table entries taken: bits for coils and discrete inputs, registers otherwise."""
        return 1 if self.table.holds_bits else self.type.words


class ContactId(NamedTuple):
    """Identity of one dry contact; text form ``PC1/forward/shutdown/A``."""

    drive: str
    direction: Direction
    stage: Stage
    channel: str  # "A" or "B"

    def __str__(self) -> str:
        return f"{self.drive}/{self.direction}/{self.stage}/{self.channel}"


@dataclass(frozen=True, slots=True)
class ContactSpec:
    """One dry contact as wired and as served.

    Attributes:
        id: Its identity.
        point: The bit that shows it now.
        form: Wiring.
        bit_1_means: Meaning of bit value 1.
        debounce_operate_ns, debounce_release_ns: A new state counts after holding this long (0 to 1 s).
        latched: A bit in which the PLC remembers an operation until reset there (1 = has operated), or None.
        counter: An unsigned register that counts operations, or None. It wraps at its width and restarts with the PLC.
    """

    id: ContactId
    point: PointSpec
    form: Form
    bit_1_means: BitMeans
    debounce_operate_ns: int = 0
    debounce_release_ns: int = 0
    latched: PointSpec | None = None
    counter: PointSpec | None = None

    @property
    def operated_bit(self) -> int:
        """The bit value (0 or 1) that means 'operated'."""
        if self.bit_1_means is BitMeans.OPERATED:
            return 1
        return 1 if self.form is Form.NORMALLY_OPEN else 0

    @property
    def shows_broken_wire(self) -> bool:
        """True when a broken wire reads as operated (normally closed wiring)."""
        return self.form is Form.NORMALLY_CLOSED


class PositionSignal(StrEnum):
    """What the position point carries after scale and offset."""

    CURRENT_MA = "mA"  # 4-20 mA loop current in mA, NAMUR NE 43 limits apply
    COUNTS = "counts"  # converter counts, span given as counts_lo..counts_hi
    SCALED = "scaled"  # position itself, mm


@dataclass(frozen=True, slots=True)
class PositionSpec:
    """The arm position transducer.

    Attributes:
        point: Where the value is.
        signal: What the scaled value carries.
        lo, hi: The signal's values at the ends of the span (mA: 4 and 20; counts: as set; scaled: equal to the mm).
        lo_mm, hi_mm: Arm position at those ends, mm from the rest stop (negative = reverse direction).
        counts_per_ma: For COUNTS from a 4-20 mA loop: counts per mA, so that NE 43 limits apply; 0 when unknown.
    """

    point: PointSpec
    signal: PositionSignal
    lo: float
    hi: float
    lo_mm: float
    hi_mm: float
    counts_per_ma: float = 0.0


@dataclass(frozen=True, slots=True)
class BitSignal:
    """A plain bit such as motor running or rack healthy; ``true_bit`` is the bit value that means yes."""

    point: PointSpec
    true_bit: int = 1


@dataclass(frozen=True, slots=True)
class CalibrationCurve:
    """A calibration record as the core needs it: one drive and direction, straight segments or a polynomial.

    Attributes:
        ref: The record's reference (its file name without ending).
        digest: SHA-256 (hex) over the record's canonical content.
        direction: Sensed direction it holds for.
        position_mm, torque_nm: The corners of straight segments, equal length >= 2, both strictly rising in magnitude
            (checked when built; positions of a REVERSE record are negative and fall). Of a polynomial its two ends.
        falling_mm, falling_nm: The falling branch of a record without a fit, in the same order, or empty.
        valid_from_utc_ms, due_utc_ms: When it was made and when the next is due (0 = not stated).
        coefficients: Of a fitted straight line or quadratic in powers of (magnitude of the position - reference_mm), or
            empty for straight segments.
        reference_mm: See there.
        uncertainty_nm: Expanded uncertainty (95 %) at positions evenly spaced from the first to the last of
            `position_mm`, two or more; empty = not stated.
        not_in_budget: Sources of uncertainty of which nothing was stated, so that `uncertainty_nm` lacks them.
    """

    ref: str
    digest: str
    direction: Direction
    position_mm: tuple[float, ...]
    torque_nm: tuple[float, ...]
    falling_mm: tuple[float, ...] = ()
    falling_nm: tuple[float, ...] = ()
    valid_from_utc_ms: int = 0
    due_utc_ms: int = 0
    coefficients: tuple[float, ...] = ()
    reference_mm: float = 0.0
    uncertainty_nm: tuple[float, ...] = ()
    not_in_budget: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DriveSpec:
    """One drive: motor, gear train and overload device turning one machine.

    Attributes:
        id: Immutable identity, ``[A-Za-z0-9_-]{1,32}``.
        name, area, machine: Labels for people.
        device_serial: Serial number of the overload device, or "". device_since: Day it came here (ISO), or "".
        directions: Sensed directions, one or two.
        contacts: All contacts.
        position: Transducer, or None.
        running: Motor running feedback, or None.
        power: Motor power in kW after scale, or None. speed: output speed in rpm after scale, or None.
        heartbeat: A counter that the PLC keeps changing, or None.
        rack_healthy: A bit saying the I/O rack is sound, or None.
        kept: Process signals that are only kept, by name (``flow_m3_per_h`` and so on, unit in the name).
        on_change: How a role's point is recorded (`points`); not in it: every reading is recorded.
        calibrations: The record in force for each direction that has one.
        alarm_nm, shutdown_nm: Set points as torque (0.0 = not stated).
        alarm_reverse_nm, shutdown_reverse_nm: Those of the reverse direction where they differ, else 0.0.
        stop_confirm_ns: How long after a shutdown run feedback may stay on before 'still running'.
        disagree_ns: How long two channels of a stage may differ before it is a fault.
        heartbeat_ns: How long the heartbeat may stand still.
        stale_ns: Age after which a reading is stale.
        turn_ns: One turn of the output, 0 when unknown.
    """

    id: str
    name: str
    area: str = ""
    machine: str = ""
    device_serial: str = ""
    device_since: str = ""
    directions: tuple[Direction, ...] = (Direction.FORWARD,)
    contacts: tuple[ContactSpec, ...] = ()
    position: PositionSpec | None = None
    running: BitSignal | None = None
    power: PointSpec | None = None
    speed: PointSpec | None = None
    heartbeat: PointSpec | None = None
    rack_healthy: BitSignal | None = None
    kept: Mapping[str, PointSpec] = field(default_factory=dict)
    on_change: Mapping[str, OnChange] = field(default_factory=dict)
    calibrations: Mapping[Direction, CalibrationCurve] = field(default_factory=dict)
    alarm_nm: float = 0.0
    shutdown_nm: float = 0.0
    alarm_reverse_nm: float = 0.0
    shutdown_reverse_nm: float = 0.0
    stop_confirm_ns: int = 3_000_000_000
    disagree_ns: int = 2_000_000_000
    heartbeat_ns: int = 5_000_000_000
    stale_ns: int = 5_000_000_000
    turn_ns: int = 0

    def set_point_nm(self, direction: Direction, stage: Stage) -> float:
        """Set point of one direction's stage as output torque, N.m; 0.0 = not stated."""
        forward_nm, reverse_nm = (
            (self.alarm_nm, self.alarm_reverse_nm)
            if stage is Stage.ALARM
            else (self.shutdown_nm, self.shutdown_reverse_nm)
        )
        return reverse_nm or forward_nm if direction is Direction.REVERSE else forward_nm

    def points(self) -> dict[str, PointSpec]:
        """Every point of the drive by role, in a fixed order.

        Roles: ``contact:forward/alarm/A``, ``latched:...``, ``counter:...``, ``position``, ``running``, ``power``,
        ``speed``, ``heartbeat``, ``rack_healthy``, ``kept:NAME``.
        """
        roles: dict[str, PointSpec] = {}
        for contact in self.contacts:
            tail = f"{contact.id.direction}/{contact.id.stage}/{contact.id.channel}"
            roles[f"contact:{tail}"] = contact.point
            if contact.latched is not None:
                roles[f"latched:{tail}"] = contact.latched
            if contact.counter is not None:
                roles[f"counter:{tail}"] = contact.counter
        optional: dict[str, PointSpec | None] = {
            "position": self.position.point if self.position else None,
            "running": self.running.point if self.running else None,
            "power": self.power,
            "speed": self.speed,
            "heartbeat": self.heartbeat,
            "rack_healthy": self.rack_healthy.point if self.rack_healthy else None,
        }
        roles.update({role: point for role, point in optional.items() if point is not None})
        for name, point in self.kept.items():
            roles[f"kept:{name}"] = point
        return roles


class Gap(NamedTuple):
    """A run of addresses that no point uses but that the PLC lets us read over: first to last, both included."""

    unit: int
    table: Table
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class EndpointSpec:
    """One PLC or gateway, reached over one TCP connection.

    Attributes:
        id: Immutable identity.
        host, port: Where it listens.
        timeout_ns: How long a reply may take.
        max_registers: Registers it gives in one request (1 to 125). max_bits: bits (1 to 2000).
        readable_gaps: Gaps that may be bridged.
        min_gap_ns: Least time between two requests (gateways need some).
        transaction_zero_ok: The device answers every request with transaction id 0.
        backoff_min_ns, backoff_max_ns: Reconnect back-off, jittered between these.
        unit_retry_ns: How often a unit that stopped answering is tried, so that its neighbours keep their period.
    """

    id: str
    host: str
    port: int = 502
    timeout_ns: int = 1_000_000_000
    max_registers: int = 125
    max_bits: int = 2000
    readable_gaps: tuple[Gap, ...] = ()
    min_gap_ns: int = 0
    transaction_zero_ok: bool = False
    backoff_min_ns: int = 500_000_000
    backoff_max_ns: int = 30_000_000_000
    unit_retry_ns: int = 10_000_000_000


@dataclass(frozen=True, slots=True)
class SiteSpec:
    """All of it.

    Attributes:
        id: Immutable identity of the site, part of every topic.
        name: Label.
        digest: SHA-256 (hex) of the whole settings; names this value.
        endpoints, drives: In file order, by id.
    """

    id: str
    name: str
    digest: str
    endpoints: Mapping[str, EndpointSpec]
    drives: Mapping[str, DriveSpec]
