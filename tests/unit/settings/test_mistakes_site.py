"""Slips in the site, its PLCs, its shells and its people: each told in one sentence of its own."""

from __future__ import annotations

import pytest

from unit.settings.spoil import Folder, Slip, assert_told

SLIPS = {
    "unknown table": Slip("people.toml", "[person.night1]", "[persn.night1]", "persn", "did you mean 'person'?"),
    "unknown key": Slip("site.toml", "values_s = 1.0", "value_s = 1.0", "scan.value_s", "did you mean 'values_s'?"),
    "nothing like it": Slip(
        "people.toml", 'role = "engineer"', 'role = "engineer"\nzz = 1', "person.drives.zz", "known"
    ),
    "wrong type": Slip("plcs.toml", "port = 15021", 'port = "15021"', "plc.PLCA.port", "expected a whole number"),
    "whole number": Slip("plcs.toml", "port = 15022", "port = 15022.5", "plc.PLCB.port", "expected a whole number"),
    "true or false": Slip("site.toml", "enabled = false", "enabled = 0", "forward.enabled", "expected true or false"),
    "table": Slip(
        "plcs.toml",
        "min_gap_s = 0.02\ntimeout_s = 1.0\n\n[plc.GWC.scan]",
        "scan = 5\n[scan]",
        "plc.GWC.scan",
        "expected a table",
    ),
    "port": Slip("plcs.toml", "port = 15023", "port = 70000", "plc.GWC.port", "65535 or less"),
    "word": Slip("plcs.toml", '"reference"', '"referense"', "plc.PLCA.addressing", "did you mean 'reference'?"),
    "id": Slip("site.toml", 'id = "fennmark"', 'id = "fenn mark"', "site.id", "letters, digits"),
    "empty name": Slip("site.toml", 'name = "Fennmark treatment works"', 'name = ""', "site.name", "is empty"),
    "secret": Slip(
        "site.toml", "port = 18831", 'password = "hunter2"', "mqtt.password", "password_env or password_file"
    ),
    "token": Slip("site.toml", "enabled = false", 'token = "hunter2"', "forward.token", "token_env or token_file"),
    "secret in address": Slip("site.toml", '"http://127.0.0.1:18428"', '"http://u:hunter2@h"', "forward.url", "secret"),
    "two secrets": Slip(
        "site.toml",
        "port = 18831",
        'username = "u"\npassword_file = "a"\npassword_env = "B"',
        "mqtt.password_env",
        "remove one",
    ),
    "no address": Slip(
        "site.toml", '"http://127.0.0.1:18428"', '"127.0.0.1:18428"', "forward.url", "expected for instance"
    ),
    "half a certificate": Slip("site.toml", "port = 18831", 'cert_file = "c.pem"', "mqtt.key_file", "together"),
    "long socket": Slip("site.toml", '"state/control"', f'"{"x" * 120}"', "control.socket", "at most 107"),
    "port in host": Slip("plcs.toml", 'host = "127.0.0.1"\nport = 15022', 'host = "plcb:502"', "plc.PLCB.host", "port"),
    "one PLC twice": Slip("plcs.toml", "port = 15022", "port = 15021", "plc.PLCB.host", "plc.PLCA already"),
    "back-off": Slip("plcs.toml", "max_registers = 16", "backoff_max_s = 0.2", "plc.PLCB.backoff_max_s", "less than"),
    "too many registers": Slip(
        "plcs.toml", "max_registers = 16", "max_registers = 126", "plc.PLCB.max_registers", "125 or less"
    ),
    "gap": Slip(
        "plcs.toml",
        "min_gap_s = 0.02",
        'readable_gaps = [{ table = "coil", first = 9, last = 3 }]',
        "plc.GWC.readable_gaps[0]",
        "lower one first",
    ),
    "gap by PDU address": Slip(
        "plcs.toml",
        'addressing = "reference"',
        'addressing = "reference"\nreadable_gaps = [{ table = "input", first = 3, last = 30009 }]',
        "plc.PLCA.readable_gaps[0].first",
        "no reference number of the input table",
    ),
    "too slow gateway": Slip(
        "plcs.toml", "min_gap_s = 0.02", "min_gap_s = 2.0", "plc.GWC.min_gap_s", "requests per second at most"
    ),
    "scan too fast": Slip("site.toml", "contacts_s = 0.25", "contacts_s = 0.04", "scan.contacts_s", "0.05 or more"),
    "scan too slow": Slip("site.toml", "values_s = 1.0", "values_s = 61", "scan.values_s", "60 or less"),
    "one register for two": Slip(
        "plcs.toml",
        "max_registers = 16",
        "max_registers = 1",
        "drive.SC1.position.point.type",
        "gives 1 in one request",
    ),
    "role": Slip("people.toml", '"engineer"', '"boss"', "person.drives.role", "expected 'operator'"),
}


@pytest.mark.parametrize("slip", SLIPS.values(), ids=SLIPS)
def test_slip_is_named_where_it_stands(fennmark: Folder, slip: Slip) -> None:
    """One slip in a good folder: its key, its file, a line of its own or of its table, and what to do."""
    assert_told(fennmark, slip)
