"""What `ptzd cue desk` does: a show's cues at one key each, and where the show stands."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from rich.console import Group, RenderableType
from rich.live import Live
from rich.text import Text

from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import CUE_STATE, Client, Payload, reach, refused, sent_at
from ptzd.cli.console import Console
from ptzd.cli.keys import (
    BACK_KEY,
    END_KEY,
    GO_KEY,
    HELD,
    HOLD_KEY,
    PLACES_KEY,
    STANDBY_KEY,
    STOP_KEY,
    Presses,
    pressed,
    until_left,
)
from ptzd.cli.output import say
from ptzd.cli.sentences import go_lines, places_lines, state_lines, warning_lines

ANSWER_SECONDS = 1.0
KEEPALIVE_SECONDS = 2
VERBS = {GO_KEY: "cue/go", STANDBY_KEY: "cue/standby", PLACES_KEY: "cue/places", BACK_KEY: "cue/back"}
LINES = 4  # of what was said last


def at_desk(broker: BrokerAddress) -> None:
    """Run cues by keys until it is left. Raises Failure where the daemon goes away, or has no show."""
    with suppress(KeyboardInterrupt):
        asyncio.run(_run(broker))


async def _run(broker: BrokerAddress) -> None:
    async with reach(broker, KEEPALIVE_SECONDS) as client, pressed() as keys:
        await client.require_daemon()
        desk = Desk(client)
        await client.listen([CUE_STATE, "outcome"])
        with Live(desk, console=Console(), refresh_per_second=8) as live:
            await until_left(desk.hear(live.refresh), leave=desk.press(keys, live.refresh))
    say("Left the desk; the show stays where it is.")


class Desk:
    """A running show, as whoever gives its cues sees it."""

    def __init__(self, client: Client) -> None:
        self._client = client
        self._loop = asyncio.get_running_loop()
        self._state: Payload | None = None
        self._began = self._loop.time()
        self._presses = Presses()
        self._asked: dict[str, float] = {}  # what was not answered yet, and since when
        self._said: deque[Text] = deque(maxlen=LINES)

    async def press(self, keys: asyncio.Queue[str], redraw: Callable[[], None]) -> None:
        """Do what keys mean until the last."""
        while (key := await keys.get()) != END_KEY:
            again = self._presses.again(key, self._loop.time())
            if key == STOP_KEY:
                await self._ask("all/stop", {})
            elif self._state is None or not (key in VERBS or key == HOLD_KEY):
                continue  # nobody can see yet what a key would do, or it does nothing
            elif again:
                if again == 1:
                    self._tell(HELD, "yellow")
            elif key == HOLD_KEY:
                await self._ask("cue/release" if self._state["held"] else "cue/hold", {})
            else:
                await self._ask(VERBS[key], {"sent_at": sent_at()})
            redraw()

    async def hear(self, redraw: Callable[[], None]) -> None:
        """Take in what the daemon says. Raises Failure where it or the broker goes away."""
        while True:
            heard = await self._client.hear()
            if heard.topic == CUE_STATE:
                self._state = heard.payload
            elif heard.topic == "outcome":
                self._answered(heard.payload)
            redraw()

    def __rich__(self) -> RenderableType:
        return Group(
            *self._standing(),
            Text(
                f"Enter is go, {STANDBY_KEY} standby, {PLACES_KEY} places, {BACK_KEY} back, "
                f"{HOLD_KEY} hold and release, the space bar stops every camera, {END_KEY} leaves",
                style="dim",
            ),
            *self._unanswered(),
            *self._said,
        )

    def _standing(self) -> list[Text]:
        if self._state is None:
            late = self._loop.time() - self._began > ANSWER_SECONDS
            more = "; does its configuration name the show file under [show] file?" if late else ""
            return [Text(f"The daemon has not said where a show stands{more}", style="bold yellow")]
        silence = self._client.silence()
        old = [Text(silence, style="bold red")] if silence else []
        ready = not old and self._state["standby"] and self._state["ready"] and not self._state["held"]
        first, *unready = state_lines(self._state)
        style = "bold yellow" if self._state["held"] else "bold green" if ready else "bold"
        return [*old, Text(first, style=style), *(Text(line, style="bold red") for line in unready)]

    def _unanswered(self) -> list[Text]:
        late = self._asked and self._loop.time() - min(self._asked.values()) > ANSWER_SECONDS
        return [Text("The daemon has not answered to the last key.", style="bold red")] if late else []

    async def _ask(self, topic: str, payload: Payload) -> None:
        asked_at = self._loop.time()
        self._asked[await self._client.publish(topic, payload)] = asked_at

    def _answered(self, outcome: Payload) -> None:
        own = self._asked.pop(str(outcome.get("id")), None) is not None
        topic = str(outcome.get("topic"))
        if not own and "cue/" not in topic:
            return
        if outcome.get("ok") is not True:
            self._tell(refused(outcome).message, "bold red")
            return
        verb = topic.rpartition("/")[2]
        self._tell("every camera was told to stop" if topic.endswith("all/stop") else f"{verb}: done", "")
        result = outcome.get("result") or {}
        for line in (*go_lines(result), *places_lines(result)):
            self._tell(line, "")
        for line in warning_lines(result):
            self._tell(line, "bold yellow")

    def _tell(self, line: str, style: str) -> None:
        self._said.append(Text(line, style=style))
