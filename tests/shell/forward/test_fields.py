"""What leaves is what FIELDS.md lists: every measurement, tag and field, and no more series than it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import nightrake.historian as historian
from nightrake.domain.site import DriveSpec
from nightrake.historian.readback import PROBE, Probe
from peers.fakestore import fake_store
from shell.forward.plantless import site, until

TEXT = (Path(historian.__file__).parent / "FIELDS.md").read_text(encoding="utf-8")
OWN, MOTOR = 6, 3


def listed(name: str, drive: DriveSpec | None = None) -> bool:
    """Whether a field is in the document: by its name, as a contact, or as a signal that the settings name."""
    contact = re.fullmatch(r"contact_(forward|reverse)_(alarm|shutdown)_[a-z]", name)
    return f"`{name}`" in TEXT or contact is not None or (drive is not None and name in drive.kept)


@pytest.mark.asyncio
async def test_every_tag_and_field_is_listed_and_series_are_bounded(tmp_path: Path) -> None:
    """Scans and rows of the example site."""
    async with fake_store() as store, site(tmp_path, store.url) as at, at.forwarded() as forwarding:
        at.scans(5)
        at.happen(2)
        await until(lambda: forwarding.status()["lag_rows"] == 0 and bool(store.series("nightrake_event")))
        drives = at.settings.site.drives

    series: dict[str, set[str]] = {}
    for line in store.taken:
        head, fields, _ = line.split(" ")
        measurement, *tags = head.split(",")
        drive = next((drives[tag[6:]] for tag in tags if tag.startswith("drive=")), None)
        names = {field.partition("=")[0] for field in fields.split(",")}
        assert f"## {measurement}" in TEXT
        assert all(f"`{tag.partition('=')[0]}`" in TEXT for tag in tags)
        assert all(listed(name, drive) for name in names), names
        series.setdefault(head, set()).update(names)
    for head, names in series.items():
        if head.startswith("nightrake_drive"):
            spec = drives[head.rpartition("drive=")[2]]
            assert len(names) <= OWN + MOTOR + len(spec.contacts) + len(spec.kept)
        else:
            assert names == {"seq"}


def test_probe_is_listed() -> None:
    """A line of our own is in the document too."""
    first, second = Probe("fennmark", 3, 1_790_000_000_000).lines()

    assert first == second == "nightrake_probe,site=fennmark number=3.0 1790000000000"
    assert f"## {PROBE}" in TEXT
    assert "`number`" in TEXT
