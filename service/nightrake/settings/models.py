"""The settings folder as pydantic models: every key, its type, bounds and default. Unknown keys are refused.

The comments in `config/` document every one of these keys; a test holds that.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightrake.settings.alarms import AlarmsModel, AlarmTable, PartLimitsTable, StandbyTable
from nightrake.settings.base import DirectionName, Id, Label, Model, Text
from nightrake.settings.channels import ChannelsModel
from nightrake.settings.learning import LearningTable
from nightrake.settings.page import PageTable
from nightrake.settings.people import PeopleModel
from nightrake.settings.specification import SpecificationTable

Span = Annotated[float, Field(ge=0.05, le=60.0)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Torque = Annotated[float, Field(ge=0.0, le=1e8, allow_inf_nan=False)]
Remarks = Annotated[str, Field(max_length=4000)]
Variable = Annotated[str, Field(pattern=r"^([A-Za-z_][A-Za-z0-9_]*)?$", max_length=100)]
KeptName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,40}$")]
TableName = Literal["coil", "discrete", "holding", "input"]


class SiteTable(Model):
    """``[site]``"""

    id: Id
    name: Label


class ScanTable(Model):
    """``[scan]``: how often is read, seconds."""

    contacts_s: Span = 0.25
    values_s: Span = 1.0


class PartScanTable(Model):
    """``[plc.ID.scan]``, ``[drive.ID.scan]``: what is left out is taken from the wider one."""

    contacts_s: Span | None = None
    values_s: Span | None = None


class StoreTable(Model):
    """``[store]``"""

    dir: Annotated[Text, Field(min_length=1)] = "state"
    tail_hours: Annotated[float, Field(gt=0.0, le=87600.0)] = 2.0
    quota_mb: Annotated[int, Field(ge=8, le=10_000_000)] = 2048
    ballast_mb: Annotated[int, Field(ge=0, le=10_000)] = 8


class HistoryTable(Model):
    """``[history]``: what is sealed, and how long it is kept."""

    enabled: bool = True
    raw_days: Annotated[float, Field(ge=0.05, le=36500.0)] = 30.0
    minute_days: Annotated[float, Field(ge=1.0, le=36500.0)] = 730.0
    hour_days: Annotated[float, Field(ge=1.0, le=36500.0)] = 3650.0
    seal_s: Annotated[float, Field(ge=0.0, le=3600.0)] = 0.0
    quota_mb: Annotated[int, Field(ge=16, le=10_000_000)] = 16384
    trips_mb: Annotated[int, Field(ge=1, le=10_000_000)] = 1024


class ControlTable(Model):
    """``[control]``"""

    socket: Annotated[Text, Field(min_length=1)] = "state/control"


class ClockTable(Model):
    """``[clock]``"""

    require_sync: bool = False


class MqttTable(Model):
    """``[mqtt]``"""

    host: Label = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    protocol: Literal[5, 311] = 5
    root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$")] = "nightrake"
    client_id: Text = ""
    username: Text = ""
    password_file: Text = ""
    password_env: Variable = ""
    ca_file: Text = ""
    cert_file: Text = ""
    key_file: Text = ""
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 15
    state_period_s: Annotated[float, Field(ge=0.5, le=3600.0)] = 10.0
    canary_period_s: Annotated[float, Field(ge=0.5, le=120.0)] = 30.0


class ForwardTable(Model):
    """``[forward]``"""

    enabled: bool = False
    url: Text = "http://127.0.0.1:8428"
    org: Text = "-"
    bucket: Text = "nightrake"
    token_file: Text = ""
    token_env: Variable = ""
    timeout_s: Annotated[float, Field(ge=0.5, le=300.0)] = 10.0
    batch_lines: Annotated[int, Field(ge=1, le=20000)] = 5000


class GapTable(Model):
    """One of ``plc.ID.readable_gaps``; addresses are written as the PLC's `addressing` says."""

    unit: Annotated[int, Field(ge=0, le=247)] = 1
    table: TableName
    first: int
    last: int


class PlcTable(Model):
    """``[plc.ID]``"""

    host: Label
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    addressing: Literal["pdu", "reference"]
    timeout_s: Annotated[float, Field(ge=0.05, le=30.0)] = 1.0
    max_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    readable_gaps: list[GapTable] = []
    min_gap_s: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    transaction_zero_ok: bool = False
    unit_zero_ok: bool = False
    backoff_min_s: Annotated[float, Field(ge=0.1, le=60.0)] = 0.5
    backoff_max_s: Annotated[float, Field(ge=0.1, le=600.0)] = 30.0
    unit_retry_s: Annotated[float, Field(ge=1.0, le=600.0)] = 10.0
    scan: PartScanTable | None = None


