"""What a running watch says of itself."""

from __future__ import annotations

from nightrake.status import links_shown


def test_store_to_which_nothing_is_forwarded_is_no_link_that_is_down() -> None:
    """Forwarding was down and was switched off by a reload: nobody has to look after it any more."""
    links = {"broker": (True, ""), "store": (False, "no route")}

    assert links_shown(links, forwards=False) == {"broker": {"up": True, "detail": ""}}
    assert links_shown(links, forwards=True)["store"] == {"up": False, "detail": "no route"}
