"""Signed commands over MQTT, put together: keys from the settings, a memory in the store, the walk behind it.

One memory for the life of the watch; one `Reception` for each teller, since a reload may bring another root or site.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from nightrake.clock import Clock
from nightrake.domain.rows import Entry
from nightrake.engine import Keeper
from nightrake.messages.reception import Ask, Dealings, Reception, Remembered, Signer
from nightrake.messages.topics import Topics
from nightrake.settings import Settings
from nightrake.settings.signing import signers_of


class Commanding:
    """See the module.

    Args:
        clock: The watch's. ask: Puts a command through the walk (`Asked.command`). note: Journals (`Engine.note`).
        keeper: The store: commands are remembered beside the judgement states. kept: All that the last run kept there.
    """

    def __init__(
        self,
        clock: Clock,
        ask: Ask,
        note: Callable[[Entry], None],
        keeper: Keeper,
        kept: Mapping[str, bytes],
    ) -> None:
        remembered = Remembered(lambda key, payload: keeper.append((), {key: payload}, ()), kept)
        self._dealings = Dealings(ask, note, clock.utc_ms, clock.trusted, remembered)
        self._reception: Reception | None = None

    def reception(self, settings: Settings) -> Reception:
        """For a new teller, in the place of the one before."""
        topics = Topics(settings.mqtt.root, settings.site.id)
        self._reception = Reception(topics, _signers(settings), self._dealings)
        return self._reception

    def settings_changed(self, settings: Settings) -> None:
        """The teller goes on with other people, roles or keys."""
        if self._reception is not None:
            self._reception.set_signers(_signers(settings))


def _signers(settings: Settings) -> dict[str, Signer]:
    return {person: Signer(role, key) for person, (role, key) in signers_of(settings.people).items()}
