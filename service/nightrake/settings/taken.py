"""What a good folder gives: one immutable value, named by its digest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from nightrake.alarms.response import Response
from nightrake.domain.site import SiteSpec
from nightrake.settings.calibrations import CalibrationRecord
from nightrake.settings.channels import ChannelTable, PersonLimitTable
from nightrake.settings.duty import Duty
from nightrake.settings.learning import LearningTable
from nightrake.settings.models import ClockTable, ForwardTable, HistoryTable, MqttTable, StoreTable
from nightrake.settings.page import PageTable
from nightrake.settings.people import PersonTable
from nightrake.settings.specification import SpecificationTable


@dataclass(frozen=True, slots=True)
class ControlSettings:
    """Where the control socket is."""

    socket: Path


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the folder says. Immutable; `digest` names it.

    Attributes:
        site: For the core.
        digest: SHA-256 (hex) over the canonical content; neither secrets nor the machine's own paths are in it.
        mqtt, forward, store, history, clock: For the shells. control: the socket.
        people: Person id -> name and role. duty: Who is called when and in which order; rights; lockout.
        response: For the core, beside `site`: alarms, limits, rota, rights, lockout, standby.
        records: Calibration records in force.
        today_utc_ms: Start of the day for which records were chosen, and against which due dates count.
        warnings: What is allowed but seldom meant, one sentence each.
        content: The canonical content as JSON text, as the store keeps it.
        specifications: Drive id -> its specification, its quantities still texts; the watch does not need it.
        page: Where the operator's page is served. learning: When creep is looked for.
        channels: Ways to people besides the broker, by name. person_limit: messages for each person.
    """

    site: SiteSpec
    digest: str
    mqtt: MqttTable
    forward: ForwardTable
    store: StoreTable
    clock: ClockTable
    control: ControlSettings
    people: Mapping[str, PersonTable]
    duty: Duty
    response: Response
    records: tuple[CalibrationRecord, ...]
    today_utc_ms: int
    warnings: tuple[str, ...]
    content: str
    specifications: Mapping[str, SpecificationTable] = field(default_factory=dict)
    history: HistoryTable = field(default_factory=HistoryTable)
    page: PageTable = field(default_factory=PageTable)
    learning: LearningTable = field(default_factory=LearningTable)
    channels: Mapping[str, ChannelTable] = field(default_factory=dict)
    person_limit: PersonLimitTable = field(default_factory=PersonLimitTable)

    @property
    def store_dir(self) -> Path:
        """The store's folder."""
        return Path(self.store.dir)
