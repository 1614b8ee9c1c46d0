"""`ptzd hand`: a camera moved by the keys of a terminal.

A terminal does not tell of a key that is let go, so no key drives: each nudges, by an order that ends by itself. Keys
that repeat while they are held add up to what is sent a few times a second.
"""

from __future__ import annotations

import asyncio
import re
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress

import click
from rich.console import Group, RenderableType
from rich.live import Live
from rich.text import Text

from ptzd.cli.board import remarks, tally_words
from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import Client, Heard, Payload, reach, refused, sent_at
from ptzd.cli.console import Console
from ptzd.cli.keys import END_KEY, STOP_KEY, pressed, require_terminal, until_left
from ptzd.cli.output import say
from ptzd.cli.sentences import move_line
from ptzd.cli.values import name

FINER_KEY, COARSER_KEY, LEAVE_KEY = "f", "c", END_KEY
RIGHT_UP = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}
TIGHTER = {"+": 1, "=": 1, "-": -1, "_": -1}  # a plus is also told of without Shift
SHARES = (0.002, 0.01, 0.05, 0.2)  # of the picture, that a key goes by
DEGREES, COUNTS = (0.05, 0.2, 1.0, 5.0), (16, 64, 256, 1024)  # the same where nobody knows how wide the picture is
MOST = {  # that one nudge may go
    **dict.fromkeys(("right", "up"), (-1.0, 1.0)),
    "tighter": (-4.0, 0.9),
    **dict.fromkeys(("pan_deg", "tilt_deg"), (-360.0, 360.0)),
    "zoom_counts": (-65_535, 65_535),
}
MEDIUM = 2  # of these sizes, which one begins with
SEND_SECONDS = 0.12  # between two nudges: keys are repeated oftener, and a head need not hear of each
ANSWER_SECONDS = 1.0
KEEPALIVE_SECONDS = 2
RECALLED = 9  # positions have a digit
_NUMBER = re.compile("[1-9][0-9]?")


@click.command(short_help="Move a camera by the keys of a terminal.", epilog="Example: ptzd hand gallery")
@click.argument("camera", type=name)
@click.option("--on-air", is_flag=True, help="Move although the camera is on program.")
@broker_options
def hand(broker: BrokerAddress, camera: str, on_air: bool) -> None:
    """Move CAMERA by keys: arrows turn it, plus and minus zoom, the digits bring its first nine positions back, the
    space bar stops it, f and c choose a finer or coarser step, q leaves.

    Steps are shares of the picture where the configuration tells the camera's sensor and focal_length, else degrees.
    """
    require_terminal(f"from elsewhere use `ptzd nudge {camera}` and `ptzd recall {camera}`")
    with suppress(KeyboardInterrupt):
        asyncio.run(_hand(broker, camera, on_air))


async def _hand(broker: BrokerAddress, camera: str, on_air: bool) -> None:
    async with reach(broker, KEEPALIVE_SECONDS) as client, pressed() as keys:
        await client.require_camera(camera)
        held = Held(client, camera, on_air)
        await client.listen([*(f"camera/{camera}/{what}" for what in ("state", "positions", "move")), "outcome"])
        with Live(held, console=Console(), refresh_per_second=8) as live:
            await until_left(held.hear(live.refresh), held.send(), leave=held.press(keys, live.refresh))
    say(f"No longer holding {camera}.")