class OnChangeTable(Model):
    """``record_on_change`` of a point."""

    band: Annotated[float, Field(ge=0.0, allow_inf_nan=False)] = 0.0
    longest_s: Annotated[float, Field(gt=0.0, le=600.0)]


class PointTable(Model):
    """A point: one value in one PLC."""

    address: int
    table: TableName | None = None
    type: Literal["bit", "int16", "uint16", "int32", "uint32", "float32"] | None = None
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = "ABCD"
    scale: Finite = 1.0
    offset: Finite = 0.0
    plc: Id | None = None
    unit: Annotated[int, Field(ge=0, le=247)] | None = None
    period_s: Span | None = None
    fixed: bool = False
    record_on_change: OnChangeTable | None = None


class BitTable(Model):
    """A plain bit with its meaning."""

    point: PointTable
    true_bit: Literal[0, 1] = 1


class ContactTable(Model):
    """One of ``[[drive.ID.contact]]``"""

    stage: Literal["alarm", "shutdown"]
    direction: DirectionName = "forward"
    channel: Literal["A", "B"] = "A"
    form: Literal["normally_open", "normally_closed"]
    bit_1_means: Literal["closed", "operated"]
    point: PointTable
    debounce_operate_s: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    debounce_release_s: Annotated[float, Field(ge=0.0, le=1.0)] = 0.0
    latched: PointTable | None = None
    counter: PointTable | None = None


class PositionTable(Model):
    """``[drive.ID.position]``"""

    point: PointTable
    signal: Literal["mA", "counts", "scaled"]
    lo: Finite = 4.0
    hi: Finite = 20.0
    lo_mm: Finite = 0.0
    hi_mm: Finite = 25.0
    counts_per_ma: Annotated[float, Field(ge=0.0, allow_inf_nan=False)] = 0.0


class DriveTable(Model):
    """``[drive.ID]``, with its template merged in."""

    name: Label
    area: Text = ""
    machine: Text = ""
    device_serial: Text = ""
    device_since: Text = ""
    plc: Id
    unit: Annotated[int, Field(ge=0, le=247)] = 1
    directions: list[DirectionName] = ["forward"]
    alarm_nm: Torque = 0.0
    shutdown_nm: Torque = 0.0
    alarm_reverse_nm: Torque = 0.0
    shutdown_reverse_nm: Torque = 0.0
    release_torque_nm: Torque = 0.0
    turn_s: Annotated[float, Field(ge=0.0, le=1e6)] = 0.0
    stop_confirm_s: Annotated[float, Field(ge=0.1, le=60.0)] = 3.0
    disagree_s: Annotated[float, Field(ge=0.0, le=600.0)] = 2.0
    heartbeat_s: Annotated[float, Field(ge=0.1, le=600.0)] = 5.0
    stale_s: Annotated[float, Field(ge=0.1, le=600.0)] = 5.0
    scan: PartScanTable | None = None
    contact: list[ContactTable] = []
    position: PositionTable | None = None
    running: BitTable | None = None
    rack_healthy: BitTable | None = None
    power: PointTable | None = None
    speed: PointTable | None = None
    heartbeat: PointTable | None = None
    kept: dict[KeptName, PointTable] = {}
    alarm: dict[str, AlarmTable] = {}
    torque_limits: PartLimitsTable | None = None
    standby: Annotated[list[StandbyTable], Field(max_length=200)] = []
    specification: SpecificationTable | None = None


class FolderModel(PeopleModel, AlarmsModel, ChannelsModel):
    """The whole folder, calibration records apart."""

    site: SiteTable
    scan: ScanTable = ScanTable()
    store: StoreTable = StoreTable()
    history: HistoryTable = HistoryTable()
    control: ControlTable = ControlTable()
    clock: ClockTable = ClockTable()
    mqtt: MqttTable = MqttTable()
    forward: ForwardTable = ForwardTable()
    page: PageTable = PageTable()
    learning: LearningTable = LearningTable()
    plc: dict[Id, PlcTable]
    drive: dict[Id, DriveTable]
