"""What a message of the watch changes on the scene."""

from __future__ import annotations

from typing import Any

from pagescenes import NOW_MS, calm


def test_view_that_comes_again_with_other_values_only_is_no_news() -> None:
    """The watch says every view again from time to time; no strip is made anew for a torque that moved."""
    scene = calm()
    view = scene.drives["PC1"]
    moved: dict[str, Any] = {**view, "torque_nm": {**view["torque_nm"], "value": 20_111.0}}
    moved.pop("read_utc_ms", None)
    changes = scene.apply({"at": NOW_MS, "drives": {"PC1": moved}})

    assert (changes.drives, changes.values) == (set(), {"PC1"})
    assert scene.drives["PC1"]["torque_nm"]["value"] == 20_111.0
    assert scene.drives["PC1"]["read_utc_ms"] == NOW_MS


def test_view_that_reads_otherwise_is() -> None:
    """A quality that changed is on the strip."""
    scene = calm()
    changes = scene.apply({"at": NOW_MS, "drives": {"PC1": {**scene.drives["PC1"], "quality": "failure"}}})

    assert changes.drives == {"PC1"}
