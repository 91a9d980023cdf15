"""Folders of the machine in what goes to browsers: none."""

from __future__ import annotations

import json

import pytest

from nightrake.page.folders import Folders

STORE, CONFIG = "/var/lib/nightrake", "/etc/nightrake/config"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("/var/lib/nightrake/store.db: is damaged (x)", "store.db: is damaged (x)"),
        ("/var/lib/nightrake/learning/trends.json: x", "learning/trends.json: x"),
        ("/var/lib/nightrake: no store.db", "the store's folder: no store.db"),
        ("/etc/nightrake/config/calibration/PC1.toml: x", "calibration/PC1.toml: x"),
        ("it lies at '/etc/nightrake/config'", "it lies at 'the settings folder'"),
        ("[Errno 2] No such file: '/usr/lib/python3/x.py'", "[Errno 2] No such file: 'x.py'"),
        ("cannot be read (/mnt/disk 2/a.db)", "cannot be read (disk 2/a.db)"),
        ("rises by 1.2 kN.m/min of PC1/forward/shutdown_contact", None),
        ("see https://rakes.fennmark.example:8470/drives/PC1 at 10/11/2026", None),
        ("the ratio and/or / the rest", None),
        ("learning/trends.json: is damaged", None),
    ],
)
def test_sentence_keeps_the_file_and_loses_the_folder(text: str, told: str | None) -> None:
    """What is no path stays as it is (None)."""
    assert Folders(STORE, CONFIG).without(text) == (text if told is None else told)


def test_folder_within_the_other_is_taken_out_whole() -> None:
    """The store below the settings, or the settings below the store."""
    assert Folders("/srv/rakes/state", "/srv/rakes").without("/srv/rakes/state/store.db: x") == "store.db: x"
    assert Folders("/srv/rakes", "/srv/rakes/config").without("/srv/rakes/config/a.toml: x") == "a.toml: x"


@pytest.mark.parametrize("is_ascii", [True, False])
def test_json_stays_json(is_ascii: bool) -> None:
    """Both kinds of JSON text, whatever the folder is called; what people wrote of other places is theirs."""
    folder = '/srv/Fennmärk "2"/state'
    told = {"notes": [f"{folder}/history.db: is damaged"], "remark": "see /mnt/shared/plans/PC1.pdf", "n": [1, None]}
    data = Folders(folder).without_in(json.dumps(told, ensure_ascii=is_ascii).encode())

    assert json.loads(data) == {**told, "notes": ["history.db: is damaged"]}


@pytest.mark.parametrize("folder", ["", "/", "state", "."])
def test_folder_that_is_no_whole_path_takes_nothing_out(folder: str) -> None:
    """A word or a stroke stands in every other sentence."""
    data = json.dumps({"text": "the state / PC1/forward . x"}).encode()

    assert Folders(folder, folder).without_in(data) == data
