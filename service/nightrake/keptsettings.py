"""The settings as a replay needs them, in the store beside their canonical content: built, calibration curves included.

The content names calibration records by their digests only. What was built of all of it is kept too, so that neither
the records nor the program of that time are needed to replay it.
"""

from __future__ import annotations

import json
from typing import Any, Protocol

from pydantic import TypeAdapter, ValidationError

from nightrake.alarms.response import Response
from nightrake.domain.site import SiteSpec
from nightrake.errors import StoreError
from nightrake.settings import Settings

_SITE: TypeAdapter[SiteSpec] = TypeAdapter(SiteSpec)
_RESPONSE: TypeAdapter[Response] = TypeAdapter(Response)
BUILT = "/built"
"""Behind the digest in the store's key of what was built of the settings."""


def built_text(site: SiteSpec, response: Response) -> str:
    """Site and response as JSON."""
    site_text, response_text = _SITE.dump_json(site).decode(), _RESPONSE.dump_json(response).decode()
    return f'{{"site":{site_text},"response":{response_text}}}'


def from_built(text: str) -> tuple[SiteSpec, Response]:
    """What `built_text` wrote.

    Raises:
        StoreError: It is damaged, or was written by a program that knows other settings.
    """
    try:
        data: dict[str, Any] = json.loads(text)
        return _SITE.validate_python(data["site"], strict=False), _RESPONSE.validate_python(data["response"])
    except (ValueError, KeyError, TypeError, ValidationError) as error:
        raise StoreError(
            f"settings kept in the store cannot be read ({type(error).__name__}); what was recorded under them can be "
            "shown as raw values only"
        ) from error


class Keeper(Protocol):
    """The store, as it is used here."""

    def put_settings(self, digest: str, utc_ms: int, content: str) -> None:
        """Keep settings under a digest."""
        ...


def keep_settings(store: Keeper, settings: Settings, utc_ms: int) -> None:
    """Keep settings as they were written, and as a replay needs them.

    Args:
        utc_ms: Now.
    """
    store.put_settings(settings.digest, utc_ms, settings.content)
    store.put_settings(settings.digest + BUILT, utc_ms, built_text(settings.site, settings.response))
