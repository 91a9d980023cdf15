"""Every key of any TOML file is found on the line where it stands."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from nightrake.settings.lines import Path, line_index

NOISE = st.sampled_from(["", '# [a] = """ { \' ', "   ", "\t# x = [\u2028", "#\u0085 '''"])


class Writer:
    """Writes valid TOML in which each key and each array element has a mark of its own, drawn piece by piece."""

    def __init__(self, draw: st.DrawFn) -> None:
        self._draw = draw
        self._count = 0
        self.lines: list[str] = []

    def mark(self) -> str:
        self._count += 1
        return f"k{self._count:03d}x"

    def key(self) -> str:
        mark = self.mark()
        return self._draw(st.sampled_from([mark, f'"{mark}"', f"'{mark}'", f'"{mark}.\\" #"', f'"{mark} ]\\u0041"']))

    def document(self) -> str:
        for _ in range(self._draw(st.integers(0, 3))):
            self.pair()
        arrays: list[str] = []
        for _ in range(self._draw(st.integers(0, 4))):
            kind = self._draw(st.sampled_from(["table", "new array", "old array", "below array"]))
            if kind == "table":
                self.lines.append(f"[ {self.key()} . {self.key()}]")
            elif kind == "new array" or not arrays:
                arrays.append(f"{self.key()}.{self.key()}")
                self.lines.append(f"[[{arrays[-1]}]]  # [[ no ]]")
            elif kind == "old array":
                self.lines.append(f"[[{arrays[-1]}]]")
            else:
                self.lines.append(f"[{arrays[-1]}.{self.key()}]")
            for _ in range(self._draw(st.integers(0, 3))):
                self.pair()
        return self._draw(st.sampled_from(["\n", "\r\n"])).join(self.lines)

    def pair(self) -> None:
        self.lines.append(self._draw(NOISE))
        key = self.key() if self._draw(st.booleans()) else f"{self.key()} . {self.key()}"
        self.lines.extend(f"{key} ={self.value(2)}  # {{".split("\n"))

    def value(self, depth: int) -> str:
        kinds = ["scalar", "long"] if depth == 0 else ["scalar", "long", "array", "table"]
        kind = self._draw(st.sampled_from(kinds))
        if kind == "scalar":
            mark = self.mark()
            return self._draw(
                st.sampled_from([f'"{mark}"', f"'{mark} = ]'", f'"{mark}\\\\\\"["', f"'''{mark}'[''''", '"" # ' + mark])
                if depth == 2
                else st.sampled_from([f'"{mark}"', f"'{mark}#'", f'"""{mark}""x"""""'])
            )
        if kind == "long":
            mark = self.mark()
            return f'"""{mark}\n ] # \\"\n k = """'
        if kind == "array":
            gap = self._draw(st.sampled_from(["", " ", "\n  ", "\n # ] [ {\n"]))
            inner = [f"{gap}{self.value(depth - 1)}" for _ in range(self._draw(st.integers(0, 3)))]
            return f"[{','.join(inner)}{gap}]"
        # In TOML 1.0 an inline table stands on one line, values of several lines in it apart.
        inner = [f"{self.key()} = {self.value(depth - 1)}" for _ in range(self._draw(st.integers(0, 3)))]
        return f"{{ {', '.join(inner)} }}"


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Valid TOML with marks."""
    return Writer(draw).document()


def leaves(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    """Every path of a parsed document, with its value."""
    if path:
        yield path, value
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in pairs:
        yield from leaves(inner, (*path, key))


@given(documents())
def test_each_key_is_on_its_line(text: str) -> None:
    """The line of a key holds its mark; of an array element, that of the text it begins with."""
    lines = text.replace("\r\n", "\n").split("\n")

    index = line_index(text)

    for path, value in leaves(tomllib.loads(text)):
        assert path in index, path
        line = lines[index[path] - 1]
        if isinstance(path[-1], str):
            assert path[-1][:5] in line
        elif isinstance(value, str) and value:
            assert value[:5] in line


@given(documents())
def test_nothing_is_indexed_that_is_not_there(text: str) -> None:
    """Every path of the index leads to a value of the parsed document."""
    parsed = dict(leaves(tomllib.loads(text)))

    assert set(line_index(text)) <= set(parsed)
