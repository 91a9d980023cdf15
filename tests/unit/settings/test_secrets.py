"""Secrets come from a file or the environment and show nowhere."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from nightrake.errors import NightrakeError
from nightrake.settings import Secret, secret


def test_secret_from_a_file_loses_only_its_line_end(tmp_path: Path) -> None:
    """Spaces may belong to it."""
    (tmp_path / "s").write_text(" hunter2 \r\n")

    assert secret(str(tmp_path / "s"), "", "x").reveal() == " hunter2 "


def test_secret_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """A named variable, as it stands."""
    monkeypatch.setenv("NR_TEST", "hunter2")

    assert secret("", "NR_TEST", "x").reveal() == "hunter2"


def test_no_secret_is_empty() -> None:
    """Nothing named, nothing given."""
    assert not secret("", "", "x")


def test_secret_shows_nowhere() -> None:
    """Neither printed, nor formatted, nor pickled."""
    hidden = Secret("hunter2")

    assert "hunter2" not in f"{hidden} {hidden!r} {[hidden]}"
    with pytest.raises(TypeError):
        pickle.dumps(hidden)


def test_secret_that_cannot_be_had_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which one, why, and what to do; the secret's text in none of them."""
    monkeypatch.delenv("NR_TEST", raising=False)
    (tmp_path / "empty").touch()
    (tmp_path / "binary").write_bytes(b"\xff\xfe")
    told = []
    for file, variable in (
        ("a", "B"),
        ("", "NR_TEST"),
        (f"{tmp_path}/none", ""),
        (f"{tmp_path}/empty", ""),
        (f"{tmp_path}/binary", ""),
        ("\0", ""),
    ):
        with pytest.raises(NightrakeError) as caught:
            secret(file, variable, "mqtt.password")
        told.append(str(caught.value))

    assert all(t.startswith("mqtt.password: ") for t in told)
    for text, words in zip(
        told, ("not both", "not set", "no such file", "is empty", "not UTF-8", "cannot be read"), strict=True
    ):
        assert words in text
