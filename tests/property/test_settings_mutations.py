"""However a folder is spoiled, it loads, or it is refused in plain sentences; nothing else happens."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightrake.commissioning.stated import specification_slips
from nightrake.errors import ConfigError, Mistake
from nightrake.settings import Settings, load

CONFIG = Path(__file__).resolve().parents[2] / "config"
LIKE_OTHERS = ("GT1-forward*", "PC2*", "SC1*", "SC2*", "SCR1*")
"""Records that differ from those of PC1 and GT1's reverse in figures only; without them each example is cheaper."""
FILES = sorted(
    str(p.relative_to(CONFIG)) for p in CONFIG.rglob("*.toml") if not any(p.match(like) for like in LIKE_OTHERS)
)
FOREIGN = re.compile(
    r"pydantic|traceback|validation error|input should|input_value|\bctx\b|errors\.|<class|NoneType|\[type=",
    re.IGNORECASE,
)
VALUES = st.sampled_from(
    [
        *("nan", "-inf", "0", "-1", "1e400", "9" * 25, "9" * 5000),
        *('""', '"x"', '"forward"', '"\\u0000"', "'''\nx\n'''", "true"),
        *("[]", "{}", "[[]]", "{ address = 3 }", "[" * 80 + "]" * 80, "[" * 3000 + "]" * 3000),
        *("1979-05-27", "2026-03-14T07:32:00Z"),
    ]
)


@st.composite
def spoiled(draw: st.DrawFn) -> dict[str, bytes | None]:
    """File -> new content (None: removed), after one to four mutations."""
    changed: dict[str, bytes | None] = {}
    for _ in range(draw(st.integers(1, 4))):
        file = draw(st.sampled_from(FILES))
        raw = changed.get(file, (CONFIG / file).read_bytes())
        changed[file] = None if raw is None else draw(mutations(raw))
    return changed


def mutations(raw: bytes) -> st.SearchStrategy[bytes | None]:
    """One mutation of a file."""
    lines = raw.split(b"\n")
    line = st.integers(0, len(lines) - 1)
    valued = [i for i, text in enumerate(lines) if b"=" in text and not text.startswith(b"#")] or [0]

    def joined(*parts: list[bytes]) -> bytes:
        return b"\n".join(text for part in parts for text in part)

    def with_value(at: int, value: str) -> bytes:
        return joined(lines[:at], [lines[at].partition(b"=")[0] + b"= " + value.encode()], lines[at + 1 :])

    def with_byte(at: int, byte: int) -> bytes:
        return raw[:at] + bytes([byte]) + raw[at + 1 :]

    def with_key(at: int, end: int) -> bytes:
        key = lines[at].partition(b"=")[0].strip()
        return joined(lines[:at], [lines[at].replace(key, key[: max(1, len(key) - end)], 1)], lines[at + 1 :])

    return st.one_of(
        st.builds(lambda at: joined(lines[:at], lines[at + 1 :]), line),
        st.builds(lambda at: joined(lines[:at], [lines[at]], lines[at:]), line),
        st.builds(lambda a, b: joined(lines[:a], [lines[b]], lines[a:]), line, line),
        st.builds(lambda at: joined(lines[:at]), line),
        st.builds(with_value, st.sampled_from(valued), VALUES),
        st.builds(with_key, st.sampled_from(valued), st.integers(1, 3)),
        st.builds(with_byte, st.integers(0, max(0, len(raw) - 1)), st.integers(0, 255)),
        st.just(None),
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example, to be spoiled."""
    copy = tmp_path_factory.mktemp("spoiled") / "config"
    return shutil.copytree(CONFIG, copy, ignore=shutil.ignore_patterns(*LIKE_OTHERS))


@pytest.mark.timeout(150)
@settings(max_examples=300)
@given(changed=spoiled())
def test_spoiled_folder_loads_or_is_refused_in_sentences(folder: Path, changed: dict[str, bytes | None]) -> None:
    """300 spoiled folders: settings, or every mistake with a file and one plain sentence of our own."""
    for file, content in changed.items():
        if content is None:
            (folder / file).unlink()
        else:
            (folder / file).write_bytes(content)
    try:
        taken, mistakes = outcome(folder)
    finally:
        for file in changed:
            shutil.copy(CONFIG / file, folder / file)
    for mistake in mistakes:
        assert mistake.file.startswith("config") or str(folder) in mistake.file
        assert 10 <= len(mistake.text) <= 500
        assert not FOREIGN.search(str(mistake)), str(mistake)
        assert "\n" not in str(mistake)
        name = mistake.file.removeprefix("config/")
        text = changed.get(name) or ((CONFIG / name).read_bytes() if name in FILES else b"")
        assert 0 <= mistake.line <= len(text.split(b"\n")) + 1
    assert (taken is None) == bool(mistakes)


def outcome(folder: Path) -> tuple[Settings | None, tuple[Mistake, ...]]:
    """What loading gives: settings or mistakes; any other error fails the test."""
    try:
        return load(folder, today=date(2026, 11, 1), specification_check=specification_slips), ()
    except ConfigError as error:
        return None, error.mistakes
