"""Following what the daemon tells of one camera, and driving that slowly to where it goes no further."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Literal

from ptzd.cameras.reports import counts_as_on_air

from .client import Client, Heard, Payload, sent_at
from .stillness import STILL_SECONDS

Driven = Literal["pan", "tilt", "zoom"]

DRIVE = {"pan": 0.02, "tilt": 0.02, "zoom": 0.25}  # of a full push: an end is met so slowly that it does no harm
ANEW_SECONDS = 0.2  # a drive ends by itself half a second after its last message
AT_END_SECONDS = 2.0  # between two readings without a count more, while it is pushed on
LET_GO_SECONDS = 0.7  # after which a push is no more taken to be one that goes on
LONGEST_DRIVE_SECONDS = 600.0  # at the slowest step from end to end
STATE_SECONDS = 2.0
STOPPED = "it was stopped"
SENT = ("direct", "shaped", "learning")  # what a camera does that somebody sends somewhere


class NotDriven(Exception):
    """An end was not come to; the text says why."""


class Following:
    """One camera as the daemon tells of it, to a client that listens to states and outcomes."""

    def __init__(self, client: Client, states: dict[str, Payload], camera: str) -> None:
        """`states` are what was told of all cameras so far, whoever listened."""
        self._client = client
        self._states = states
        self.camera = camera
        self.halted = False  # whether it was told to stand still, by whomever, since this was last set to False

    @property
    def state(self) -> Payload:
        """What was told last; empty where nothing was."""
        return self._states.get(self.camera, {})

    async def begin(self) -> None:
        """Wait until something was told of the camera, or nothing will be."""
        if not self.state:
            await self.hear(lambda heard: bool(self.state), STATE_SECONDS)

    async def hear(self, enough: Callable[[Heard], bool], seconds: float) -> bool:
        """Listen until what was heard is enough; return whether it was, within so many seconds."""
        try:
            async with asyncio.timeout(seconds):
                while True:
                    heard = await self._client.hear()
                    if heard.camera is not None and heard.topic.endswith("/state"):
                        self._states[heard.camera] = heard.payload
                        self.halted |= heard.camera == self.camera and heard.payload.get("activity") == "halting"
                    if enough(heard):
                        return True
        except TimeoutError:
            return False

    def why_not(self) -> str | None:
        """Return why the camera may not be moved now, or None."""
        state = self.state
        if not state:
            return "the daemon tells nothing of it"
        if state.get("locks"):
            return "it is locked"
        if counts_as_on_air(state.get("tally", "unknown")):
            return f"its tally is {state.get('tally')}, and only a camera that is known to be off air is moved"
        if (state.get("link"), state.get("power")) != ("up", "on"):
            return "it does not answer, or is not on"
        return None

    async def stop(self) -> None:
        """Have the camera stand still."""
        await self._client.publish(f"camera/{self.camera}/stop", {})

    async def to_end(self, axis: Driven, way: int) -> int:
        """Drive an axis slowly until it goes no further, `way` being 1 or -1; return its counts there.

        That it goes no further is told by the camera's own readings: one that says nothing for a while is at no end.
        Raises NotDriven, also where somebody else stops it, or sends it elsewhere: then it is not driven any further,
        and told to stop, unless it goes where somebody sent it.
        """

        def rests(_: Heard | None = None) -> bool:
            return self.state.get("activity") == "at-rest"

        if not rests() and not await self.hear(rests, STILL_SECONDS):  # what it does until now is no stop of this drive
            raise NotDriven("it does not come to rest")
        if (reason := self.why_not()) is not None:
            raise NotDriven(reason)
        await self._let_go()
        await self.hear(lambda heard: False, LET_GO_SECONDS)
        loop = asyncio.get_running_loop()
        ends_at, last, since, read_at = loop.time() + LONGEST_DRIVE_SECONDS, None, loop.time(), loop.time()
        ago = f"{'zoom' if axis == 'zoom' else 'head'}_read_seconds_ago"
        asked: set[str] = set()
        refused: Payload = {}
        self.halted = False

        def no(heard: Heard) -> bool:
            nonlocal read_at
            if heard.topic == "outcome" and heard.payload.get("id") in asked:
                if heard.payload.get("ok") is False:
                    refused.update(heard.payload)
                elif (seconds := (heard.payload.get("result") or {}).get(ago)) is not None:
                    read_at = loop.time() - seconds
            return bool(refused) or self.halted or self._sent

        try:
            while loop.time() < ends_at:
                if (reason := self.why_not()) is not None:
                    raise NotDriven(reason)
                if self.halted or self._sent:
                    raise NotDriven(STOPPED if self.halted else "somebody sent it elsewhere")
                if refused:
                    raise NotDriven(str(refused.get("sentence")))
                drive = {axis: way * DRIVE[axis], "sent_at": sent_at()}
                asked.add(await self._client.publish(f"camera/{self.camera}/drive", drive))
                await self.hear(no, ANEW_SECONDS)
                counts = self.state.get(f"{axis}_counts")
                if counts != last:
                    last, since = counts, loop.time()
                elif counts is not None and read_at - since > AT_END_SECONDS:
                    await self._let_go()
                    return int(counts)
            raise NotDriven(f"no end was come to in {LONGEST_DRIVE_SECONDS:.0f} s")
        except BaseException:
            if not self._sent:
                await self.stop()
            raise

    @property
    def _sent(self) -> bool:
        return self.state.get("activity") in SENT

    async def _let_go(self) -> None:
        """End the push, if there was one: after that, or a stop, the next one may begin in half a second."""
        await self._client.publish(f"camera/{self.camera}/drive", {"sent_at": sent_at()})
