"""`nightrake check` without `--live`: what a valid folder means, in plain text at 80 columns. Connects to nothing."""

from __future__ import annotations

import re
import ssl
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from nightrake.cli.actdoubts import acting_doubts
from nightrake.cli.blind import all_blind_spots
from nightrake.cli.diskcheck import disk_doubts
from nightrake.cli.recordcheck import record_faults
from nightrake.domain.readplan import ReadPlan
from nightrake.domain.site import ContactSpec, EndpointSpec, SiteSpec
from nightrake.errors import MessageError, NightrakeError
from nightrake.messages.tls import tls_context
from nightrake.polling import plans_of
from nightrake.settings import Settings, secret
from nightrake.settings.page import PageTable

WIDTH = 80
_OF_DRIVE = re.compile(r"drive\.([A-Za-z0-9_-]+)[:.]")


def report(settings: Settings, faults: Sequence[str] | None = None, ways: Sequence[str] = ()) -> str:
    """PLCs with the load each will get, drives with their contacts, what each cannot notice and why, other doubts.

    Args:
        settings: Of a folder without mistakes. faults: What `record_faults` found; None: to be found here.
        ways: What `channel_doubts` found.
    """
    faults = list(record_faults(settings)) if faults is None else faults
    site = settings.site
    count = f"{_many(len(site.endpoints), 'PLC')}, {_many(len(site.drives), 'drive')}"
    lines = [*_wrapped(f"{site.name} ({site.id}): {count}, {_many(len(settings.people), 'person', 'people')}."), ""]
    lines.append("Requests per second")
    plans, readers = plans_of(site), _readers(site)
    for endpoint in site.endpoints.values():
        lines += _wrapped(endpoint_text(endpoint, plans[endpoint.id], readers[endpoint.id]), "  ")
    lines += ["", "Drives and their contacts (PDU addresses, from 0, as they go over the wire)"]
    spots = all_blind_spots(site, settings.today_utc_ms)
    for drive in site.drives.values():
        lines += ["", *_wrapped(f"{drive.id} {drive.name}")]
        for contact in drive.contacts:
            lines += _wrapped(contact_text(contact), "  ")
        for spot in spots[drive.id]:
            lines += _wrapped(f"! {spot}", "  ")
    more = [*plc_doubts(site), *settings.warnings, *acting_doubts(settings), *ways, *faults, *file_doubts(settings)]
    more += disk_doubts(settings.store_dir)
    if more:
        lines += ["", "Look at these too"]
        lines += [line for text in more for line in _wrapped(f"! {text}", "  ")]
    marked = marked_in(more, {f"{r.file}:": r.drive for r in settings.records})
    seeing = [d for d in site.drives if not spots[d] and d not in marked]
    lines += ["", *_wrapped(closing_text(seeing, len(site.drives)))]
    lines += _wrapped(f"Settings {settings.digest[:16]} {validity(faults)}; nothing was connected to.")
    return "\n".join(lines)


def marked_in(texts: Iterable[str], files: Mapping[str, str]) -> set[str]:
    """The drives that doubts are about, by how they begin.

    Args:
        texts: The doubts. files: A record's file and a colon -> its drive.
    """
    found = {named[1] for text in texts if (named := _OF_DRIVE.match(text))}
    return found | {drive for text in texts for head in _heads(text) if (drive := files.get(head))}


def _heads(text: str) -> Iterator[str]:
    """What stands before and with each of its colons."""
    end = text.find(":")
    while end >= 0:
        yield text[: end + 1]
        end = text.find(":", end + 1)


def _readers(site: SiteSpec) -> dict[str, list[str]]:
    """PLC -> the drives that read it, in their order."""
    found: dict[str, list[str]] = {name: [] for name in site.endpoints}
    for drive in site.drives.values():
        for name in dict.fromkeys(point.endpoint for point in drive.points().values()):
            found[name].append(drive.id)
    return found


def requests_per_s(plan: ReadPlan) -> float:
    """How many requests a PLC gets each second."""
    return sum(1e9 / block.period_ns for block in plan.blocks)


def endpoint_text(endpoint: EndpointSpec, plan: ReadPlan, readers: Sequence[str]) -> str:
    """One PLC: how many requests a second it will get, of how many different ones, and for whom."""
    if not plan.blocks:
        return f"{endpoint.id} ({endpoint.host}:{endpoint.port}): none; no drive reads it"
    fastest_s = min(block.period_ns for block in plan.blocks) / 1e9
    return (
        f"{endpoint.id} ({endpoint.host}:{endpoint.port}): {requests_per_s(plan):.3g} in "
        f"{_many(len(plan.blocks), 'block')}, the fastest every {fastest_s:g} s; "
        f"{', '.join(readers[:8])}{' and more' if len(readers) > 8 else ''}"
    )


