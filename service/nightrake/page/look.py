"""The look of the page: its templates, and the parts made from them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from nightrake.page import parts
from nightrake.page.ports import Plain
from nightrake.page.scene import Changes, Scene
from nightrake.page.statics import Statics

HERE = Path(__file__).resolve().parent


class Templates:
    """`ports.Look` by the templates of this folder.

    Args:
        statics: Gives static files their addresses.
    """

    def __init__(self, statics: Statics) -> None:
        self._env = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        globals_: dict[str, Any] = self._env.globals
        globals_["static"] = statics.address
        globals_["has_static"] = lambda name: statics.find(name) is not None  # of what the build pulls in
        parts.furnish(self._env)

    def page(self, where: str, scene: Scene, who: Plain | None, csrf: str, more: Plain) -> str:
        """A whole page."""
        return parts.render_page(self._env, where, scene, who, csrf, more)

    def parts(self, where: str, scene: Scene, changes: Changes) -> Sequence[parts.Part]:
        """The elements of a page that changed."""
        return parts.render_parts(self._env, where, scene, changes)
