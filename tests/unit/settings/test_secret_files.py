"""Secrets: what may be a secret's file, and which of them are read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightrake.errors import NightrakeError
from nightrake.settings import load, secret, secrets_of

CONFIG = Path(__file__).parents[3] / "config"


def test_pipe_is_no_secret_file(tmp_path: Path) -> None:
    """Opening it would wait for a writer, and hold up whoever opens it."""
    os.mkfifo(tmp_path / "pipe")

    for file in ("/dev/zero", str(tmp_path / "pipe"), str(tmp_path)):
        with pytest.raises(NightrakeError, match=r"no ordinary file|is a directory"):
            secret(file, "", "mqtt password")


def test_only_what_is_used_is_read(tmp_path: Path) -> None:
    """The token of a forwarding that is off may be missing."""
    (tmp_path / "password").write_text("hush\n")
    sets = {"mqtt.username": "rake", "mqtt.password_file": str(tmp_path / "password"), "forward.enabled": False}
    settings = load(CONFIG, sets | {"forward.token_file": str(tmp_path / "missing")})

    secrets = secrets_of(settings)

    assert (secrets.mqtt_password.reveal(), secrets.forward_token.reveal()) == ("hush", "")
    settings = load(CONFIG, sets | {"forward.token_file": str(tmp_path / "missing"), "forward.enabled": True})
    with pytest.raises(NightrakeError, match=r"forward token: .* cannot be read"):
        secrets_of(settings)