def contact_text(contact: ContactSpec) -> str:
    """One contact: stage, direction, channel, wiring, and which bit means what."""
    point, form = contact.point, contact.form.replace("_", " ")
    bit = "" if point.table.holds_bits else f" bit {point.bit}"
    memory = [word for word, has in (("latched bit", contact.latched), ("counter", contact.counter)) if has]
    kept = f"; the PLC keeps a {' and a '.join(memory)}" if memory else ""
    return (
        f"{contact.id.direction} {contact.id.stage} {contact.id.channel}: {form}, {point.endpoint} unit {point.unit} "
        f"{point.table} {point.address}{bit} = {contact.operated_bit} means operated{kept}"
    )


def plc_doubts(site: SiteSpec) -> Iterator[str]:
    """PLCs whose stopped program would go unnoticed: values stay as they were and look alive."""
    units: dict[str, set[int]] = {name: set() for name in site.endpoints}
    beating: dict[str, set[int]] = {name: set() for name in site.endpoints}
    for drive in site.drives.values():
        for point in drive.points().values():
            units[point.endpoint].add(point.unit)
        if drive.heartbeat is not None:
            beating[drive.heartbeat.endpoint].add(drive.heartbeat.unit)
    for name in site.endpoints:
        missing = sorted(units[name] - beating[name])
        if missing:
            which = "unit " if len(missing) == 1 else "units "
            yield (
                f"PLC {name} {which}{', '.join(map(str, missing))}: no heartbeat, so values of a program that has "
                "stopped look alive"
            )


BY_WHOM = "(read as the user who runs this check)"


def file_doubts(settings: Settings) -> Iterator[str]:
    """Secrets and certificates that cannot be had by whoever runs the check; the watch may run as somebody else."""
    for doubt in secret_doubts(settings):
        yield f"{doubt}; the watch does not start without it {BY_WHOM}"
    try:
        tls_context(settings.mqtt.ca_file, settings.mqtt.cert_file, settings.mqtt.key_file)
    except MessageError as error:
        yield f"{error}; the watch does without its broker until then {BY_WHOM}"
    for name, table in settings.channels.items():
        fault = _authorities_fault(table.ca_file)
        if fault:
            yield f"channel.{name}.ca_file: {table.ca_file} {fault}; nothing is sent over it until then {BY_WHOM}"
    fault = _pair_fault(settings.page) if settings.page.enabled else ""
    if fault:
        yield f"page.cert_file and page.key_file: {fault}; there is no page until then {BY_WHOM}"


def _pair_fault(page: PageTable) -> str:
    """What is wrong with the page's certificate and key; "" where all is well, or none is named."""
    if not page.cert_file:
        return ""
    for file in (page.cert_file, page.key_file):
        try:
            Path(file).read_bytes()
        except OSError as error:
            return f"{file} cannot be read ({(error.strerror or str(error)).lower()}); check path and permissions"
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(page.cert_file, page.key_file, password=lambda: "")
    except (OSError, ValueError):
        return f"{page.cert_file} and {page.key_file} are no certificate with the key to it, unlocked, in PEM form"
    return ""


def _authorities_fault(file: str) -> str:
    if not file:
        return ""
    try:
        ssl.create_default_context(cafile=file)
    except ssl.SSLError:
        return "holds no usable certificate in PEM form"
    except OSError as error:
        return f"cannot be read ({(error.strerror or str(error)).lower()}); check the path and its permissions"
    return ""


def secret_doubts(settings: Settings) -> Iterator[str]:
    """Secrets that cannot be had."""
    mqtt, forward = settings.mqtt, settings.forward
    pairs = [(mqtt.password_file, mqtt.password_env, "mqtt.password")]
    if forward.enabled:
        pairs.append((forward.token_file, forward.token_env, "forward.token"))
    pairs += [(c.secret_file, c.secret_env, f"channel.{n} secret") for n, c in settings.channels.items()]
    for file, variable, what in pairs:
        try:
            secret(file, variable, what)
        except NightrakeError as error:
            yield str(error)


def validity(faults: Sequence[str]) -> str:
    """Whether the torque that these settings give may be believed."""
    if not faults:
        return "are valid"
    return "can be read, but are not to be used: a calibration record's curve is not that of its points (see above)"


def closing_text(seeing: Sequence[str], drives: int) -> str:
    """How many drives have nothing marked."""
    if len(seeing) == drives:
        return "Every drive can notice a broken wire and a restarted PLC, and shows torque and stops."
    unmarked = ", ".join(seeing) or "no drive"
    return f"Marked !: what cannot be noticed, or needs a look, and why. Nothing marked: {unmarked}."


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
