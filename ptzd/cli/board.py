"""What all cameras do, as a table that is drawn anew as they report."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Literal

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from .client import Heard, Payload
from .sentences import duration, lock_lines, move_line

STREAM_LINES = 8  # then the oldest give way
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
_FIGURES = ("to go", "pan", "tilt", "zoom")
_NAMES = ("camera", "stands in")  # of up to 32 letters: these give way where a terminal is narrow
_TALLY_STYLES = {"program": "bold white on red", "preview": "bold black on green", "unknown": "bold yellow"}


class Board:
    """The last that each camera said of itself, and the latest moves."""

    def __init__(self, now: Callable[[], float]) -> None:
        """`now` is the event loop's time: seconds to go are counted down between two reports."""
        self._now = now
        self._states: dict[str, tuple[Payload, float]] = {}
        self._stream: deque[Text] = deque(maxlen=STREAM_LINES)
        self._learning: dict[str, Payload] = {}  # the latest progress, by camera
        self._daemon = Text("no daemon heard yet", style="bold yellow")

    def take(self, heard: Heard) -> None:
        """Put what was heard on the board."""
        camera, payload = heard.camera, heard.payload
        if heard.topic == "status":
            self._take_status(str(payload.get("state", "?")), lives=not heard.kept)
        elif heard.topic == "outcome":
            self._take_outcome(payload)
        elif camera is not None and heard.topic.endswith("/state"):
            self._states[camera] = (payload, self._now())
        elif camera is not None and heard.topic.endswith("/move"):
            style = _PHASE_STYLES.get(str(payload.get("phase")), "")
            self._stream.append(Text(move_line(camera, payload), style=style))
        elif camera is not None and heard.topic.endswith("/learn-progress"):
            self._learning[camera] = payload  # it says "idle", yet its head moves by itself

    def _take_status(self, state: str, *, lives: bool) -> None:
        """Take note of whether the daemon is there, and said so itself; one that is not learns nothing."""
        style = "bold red" if state != "online" else "green" if lives else "bold yellow"
        self._daemon = Text(daemon_line(state, lives=lives), style=style)
        if state != "online":
            self._learning.clear()

    def _take_outcome(self, outcome: Payload) -> None:
        """Take note of what became of a command: that a learning is over, and every refusal."""
        for camera, progress in list(self._learning.items()):
            ends = str(outcome.get("topic")).endswith(f"/camera/{camera}/learn")
            if ends and progress.get("id") == outcome.get("id"):
                del self._learning[camera]
        if (line := refusal_line(outcome)) is not None:
            self._stream.append(Text(line, style=_PHASE_STYLES["refused"]))

    def __rich__(self) -> RenderableType:
        return Group(self._table(), *self._remarks(), self._daemon, *self._stream)

    def _remarks(self) -> list[Text]:
        """What is out of the ordinary, each in a line of its own: a lock has to be read to its end."""
        said = [(camera, remark) for camera in sorted(self._states) for remark in remarks(self._states[camera][0])]
        lines = [Text(f"{camera}: {remark}", style="bold red") for camera, remark in said]
        learning = sorted(self._learning.items())
        return lines + [Text(learning_line(*each), style="bold yellow") for each in learning]

    def _table(self) -> Table:
        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False)
        for heading in ("camera", "link", "phase", "stands in", "to go", "pan", "tilt", "zoom", "tally"):
            justify: Literal["left", "right"] = "right" if heading in _FIGURES else "left"
            table.add_column(heading, justify=justify, no_wrap=heading not in _NAMES, overflow="fold")
        for camera in sorted(self._states):
            state, since = self._states[camera]
            phase, link = doing(state), str(state.get("link", "?"))
            table.add_row(
                camera,
                Text(link, style="green" if link == "up" else "bold red"),
                Text(phase, style=_PHASE_STYLES.get(phase, "")),
                str(state.get("position") or "–"),
                self._to_go(state, since),
                _figure(state.get("pan_deg"), "{:.2f}°"),
                _figure(state.get("tilt_deg"), "{:.2f}°"),
                _figure(state.get("zoom_counts"), "{:d}"),
                Text(tally_words(state), style=_TALLY_STYLES.get(str(state.get("tally")), "dim")),
            )
        return table

    def _to_go(self, state: Payload, since: float) -> str:
        seconds = state.get("seconds_to_settled")
        return "" if seconds is None else f"{max(0.0, seconds - (self._now() - since)):.1f} s"


def daemon_line(state: str, *, lives: bool) -> str:
    """Return whether the daemon is there, where `lives` says that it was heard to say so and not the broker for it."""
    if state == "online":
        return "daemon online" if lives else "daemon online when it was last heard; is it still?"
    return f"daemon {state}: what it said before is old"


def doing(state: Payload) -> str:
    """Return the phase of its move, or what else it does; idle is only said of one that was seen to stand still."""
    phase, power, activity = (state.get(field) for field in ("phase", "power", "activity"))
    if phase != "idle" or activity == "at-rest":
        return str(phase or "?")
    if state.get("link") != "up" or power in ("starting", "standby"):
        return "?" if state.get("link") != "up" else str(power)
    return str(activity or "not still")


def remarks(state: Payload) -> list[str]:
    """Return what is out of the ordinary about a camera."""
    said = lock_lines(state)
    if state.get("power") not in ("on", "unknown", None):
        said.append(f"power: {state['power']}")
    if state.get("was_in"):
        said.append(f"before it restarted or fell silent it was in {state['was_in']}, or on its way: recall that?")
    if state.get("tally") == "unknown":
        said.append("no tally comes, so it counts as on air")
    said.extend(map(str, state.get("faults") or ()))
    return said


def tally_words(state: Payload) -> str:
    """Return whether a camera is on air, and who says so where it is not the vision mixer."""
    by = {"cues": " by cues", "configuration": ", untold"}.get(str(state.get("tally_source")), "")
    return f"{state.get('tally', '?')}{by}"


def learning_line(camera: str, progress: Payload) -> str:
    """Return one line on a camera whose head is being learned."""
    left = duration(float(progress.get("seconds_left") or 0.0))
    return f"{camera}: is being learned and moves by itself, about {left} left"


def refusal_line(outcome: Payload) -> str | None:
    """Return one line on a command that was refused, and None for one that was not."""
    if outcome.get("ok") is not False:
        return None
    return (
        f"refused: {outcome.get('topic', '?')}: {outcome.get('sentence') or outcome.get('code') or 'no reason given'}"
    )


def _figure(value: object, form: str) -> str:
    return "–" if value is None else form.format(value)
