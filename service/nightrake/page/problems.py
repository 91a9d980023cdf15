"""What goes wrong for a visitor: problem details (RFC 9457), one sentence in ``detail``."""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

MEDIA_TYPE = "application/problem+json"


class Problem(Exception):
    """A request that is not carried out.

    Args:
        status: HTTP status. detail: One sentence: what is wrong and what to do.
        headers: That go with it, Retry-After for instance.
    """

    def __init__(self, status: int, detail: str, headers: Mapping[str, str] | None = None) -> None:
        self.status, self.detail = status, detail
        self.headers = dict(headers or {})
        super().__init__(detail)

    @property
    def title(self) -> str:
        """The status in words."""
        return title_of(self.status)


def title_of(status: int) -> str:
    """A status in words."""
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def problem_body(status: int, detail: str) -> bytes:
    """The JSON of a problem. Source: RFC 9457, section 3.1; type ``about:blank``: the title is that of the status."""
    told: dict[str, Any] = {"type": "about:blank", "title": title_of(status), "status": status, "detail": detail}
    return json.dumps(told, ensure_ascii=False).encode()
