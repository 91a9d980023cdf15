"""`nightrake check` without `--live`: what a valid folder means, in plain text at 80 columns. Connects to nothing."""

from __future__ import annotations

import ssl
import textwrap
from collections.abc import Iterator, Sequence

from nightrake.cli.actdoubts import acting_doubts
from nightrake.cli.blind import blind_spots
from nightrake.cli.recordcheck import record_faults
from nightrake.domain.readplan import make_plan
from nightrake.domain.site import ContactSpec, EndpointSpec, SiteSpec
from nightrake.errors import MessageError, NightrakeError
from nightrake.messages.tls import tls_context
from nightrake.settings import Settings, secret

WIDTH = 80


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
    for endpoint in site.endpoints.values():
        lines += _wrapped(endpoint_text(site, endpoint), "  ")
    lines += ["", "Drives and their contacts (PDU addresses, from 0, as they go over the wire)"]
    for drive in site.drives.values():
        lines += ["", *_wrapped(f"{drive.id} {drive.name}")]
        for contact in drive.contacts:
            lines += _wrapped(contact_text(contact), "  ")
        for spot in blind_spots(drive, site, settings.today_utc_ms):
            lines += _wrapped(f"! {spot}", "  ")
    more = [*plc_doubts(site), *settings.warnings, *acting_doubts(settings), *ways, *faults, *file_doubts(settings)]
    if more:
        lines += ["", "Look at these too"]
        lines += [line for text in more for line in _wrapped(f"! {text}", "  ")]
    files = {d: [f"{r.file}:" for r in settings.records if r.drive == d] for d in site.drives}
    seeing = [
        d.id
        for d in site.drives.values()
        if not blind_spots(d, site, settings.today_utc_ms)
        and not any(text.startswith((f"drive.{d.id}:", f"drive.{d.id}.", *files[d.id])) for text in more)
    ]
    lines += ["", *_wrapped(closing_text(seeing, len(site.drives)))]
    lines += _wrapped(f"Settings {settings.digest[:16]} {validity(faults)}; nothing was connected to.")
    return "\n".join(lines)


def endpoint_text(site: SiteSpec, endpoint: EndpointSpec) -> str:
    """One PLC: how many requests a second it will get, of how many different ones, and for whom."""
    drives = [d for d in site.drives.values() if any(p.endpoint == endpoint.id for p in d.points().values())]
    points = [p for d in drives for p in d.points().values() if p.endpoint == endpoint.id]
    blocks = make_plan(endpoint, points).blocks
    rate = sum(1e9 / block.period_ns for block in blocks)
    fastest_s = min((block.period_ns for block in blocks), default=0) / 1e9
    if not blocks:
        return f"{endpoint.id} ({endpoint.host}:{endpoint.port}): none; no drive reads it"
    return (
        f"{endpoint.id} ({endpoint.host}:{endpoint.port}): {rate:.3g} in {_many(len(blocks), 'block')}, the fastest "
        f"every {fastest_s:g} s; {', '.join(d.id for d in drives[:8])}{' and more' if len(drives) > 8 else ''}"
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
    for name in site.endpoints:
        units = {p.unit for d in site.drives.values() for p in d.points().values() if p.endpoint == name}
        beating = {d.heartbeat.unit for d in site.drives.values() if d.heartbeat and d.heartbeat.endpoint == name}
        missing = sorted(units - beating)
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
