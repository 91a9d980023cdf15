"""Other settings in the place of those that were in force: what a change of the folder makes of what was kept. Pure.

What differs between the folder as it is and the folder with the change is put on the settings of that time, so that
nothing else of what has been changed since comes along.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, NamedTuple

from nightrake.alarms.response import Response
from nightrake.domain.site import DriveSpec, SiteSpec
from nightrake.errors import NightrakeError

ONLY_READ = "a replay has only what was read then, in the way it was read"


class Change(NamedTuple):
    """What is to be otherwise.

    Attributes:
        before, after: Site and response of the folder, without and with the change.
    """

    before: tuple[SiteSpec, Response]
    after: tuple[SiteSpec, Response]

    @property
    def is_none(self) -> bool:
        """Whether neither drives nor alarms come out otherwise."""
        return is_same(self.before, self.after)

    def of(self, site: SiteSpec, response: Response) -> tuple[SiteSpec, Response]:
        """The settings of a time, with the change; addresses and identity stay those of then, for nothing is read anew.

        Raises:
            NightrakeError: It changes what is read.
        """
        made: tuple[SiteSpec, Response] = merged((site, response), self.before, self.after)
        other = replace(made[0], id=site.id, endpoints=site.endpoints)
        if set(other.drives) != set(site.drives):
            which = ", ".join(sorted(set(other.drives) ^ set(site.drives)))
            raise NightrakeError(f"the change adds or removes {which}; {ONLY_READ}, so leave that out")
        for drive, spec in other.drives.items():
            _check_points(site.drives[drive], spec)
        return other, made[1]


def is_same(one: tuple[SiteSpec, Response], other: tuple[SiteSpec, Response]) -> bool:
    """Whether two sites and responses are judged alike, whatever their digests, labels and addresses."""
    return _judged(*one) == _judged(*other)


def _judged(site: SiteSpec, response: Response) -> tuple[SiteSpec, frozenset[str], Response]:
    """Without what judgement does not read; of PLCs it reads which there are, all else of them is about reading."""
    drives = {drive: replace(spec, name="", area="", machine="") for drive, spec in site.drives.items()}
    bare = replace(site, id="", name="", digest="", endpoints={}, drives=drives)
    return bare, frozenset(site.endpoints), response._replace(site_name="")


def _check_points(was: DriveSpec, now: DriveSpec) -> None:
    if was.on_change != now.on_change:
        how = f"how drive {was.id} is recorded (record_on_change)"
        raise NightrakeError(f"the change is about {how}; {ONLY_READ}, so leave that out")
    before, after = was.points(), now.points()
    for role in dict.fromkeys((*before, *after)):
        if before.get(role) != after.get(role):
            how = f"how drive {was.id}'s {role} is read (address, type, scale or period)"
            raise NightrakeError(f"the change is about {how}; {ONLY_READ}, so leave that out")


def merged(kept: Any, before: Any, after: Any) -> Any:
    """A value with what differs between two others of its kind; the rest of it stays as it is.

    Args:
        kept: A dataclass, named tuple, mapping or tuple of such, or anything else, which is taken whole.
        before, after: Of the same shape, as far as they go.
    """
    if before == after:
        return kept
    if not type(kept) is type(before) is type(after):
        return after
    if is_dataclass(kept) and not isinstance(kept, type):
        parts = {f.name: [getattr(v, f.name) for v in (kept, before, after)] for f in fields(kept)}
        return replace(kept, **{name: merged(*three) for name, three in parts.items()})
    if isinstance(kept, tuple):
        if not len(kept) == len(before) == len(after):
            return after
        made = [merged(*three) for three in zip(kept, before, after, strict=True)]
        return type(kept)(*made) if hasattr(kept, "_fields") else tuple(made)
    if isinstance(kept, Mapping):
        return _merged_mapping(kept, before, after)
    return after


def _merged_mapping(kept: Mapping[Any, Any], before: Mapping[Any, Any], after: Mapping[Any, Any]) -> dict[Any, Any]:
    made = {key: value for key, value in kept.items() if key in after or key not in before}
    for key, value in after.items():
        if key not in before or before[key] != value:
            three = key in made and key in before
            made[key] = merged(made[key], before[key], value) if three else value
    return made
