"""How long the page's certificate holds: a browser refuses one that has ended, in the middle of a night as well."""

from __future__ import annotations

import datetime
from pathlib import Path

WARN_DAYS = 14
"""So long before its end it is said."""
DAY_MS = 86_400_000


def ends_utc_ms(cert_file: str) -> int | None:
    """When the first certificate of a PEM file ends, UTC; None where that cannot be read."""
    from cryptography import x509  # only where there is a certificate: it takes some MB

    try:
        ends = x509.load_pem_x509_certificate(Path(cert_file).read_bytes()).not_valid_after_utc
    except (OSError, ValueError):
        return None
    return round(ends.timestamp() * 1000)


def ending(cert_file: str, ends_ms: int | None, now_ms: int) -> str:
    """What is to be said of its end, "" while that is far.

    Args:
        cert_file: Its file. ends_ms, now_ms: UTC.
    """
    if ends_ms is None or ends_ms - now_ms > WARN_DAYS * DAY_MS:
        return ""
    on = datetime.datetime.fromtimestamp(ends_ms / 1000, datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")
    verb = "ended" if ends_ms <= now_ms else "ends"
    then = "browsers refuse the page" if ends_ms <= now_ms else "from then on browsers refuse the page"
    return f"the certificate in {cert_file} {verb} on {on}, {then}; put a new one there and reload"
