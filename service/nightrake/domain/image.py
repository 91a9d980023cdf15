"""A PLC's image as a whole: a restarted PLC serves zeros for a while, and zeros must not look like operated contacts.

A unit is judged by its witness blocks, which cannot be all zero while it is sound. Zeros are 'restarting' for at most
two seconds and then 'suspect': told, but opening nothing. Pure.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

RESTART_NS = 2_000_000_000
"""How long an all-zero image may pass as a PLC that restarts."""


class Image(StrEnum):
    """How one unit's image stands."""

    SOUND = "sound"
    RESTARTING = "restarting"
    SUSPECT = "suspect"


IMAGE_REASONS = {Image.RESTARTING: "PLC restarting: all values are zero", Image.SUSPECT: "PLC image suspect: all zero"}


class ImageState(NamedTuple):
    """State of one unit's image, and since when it has been all zero."""

    image: Image = Image.SOUND
    zero_since_ns: int = 0


SOUND = ImageState()


def judge_image(prev: ImageState, zero: bool | None, now_ns: int) -> ImageState:
    """Judge one unit's image.

    Args:
        prev: The state before.
        zero: True when every good witness block of this scan is all zero, False when one is not, None when the scan
            held good blocks but no witness among them: then only the two seconds run on.
        now_ns: Monotonic time of the scan.
    """
    if zero is None:
        lasting = prev.image is Image.RESTARTING and now_ns - prev.zero_since_ns > RESTART_NS
        return prev._replace(image=Image.SUSPECT) if lasting else prev
    if not zero:
        return SOUND
    since_ns = now_ns if prev.image is Image.SOUND else prev.zero_since_ns
    suspect = prev.image is Image.SUSPECT or now_ns - since_ns > RESTART_NS
    return ImageState(Image.SUSPECT if suspect else Image.RESTARTING, since_ns)
