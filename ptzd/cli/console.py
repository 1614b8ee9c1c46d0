"""The one console: tables and live views, in which nothing that came from elsewhere steers the terminal.

A table that does not fit its terminal is printed as a list: what is cut is of no use.
"""

from __future__ import annotations

import sys
from collections.abc import Container, Iterable, Sequence
from typing import Any

from rich import box, console
from rich.cells import cell_len
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from ptzd.printable import printable

from .output import say

BROKEN_FROM = 12  # letters: a longer name goes on in the next line, rather than make a list of a table


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


def print_table(
    headings: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    figures: Container[str] = (),
    whole: Container[str] = (),
) -> None:
    """Print rows under their headings, those of `figures` to the right; cells of these and of `whole` stay in one line.

    Where the terminal is too narrow for that, each row is a list of its own, under its first cell.
    """
    out = Console()
    columns = list(zip(headings, zip(*rows, strict=True), strict=True))
    widths = [
        max(_least(text, whole=heading in figures or heading in whole) for text in (*cells, heading))
        for heading, cells in columns
    ]
    if sum(widths) + 2 * len(widths) > out.width:
        for row in rows:
            say(row[0])
            for heading, cell in zip(headings[1:], row[1:], strict=True):
                if cell:
                    say("  " + ": ".join(part for part in (heading, cell.replace("\n", ", ")) if part))
        return
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
    for (heading, _), width in zip(columns, widths, strict=True):
        table.add_column(
            heading,
            justify="right" if heading in figures else "left",
            no_wrap=heading in figures or heading in whole,
            min_width=width,
            overflow="fold",
        )
    for row in rows:
        table.add_row(*row)
    out.print(table)


def _least(text: str, *, whole: bool) -> int:
    """The fewest columns that a text takes without being cut, or broken within a word that is not long."""
    if whole:
        return max(map(cell_len, text.split("\n")), default=0)
    return min(BROKEN_FROM, max(map(cell_len, text.split()), default=0))
