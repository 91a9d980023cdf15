"""Public keys of people: from the text in the settings to 32 bytes, or why not. Pure.

Source: RFC 8032, section 5.1 (the curve, its encoding). A key that is no point of the curve is a slip of the pen. One
of the eight points of small order would let anybody sign as that person, and a text such as a row of zeros is one.
"""

from __future__ import annotations

import base64
import binascii
import re

LENGTH = 32
SIGNATURE_LENGTH = 64
_P = 2**255 - 19
_D = -121665 * pow(121666, -1, _P) % _P
_ORDER_8_Y = 0x5FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
_SMALL = frozenset({0, 1, _P - 1, _ORDER_8_Y, _P - _ORDER_8_Y})
"""y of the points whose order divides 8."""
_HEX = re.compile(r"[0-9a-fA-F]{64}")


def public_key_of(text: str) -> bytes:
    """The key that a text stands for.

    Args:
        text: 44 characters of base64 (RFC 4648, section 4; the last one is ``=``), or 64 of hex.

    Raises:
        ValueError: It is none; the text says what to do.
    """
    if "PRIVATE" in text:
        raise ValueError("is a private key, which never leaves its person; make a new pair and give the public key")
    key = bytes.fromhex(text) if _HEX.fullmatch(text) else from_base64(text, LENGTH)
    fault = _fault(key) if key else "it is neither 44 characters of base64 nor 64 of hex"
    if fault:
        raise ValueError(f"is no usable public key ({fault}); expected what 'nightrake operator add' has shown")
    return key


def public_key_text(key: bytes) -> str:
    """How a key stands in the settings."""
    return base64.b64encode(key).decode()


def from_base64(text: str, length: int) -> bytes:
    """Bytes of exactly this length, or b"" where the text is not their one base64 form."""
    try:
        found = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return b""
    return found if len(found) == length and base64.b64encode(found).decode() == text else b""


def _fault(key: bytes) -> str:
    """Why 32 bytes are no key, or ""."""
    y = int.from_bytes(key, "little") & (2**255 - 1)
    if y % _P in _SMALL:
        return "anybody could sign with it"
    u, v = (y * y - 1) % _P, (_D * y * y + 1) % _P
    is_square = pow(u * pow(v, -1, _P) % _P, (_P - 1) // 2, _P) == 1
    return "" if y < _P and is_square else "it is no point of the curve Ed25519"
