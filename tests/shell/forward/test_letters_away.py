"""Dead letters that are to be sent again while the store is away: whoever asks is told so, and nothing is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightrake import forwardletters
from nightrake.errors import StoreError
from shell.forward.plantless import site


@pytest.mark.asyncio
async def test_who_asks_does_not_wait_for_a_store_that_is_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sentence, not silence for as long as the outage lasts; the letter is there for the next time."""
    monkeypatch.setattr(forwardletters, "AWAY_S", 0.3)
    async with site(tmp_path, "http://127.0.0.1:1") as at:
        at.store.put_dead_letter(at.clock.utc_ms(), "nightrake_drive,drive=PC1 good=1.0 1", "refused")
        async with at.forwarded() as forwarding:
            await at.link(False)
            with pytest.raises(
                StoreError, match="takes nothing now, see 'nightrake status'; ask again when it is back"
            ):
                await forwarding.retry_letters()
            assert forwarding._letters._waiting == []
        assert len(await at.store.letters_after(0, 10)) == 1
