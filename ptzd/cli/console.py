"""The one console: tables and live views, in which nothing that came from elsewhere steers the terminal."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import Any

from rich import console
from rich.segment import Segment
from rich.text import Text

from ptzd.printable import printable


class Console(console.Console):
    """Prints to stdout, or to stderr. A file or a pipe has no width to fit into: nothing may be cut there."""

    def __init__(self, *, stderr: bool = False) -> None:
        terminal = (sys.stderr if stderr else sys.stdout).isatty()
        super().__init__(stderr=stderr, width=None if terminal else 1000, markup=False, highlight=False)

    def render_str(self, text: str, *arguments: Any, **more: Any) -> Text:
        """Make a text of a string; by this its width is known, too."""
        return super().render_str(printable(text), *arguments, **more)

    def render(
        self, renderable: console.RenderableType, options: console.ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """Render whatever it is; what moves the cursor is rich's own, and is no text."""
        for segment in super().render(renderable, options):
            if segment.control is None and not segment.text.isprintable():
                yield Segment(printable(segment.text), segment.style)
            else:
                yield segment
