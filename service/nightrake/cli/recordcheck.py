"""`nightrake check`: is the fit that a calibration record brings the fit of its own points?"""

from __future__ import annotations

from collections.abc import Iterator

from nightrake.settings import Settings


def record_faults(settings: Settings) -> Iterator[str]:
    """One sentence for each stored fit in force that its points do not give; computed anew, so numpy is loaded here."""
    records = [r for r in settings.records if r.table.fit is not None]
    if not records:
        return
    from nightrake.commissioning.record import stored_fit_faults

    for record in records:
        faults = stored_fit_faults(record.table.model_dump())
        if faults:
            yield (
                f"{record.file}: [fit] does not belong to the record's points: {'; '.join(faults)}; make the record "
                "anew from its points"
            )
