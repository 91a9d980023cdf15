"""The alarms as the journal alone gives them: what stood when, by nothing but the entries. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from nightrake.alarms.life import Life
from nightrake.domain.rows import Entry


class Seen(NamedTuple):
    """One alarm as its entries show it.

    Attributes:
        life, occurrence: As in `alarms.life`. acked_by: who acknowledged it last, "" = it has come again since.
        shelved, out_of_service: By whom, "" = not. suppressed: why, "" = not.
        away: Its subject is not in the settings.
    """

    life: Life = Life.NORMAL
    occurrence: int = 0
    acked_by: str = ""
    shelved: str = ""
    suppressed: str = ""
    out_of_service: str = ""
    away: bool = False


def replayed(entries: Iterable[Entry], before: Mapping[str, Seen] | None = None) -> dict[str, Seen]:
    """Every alarm that the entries speak of, as it stands after the last of them.

    Args:
        entries: Rows of the journal, in order; those of other kinds are passed over.
        before: What stood before the first of them.
    """
    seen = dict(before or {})
    for entry in entries:
        name = entry.data.get("alarm")
        if entry.kind != "alarm" or not name:
            continue
        seen[name] = _after(seen.get(name, Seen()), entry)
    return seen


def _after(was: Seen, entry: Entry) -> Seen:
    data, event = entry.data, entry.event
    life = Life(data["life"])
    now = was._replace(life=life, occurrence=data["occurrence"])
    if life is Life.UNACKNOWLEDGED:
        now = now._replace(acked_by="")
    changes: dict[str, dict[str, object]] = {
        "raised": {"suppressed": data.get("suppressed", "")},
        "raised_again": {"suppressed": data.get("suppressed", "")},
        "acknowledged": {"acked_by": data.get("actor", "")},
        "shelved": {"shelved": data.get("actor", "")},
        "unshelved": {"shelved": ""},
        "shelving_ended": {"shelved": ""},
        "suppressed": {"suppressed": data.get("why", "")},
        "suppression_ended": {"suppressed": ""},
        "out_of_service": {"out_of_service": data.get("actor", "")},
        "returned_to_service": {"out_of_service": ""},
        "out_of_service_ended": {"out_of_service": ""},
        "withdrawn": {"away": True},
        "reinstated": {"away": False},
    }
    return now._replace(**changes.get(event, {}))  # type: ignore[arg-type]
