"""PLC, broker, store and forwarding: checks that look at more than one key, and what the shells are given."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from urllib.parse import urlsplit

from nightrake.domain.site import EndpointSpec, Gap, Table
from nightrake.settings.build import ns
from nightrake.settings.folder import Document
from nightrake.settings.lines import Path as KeyPath
from nightrake.settings.models import FolderModel, PlcTable
from nightrake.settings.page import host_fault
from nightrake.settings.points import LAST_ADDRESS, place_of

SOCKET_PATH_BYTES = 107
"""A Unix socket's path ends within 108 bytes, the closing zero included. Source: unix(7)."""


def build_endpoint(document: Document, plc_id: str, plc: PlcTable) -> EndpointSpec:
    """One PLC."""
    if plc.backoff_max_s < plc.backoff_min_s:
        text = f"is {plc.backoff_max_s:g} s, less than backoff_min_s = {plc.backoff_min_s:g}"
        rests_on = ("plc", plc_id, "backoff_min_s")
        document.wrong(("plc", plc_id, "backoff_max_s"), f"{text}; correct one of them", rests_on)
    _check_host(document, ("plc", plc_id, "host"), plc.host)
    return EndpointSpec(
        id=plc_id,
        host=plc.host,
        port=plc.port,
        timeout_ns=ns(plc.timeout_s),
        max_registers=plc.max_registers,
        max_bits=plc.max_bits,
        readable_gaps=tuple(_gap(document, plc_id, plc, i) for i in range(len(plc.readable_gaps))),
        min_gap_ns=ns(plc.min_gap_s),
        transaction_zero_ok=plc.transaction_zero_ok,
        backoff_min_ns=ns(plc.backoff_min_s),
        backoff_max_ns=ns(plc.backoff_max_s),
        unit_retry_ns=ns(plc.unit_retry_s),
    )


def _gap(document: Document, plc_id: str, plc: PlcTable, index: int) -> Gap:
    gap = plc.readable_gaps[index]
    table, ends = Table(gap.table), [gap.first, gap.last]
    path: KeyPath = ("plc", plc_id, "readable_gaps", index)
    if plc.addressing == "reference":
        for key, number in (("first", gap.first), ("last", gap.last)):
            place = place_of(number)
            if place is None or place[0] is not table:
                text = f"is {number}, which is no reference number of the {table} table; plc.{plc_id} uses those"
                document.wrong((*path, key), text, (*path, "table"), ("plc", plc_id, "addressing"))
        ends = [place[1] if (place := place_of(n)) else 0 for n in ends]
    if not 0 <= ends[0] <= ends[1] <= LAST_ADDRESS:
        text = f"runs from {gap.first} to {gap.last}; expected two addresses, the lower one first"
        document.wrong(path, text, path, ("plc", plc_id, "addressing"))
    return Gap(gap.unit, table, *ends)


def check_shells(document: Document, folder: FolderModel) -> None:
    """Note what is wrong with the broker, the forwarding, the control socket, and with PLCs among each other."""
    _check_host(document, ("mqtt", "host"), folder.mqtt.host)
    if bool(folder.mqtt.cert_file) != bool(folder.mqtt.key_file):
        key = "key_file" if folder.mqtt.cert_file else "cert_file"
        document.wrong(("mqtt", key), "is missing; a client certificate and its key are given together")
    pairs: tuple[tuple[str, str, str, str], ...] = (
        ("mqtt", "password", folder.mqtt.password_file, folder.mqtt.password_env),
        ("forward", "token", folder.forward.token_file, folder.forward.token_env),
    )
    for table, what, file, variable in pairs:
        if file and variable:
            text = f"stands beside {what}_file; the {what} comes from a file or from the environment, so remove one"
            document.wrong((table, f"{what}_env"), text)
    if (folder.mqtt.password_file or folder.mqtt.password_env) and not folder.mqtt.username:
        document.wrong(("mqtt", "username"), "is missing; a password needs a user name")
    _check_url(document, folder.forward.url)
    used = len(os.fsencode(folder.control.socket))
    if used > SOCKET_PATH_BYTES:
        text = f"is {used} bytes long; a socket's path has at most {SOCKET_PATH_BYTES}, so choose a shorter one"
        document.wrong(("control", "socket"), text)
    _check_endpoints(document, folder.plc)


def _check_endpoints(document: Document, plcs: Mapping[str, PlcTable]) -> None:
    seen: dict[tuple[str, int], str] = {}
    for plc_id, plc in plcs.items():
        other = seen.setdefault((plc.host.lower(), plc.port), plc_id)
        if other != plc_id:
            text = f"{plc.host}:{plc.port} is plc.{other} already; one PLC gets one connection, so name it once"
            rests_on = (("plc", name, key) for name in (plc_id, other) for key in ("host", "port"))
            document.wrong(("plc", plc_id, "host"), f"{text} and tell its devices apart by unit", *rests_on)


def _check_host(document: Document, path: KeyPath, host: str) -> None:
    fault = host_fault(host)
    if fault:
        document.wrong(path, fault)


def _check_url(document: Document, url: str) -> None:
    path: KeyPath = ("forward", "url")
    try:
        parts = urlsplit(url)
        fits = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port is None or parts.port > 0)
    except ValueError:
        document.wrong(path, "is no address; expected for instance 'http://127.0.0.1:8428'")
        return
    if parts.password is not None or parts.username is not None:
        text = "holds a user name or password; a secret never stands in the settings, so use token_file or token_env"
        document.wrong(path, text)
    elif not fits or re.search(r"\s", url):
        document.wrong(path, f"is '{url[:60]}'; expected for instance 'http://127.0.0.1:8428'")


def check_overload(document: Document, endpoint: EndpointSpec, requests_per_s: float) -> None:
    """Note a PLC that is to be asked more often than its own least gap between requests allows."""
    least_s = endpoint.min_gap_ns / 1e9
    if least_s and requests_per_s * least_s > 1.0:
        text = f"is {least_s:g} s, which allows {1 / least_s:.3g} requests per second at most"
        text += f", but the points need {requests_per_s:.3g}; read them less often or bring them closer together"
        limits = ("max_registers", "max_bits", "readable_gaps")
        document.wrong(("plc", endpoint.id, "min_gap_s"), text, *(("plc", endpoint.id, key) for key in limits))
