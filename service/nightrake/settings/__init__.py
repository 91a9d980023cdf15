"""Settings: a folder of TOML files -> one immutable value named by its digest, or every mistake in it at once."""

from __future__ import annotations

from nightrake.settings.credentials import Secret, Secrets, secret, secrets_of
from nightrake.settings.diff import reload_diff
from nightrake.settings.loading import load
from nightrake.settings.taken import ControlSettings, Settings

__all__ = ["ControlSettings", "Secret", "Secrets", "Settings", "load", "reload_diff", "secret", "secrets_of"]
