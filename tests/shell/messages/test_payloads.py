"""Shapes of messages: the committed schemas are current, and what the watch shows of a drive fits them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pydantic import ValidationError

import nightrake.messages
from nightrake.domain.state import new_site
from nightrake.domain.view import drive_view
from nightrake.messages.payloads import (
    MESSAGES,
    DriveMessage,
    EventMessage,
    event_bytes,
    other_bytes,
    schema_text,
    stamp,
    write_schemas,
)
from nightrake.messages.topics import Topics
from nightrake.settings import load
from shell.messages.ledger import UTC_MS, row

SCHEMAS = Path(nightrake.messages.__file__).parent / "schemas"
CONFIG = Path(__file__).parents[3] / "config"


def test_committed_schemas_are_current(tmp_path: Path) -> None:
    """`nightrake schemas` was run after the last change of the models, and no schema without a model is left."""
    write_schemas(tmp_path)

    assert {p.name for p in SCHEMAS.glob("*.json")} == {p.name for p in tmp_path.iterdir()}
    for name in MESSAGES:
        assert (SCHEMAS / f"{name}.json").read_text(encoding="utf-8") == schema_text(name)


def test_what_is_shown_of_every_example_drive_fits_the_drive_message() -> None:
    """The view of each drive, retained on MQTT, has exactly the documented keys."""
    site = load(CONFIG).site
    state = new_site(site)
    for drive in site.drives:
        view = drive_view(state, drive, 0, UTC_MS)
        payload = other_bytes(
            id="x-1",
            epoch="e",
            seq=0,
            utc_ms=UTC_MS,
            site=site.id,
            kind="state",
            event="drive_state",
            data=view,
            drive=drive,
        )
        message = DriveMessage.model_validate_json(payload)
        assert set(view) == set(type(message.data).model_fields)


def test_event_keeps_the_journal_payload_byte_for_byte() -> None:
    """What is hashed in the journal is what is told; names with quotes or umlauts do no harm."""
    each = row(7, "GT1", name='Räumer "2"', value=0.1)
    raw = event_bytes(each, "fennmark", durable=False)

    message = EventMessage.model_validate_json(raw)
    assert each.payload in raw
    assert message.data.model_dump(exclude_unset=True) == {"name": 'Räumer "2"', "value": 0.1}
    assert (message.id, message.durable, message.expires) == ("e1-7", False, None)


def test_states_with_nan_are_refused() -> None:
    """No receiver is sent what is not JSON."""
    with pytest.raises(ValueError, match="JSON"):
        other_bytes(id="", epoch="", seq=0, utc_ms=0, site="", kind="", event="", data={"x": float("nan")})


def test_models_refuse_unknown_keys_and_kinds() -> None:
    """A schema that takes everything would prove nothing."""
    good = json.loads(event_bytes(row(1), "fennmark", durable=True))
    EventMessage.model_validate(good)
    for bad in (good | {"more": 1}, good | {"kind": "canary"}, good | {"occurred": "yesterday"}):
        with pytest.raises(ValidationError):
            EventMessage.model_validate(bad)


def test_stamps_have_three_decimals_and_a_z() -> None:
    """RFC 3339, also for whole seconds and times before 1970 (a clock that lost its date)."""
    assert stamp(0) == "1970-01-01T00:00:00.000Z"
    assert stamp(1_790_000_000_007) == "2026-09-21T14:13:20.007Z"
    assert stamp(-1) == "1969-12-31T23:59:59.999Z"


def test_drive_of_tells_only_our_drive_topics() -> None:
    """Stray topics, deeper ones and those of other sites name no drive."""
    topics = Topics("nightrake", "fennmark")
    assert topics.drive_of(topics.drive("PC1")) == "PC1"
    for odd in (
        "nightrake/fennmark/drive/",
        "nightrake/fennmark/drive/a/b",
        "nightrake/other/drive/PC1",
        topics.events,
    ):
        assert topics.drive_of(odd) == ""