class Held:
    """A camera, as whoever holds it sees it."""

    def __init__(self, client: Client, camera: str, on_air: bool) -> None:
        self._client, self._camera, self._on_air = client, camera, on_air or None
        self._loop = asyncio.get_running_loop()
        self._state: Payload | None = None
        self._state_at = 0.0
        self._positions: list[str] = []
        self._size, self._by_picture = MEDIUM, True
        self._pressed = defaultdict[str, float](float)  # by fields of a nudge: what was pressed and not sent
        self._due = asyncio.Event()
        self._asked: dict[str, float] = {}  # what was not answered yet, and since when
        self._said = Text("")

    async def press(self, keys: asyncio.Queue[str], redraw: Callable[[], None]) -> None:
        """Do what keys mean until the last."""
        while (key := await keys.get()) != LEAVE_KEY:
            if key == STOP_KEY:
                self._pressed.clear()
                await self._ask("stop", {})
            elif key in RIGHT_UP or key in TIGHTER:
                self._add(*RIGHT_UP.get(key, (0, 0)), TIGHTER.get(key, 0))
                self._due.set()
            elif key in (FINER_KEY, COARSER_KEY):
                by = 1 if key == COARSER_KEY else -1
                self._size = min(max(self._size + by, 0), len(SHARES) - 1)
            elif key in "123456789":
                await self._recall(int(key))
            redraw()

    async def send(self) -> None:
        """Send nudges, each with all that was pressed since the one before."""
        while True:
            await self._due.wait()
            self._due.clear()
            wanted = {field: by for field, much in self._pressed.items() if (by := _nudged(field, much))}
            self._pressed.clear()
            if wanted:
                await self._ask("nudge", {**wanted, "on_air": self._on_air, "sent_at": sent_at()})
                await asyncio.sleep(SEND_SECONDS)

    async def hear(self, redraw: Callable[[], None]) -> None:
        """Take in what the daemon says. Raises Failure where it or the broker goes away."""
        while True:
            heard = await self._client.hear()
            if heard.topic.endswith("/state"):
                self._state, self._state_at = heard.payload, self._loop.time()
            elif heard.topic.endswith("/positions"):
                self._positions = [str(each["name"]) for each in heard.payload["positions"]]
            elif heard.topic.endswith("/move") or heard.topic == "outcome":
                self._answered(heard)
            redraw()

    def __rich__(self) -> RenderableType:
        digits = [f"{digit} {position}" for digit, position in self._by_digit().items()]
        more = len(self._positions) - len(digits)
        step = f"{SHARES[self._size]:.1%} of the picture" if self._by_picture else f"{DEGREES[self._size]:g}°"
        return Group(
            *self._standing(),
            Text("  ".join(digits) + (f"  and {more} more" if more > 0 else "") or "no positions stored"),
            Text(f"arrows turn by {step}, + and - zoom, {FINER_KEY} finer, {COARSER_KEY} coarser", style="dim"),
            Text(f"1 to 9 recall, the space bar stops, {LEAVE_KEY} leaves", style="dim"),
            self._unanswered() or self._said,
        )

    def _standing(self) -> list[Text]:
        state = self._state
        if state is None:
            return [Text(f"{self._camera}: nothing heard of it yet", style="bold yellow")]
        if silence := self._client.silence():
            return [Text(silence, style="bold red")]
        air, style = on_air_words(state)
        lines = [Text.assemble((self._camera, "bold"), ", ", (air, style), ": ", self._doing(state))]
        if state["pan_deg"] is not None:
            figures = f"pan {state['pan_deg']:.2f}°  tilt {state['tilt_deg']:.2f}°  zoom {state['zoom_counts']}"
            lines.append(Text(figures))
        return lines + [Text(remark, style="bold red") for remark in remarks(state)]

    def _doing(self, state: Payload) -> Text:
        if state["link"] != "up":
            return Text("does not answer; where it stands is not known", style="bold red")
        if state["locks"] or state["power"] != "on":
            return Text("is not ready to be moved", style="bold red")
        if state["activity"] == "at-rest":
            where = f"rests in {state['position']}" if state["position"] else "rests, in no stored position"
            return Text(where, style="green")
        seconds = state["seconds_to_settled"]
        left = "" if seconds is None else f", {max(0.0, seconds - (self._loop.time() - self._state_at)):.1f} s to go"
        doing = {"by-hand": "is driven by somebody", "learning": "is being learned", "halting": "is stopping"}
        return Text(doing.get(str(state["activity"]), "moves") + left, style="yellow")

    def _unanswered(self) -> Text | None:
        late = self._asked and self._loop.time() - min(self._asked.values()) > ANSWER_SECONDS
        return Text("The daemon has not answered to the last key.", style="bold red") if late else None

    def _by_digit(self) -> dict[int, str]:
        """The position that each digit recalls, numbered as on the page: by its name, where that is a number, or its
        place, if that is the name of no other.
        """
        numbered = {
            int(name) if _NUMBER.fullmatch(name) else place: name
            for place, name in enumerate(self._positions, 1)
            if _NUMBER.fullmatch(name) or str(place) not in self._positions
        }
        return {number: numbered[number] for number in sorted(numbered) if number <= RECALLED}

    async def _recall(self, digit: int) -> None:
        position = self._by_digit().get(digit)
        if position is None:
            self._said = Text(f"There is no position {digit}.", style="red")
            return
        self._pressed.clear()
        wanted = {"position": position, "on_air": self._on_air, "sent_at": sent_at()}
        await self._ask("recall", wanted)

    def _add(self, right: int, up: int, tighter: int) -> None:
        """Add a key to what is to be sent, by the size that is chosen now."""
        if self._by_picture:
            share = SHARES[self._size]
            self._pressed["right"] += right * share
            self._pressed["up"] += up * share
            self._pressed["tighter"] = 1.0 - (1.0 - self._pressed["tighter"]) * (1.0 - share) ** tighter
        else:
            self._pressed["pan_deg"] += right * DEGREES[self._size]
            self._pressed["tilt_deg"] += up * DEGREES[self._size]
            self._pressed["zoom_counts"] += tighter * COUNTS[self._size]

    async def _ask(self, command: str, payload: Payload) -> None:
        asked_at = self._loop.time()
        self._asked[await self._client.publish(f"camera/{self._camera}/{command}", payload)] = asked_at

    def _answered(self, heard: Heard) -> None:
        report = heard.payload
        own = self._asked.pop(str(report.get("id")), None) is not None
        if heard.topic == "outcome" and not (own or f"/{self._camera}/" in str(report.get("topic"))):
            return
        if report.get("code") == "no-optics":
            self._by_picture = False
            self._pressed.clear()
        if report.get("ok") is False or report.get("phase") in ("refused", "failed"):
            self._said = Text(refused(report).message, style="bold red")
        elif heard.topic == "outcome":
            self._said = Text(f"{str(report['topic']).rpartition('/')[2]}: done")
        elif report.get("phase") != "superseded":  # by the next key
            self._said = Text(move_line(self._camera, report))


def _nudged(field: str, much: float) -> float | int:
    """Return how much of what was pressed one nudge goes by."""
    least, most = MOST[field]
    within = max(least, min(much, most))
    return round(within) if field == "zoom_counts" else round(within, 6)


def on_air_words(state: Payload) -> tuple[str, str]:
    """Return whether a camera is seen, in words and in the style in which they stand out."""
    tally = str(state.get("tally"))
    words = {"program": "ON AIR", "unknown": "counts as on air", "preview": "on preview", "off": "off air"}
    styles = {"program": "bold white on red", "unknown": "bold yellow"}
    return words.get(tally, tally) + tally_words(state).removeprefix(tally), styles.get(tally, "")
