"""What all cameras do, as a table that is drawn anew as they report."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from .sentences import move_line

Payload = dict[str, Any]

STREAM_LINES = 8
_PHASE_STYLES = {
    "idle": "dim",
    "accepted": "cyan",
    "slewing": "yellow",
    "settling": "yellow",
    "settled": "green",
    "superseded": "dim",
    "stopped": "magenta",
    "refused": "red",
    "failed": "bold red",
}
_TALLY_STYLES = {"program": "bold white on red", "preview": "bold black on green"}


class Board:
    """The last that each camera said of itself, and the latest moves."""

    def __init__(self, now: Callable[[], float]) -> None:
        """`now` is the event loop's time: seconds to go are counted down between two reports."""
        self._now = now
        self._states: dict[str, tuple[Payload, float]] = {}
        self._moves: list[tuple[str, Payload]] = []
        self.online = False

    def take_state(self, camera: str, state: Payload) -> None:
        """Take note of a camera's state."""
        self._states[camera] = (state, self._now())

    def take_move(self, camera: str, report: Payload) -> None:
        """Take note of a phase of a move; the oldest lines give way."""
        self._moves.append((camera, report))
        del self._moves[:-STREAM_LINES]

    def __rich__(self) -> RenderableType:
        lines = [
            Text(move_line(camera, report), style=_PHASE_STYLES.get(str(report.get("phase")), ""))
            for camera, report in self._moves
        ]
        daemon = Text("daemon online", style="green") if self.online else Text("daemon offline", style="bold red")
        return Group(self._table(), daemon, *lines)

    def _table(self) -> Table:
        table = Table(expand=False)
        for heading in ("camera", "link", "phase", "stands in", "to go", "pan", "tilt", "zoom", "tally", "remarks"):
            table.add_column(heading, justify="right" if heading in ("to go", "pan", "tilt", "zoom") else "left")
        for camera in sorted(self._states):
            state, since = self._states[camera]
            phase, link, tally = (str(state.get(field, "?")) for field in ("phase", "link", "tally"))
            table.add_row(
                camera,
                Text(link, style="green" if link == "up" else "bold red"),
                Text(phase, style=_PHASE_STYLES.get(phase, "")),
                str(state.get("position") or "–"),
                self._to_go(state, since),
                _figure(state.get("pan_deg"), "{:.2f}°"),
                _figure(state.get("tilt_deg"), "{:.2f}°"),
                _figure(state.get("zoom_counts"), "{:d}"),
                Text(tally, style=_TALLY_STYLES.get(tally, "dim")),
                Text("; ".join(remarks(state)), style="red"),
            )
        return table

    def _to_go(self, state: Payload, since: float) -> str:
        seconds = state.get("seconds_to_settled")
        return "" if seconds is None else f"{max(0.0, seconds - (self._now() - since)):.1f} s"


def remarks(state: Payload) -> list[str]:
    """Return what is out of the ordinary about a camera."""
    said = []
    locked = state.get("locked")
    if locked:
        said.append(f"locked by {locked.get('by') or 'somebody'}: {locked.get('reason') or 'no reason given'}")
    if state.get("power") not in ("on", "unknown", None):
        said.append(f"power: {state['power']}")
    said.extend(map(str, state.get("faults") or ()))
    return said


def _figure(value: object, form: str) -> str:
    return "–" if value is None else form.format(value)
