"""The documents say what is true: commands, topics, files and examples that they name exist and work."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
import typer.main

from nightrake.cli.main import app
from nightrake.settings import load

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MESSAGES = ROOT / "service" / "nightrake" / "messages"


def commands() -> dict[str, bool]:
    """Every command of the program: name -> hidden."""
    group = typer.main.get_group(app)
    return {name: command.hidden for name, command in group.commands.items()}


def test_readme_names_both_first_commands() -> None:
    """A newcomer finds the demo and the tests."""
    assert "deploy/demo" in README
    assert "tests/run" in README


def test_readme_says_that_it_is_no_safety_function_and_cautions() -> None:
    """What nobody may overlook stands in front of the first command."""
    front = README[: README.index("## Five minutes")]

    for words in ("not a safety function", "ISO 13849-1", "IEC 61508", "IEC 62061", "stored energy", "hard wiring"):
        assert words in front


@pytest.mark.parametrize("name", [n for n, hidden in commands().items() if not hidden])
def test_command_is_documented(name: str) -> None:
    """Each command of the program stands in the README."""
    assert f"nightrake {name}" in README


def test_documents_name_no_command_that_does_not_exist() -> None:
    """Each indented or quoted call of the program is one that it has."""
    called = set(re.findall(r"(?:^ {4}|`)nightrake ([a-z-]+)", README + DEVELOPERS, re.MULTILINE))

    assert called
    assert called <= set(commands())


def test_files_that_the_documents_name_exist() -> None:
    """A path in the documents is a path in the tree."""
    named = set(re.findall(r"\b((?:service|config|deploy|tests)/[\w./-]*\w)", README + DEVELOPERS))

    assert named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_example_of_a_further_drive_works(tmp_path: Path) -> None:
    """The README's example, put into the example site as it stands, gives one more drive."""
    folder = tmp_path / "config"
    shutil.copytree(ROOT / "config", folder)
    blocks = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    before = len(load(folder).site.drives)

    (folder / "further.toml").write_text("\n".join(blocks))

    assert len(load(folder).site.drives) == before + 1
    assert all(len(block.splitlines()) == 5 for block in blocks)


def test_every_message_shape_is_documented() -> None:
    """Each JSON Schema that ships is named where the topics are described."""
    topics = (MESSAGES / "TOPICS.md").read_text(encoding="utf-8")
    schemas = sorted((MESSAGES / "schemas").glob("*.json"))

    assert schemas
    for schema in schemas:
        json.loads(schema.read_text(encoding="utf-8"))
        assert schema.name in topics


@pytest.mark.parametrize("topic", ["events", "service", "drive/", "alarm/", "person/", "command/", "reply/"])
def test_topic_is_documented_in_both_places(topic: str) -> None:
    """Whoever reads either document finds each topic."""
    topics = (MESSAGES / "TOPICS.md").read_text(encoding="utf-8")

    assert f"nightrake/fennmark/{topic}" in README
    assert topic in topics


def test_every_room_is_described() -> None:
    """Each folder and module at the top of the package stands in the contributor's guide."""
    package = ROOT / "service" / "nightrake"
    rooms = {p.name for p in package.iterdir() if p.is_dir() and (p / "__init__.py").exists()}

    assert [room for room in sorted(rooms) if f"{room}/" not in DEVELOPERS] == []
