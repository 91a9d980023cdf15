"""The digest names the content; nothing changes after loading."""

from __future__ import annotations

import dataclasses

import pytest

from unit.settings.spoil import Folder


def test_digest_names_the_content_not_its_layout(fennmark: Folder) -> None:
    """Comments, order, file names and written-out defaults change nothing; a value changes it."""
    before = fennmark.load()
    text = (fennmark.path / "people.toml").read_text()
    parts = text.split("\n[")
    fennmark.write("zz.toml", "# moved\n" + "\n[".join([parts[0], parts[2], parts[1], *parts[3:]]))
    (fennmark.path / "people.toml").unlink()
    fennmark.replace("site.toml", "# tail_hours = 2.0", "tail_hours = 2")

    moved = fennmark.load()
    fennmark.replace("drives.toml", "turn_s = 20.0", "turn_s = 21.0")
    changed = fennmark.load()

    assert moved.digest == before.digest
    assert moved.content == before.content
    assert changed.digest != before.digest
    assert before.digest == before.site.digest


def test_digest_holds_the_calibration(fennmark: Folder) -> None:
    """Another record in force is another digest."""
    before = fennmark.load()
    file = "calibration/GT1-reverse-2026-03-14.toml"
    fennmark.replace(file, "ambient_c = 21.0", "ambient_c = 22.0")
    fennmark.reseal(file)

    assert fennmark.load().digest != before.digest


def test_secret_is_not_in_the_settings(fennmark: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    """Digest and content know where a secret is, not what it is."""
    fennmark.replace("site.toml", "port = 18831", 'username = "watch"\npassword_env = "NR_TEST_PASSWORD"')
    monkeypatch.setenv("NR_TEST_PASSWORD", "hunter2")
    one = fennmark.load()
    monkeypatch.setenv("NR_TEST_PASSWORD", "hunter3")

    assert fennmark.load().digest == one.digest
    assert "hunter2" not in repr(one) + one.content


def test_settings_do_not_change(fennmark: Folder) -> None:
    """Everything is frozen."""
    settings = fennmark.load()

    with pytest.raises(dataclasses.FrozenInstanceError):
        settings.digest = ""  # type: ignore[misc]
    with pytest.raises(ValueError, match="frozen"):
        settings.mqtt.port = 1
