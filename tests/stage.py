"""A stage: simulated cameras in this process, a real daemon beside them, and what each head truly does.

The cameras are served on 127.0.0.1, or behind a pseudo-terminal, by the test itself, so that it reads their true place
and speed at any moment, and can break them. The daemon is a process of its own that gets real signals.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import pty
import random
import signal
from asyncio.subprocess import Process
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import aiomqtt
import psutil
from processes import BIN
from ptzsim import (
    Habits,
    Wiring,
    serve_serial,
    serve_tcp,
    serve_udp,
)
from ptzsim.fleet import LinkKind
from rigs import simulated_camera

from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
SAMPLE_SECONDS = 0.005
HELD_UP_SECONDS = 0.1
START_SECONDS = 30.0
END_SECONDS = 15.0
PAN_TILT_DRIVE, NO_DIRECTION = bytes.fromhex("81 01 06 01"), bytes.fromhex("03 03")  # SRG-300H, command list (4/4)


@dataclass(frozen=True, slots=True)
class Sample:
    """Where a camera truly was."""

    at: float
    pan_deg: float
    tilt_deg: float
    zoom: float


class Actor:
    """One simulated camera, what it did, and what was said of it."""

    def __init__(self, name: str, habits: Habits, rng: random.Random) -> None:
        self.name = name
        self._loop = asyncio.get_running_loop()
        self.camera = simulated_camera(DIALECT, rng, habits)
        self.samples: list[Sample] = []
        self.states: list[tuple[float, dict[str, Any]]] = []
        self.moves: list[tuple[float, dict[str, Any]]] = []
        self.heard_at: list[float] = []  # when a datagram reached it
        self.told_to_stop_at: float | None = None  # since it was armed: the first stop after the last drive
        self._stop_heard: Callable[[float], None] | None = None
        self._receive = self.camera.receive
        self.camera.receive = self._hear  # type: ignore[method-assign]

    def _hear(self, datagram: bytes, peer: Any, now: float, *, bare: bool = False) -> None:
        message = datagram if bare else datagram[8:]
        if now >= self.camera.silent_until:
            self.heard_at.append(now)
            if self._stop_heard is not None and message[:4] == PAN_TILT_DRIVE:
                if message[6:8] != NO_DIRECTION:
                    self.told_to_stop_at = None
                elif self.told_to_stop_at is None:
                    self.told_to_stop_at = now
                    self._stop_heard(now)
        self._receive(datagram, peer, now, bare=bare)

    def arm(self, *, refuses_seconds: float = 0.0, ignores_seconds: float = 0.0) -> None:
        """Let it refuse, or confirm and ignore, the next stop that reaches it and all for so long from then on."""

        def begin(now: float) -> None:
            self.camera.refuses_stops_until = now + refuses_seconds
            self.camera.ignores_stops_until = now + ignores_seconds

        self.told_to_stop_at = None
        self._stop_heard = begin

    def sample(self) -> Sample:
        now = self._loop.time()
        head = self.camera.head
        return Sample(now, head.pan_deg(now), head.tilt_deg(now), self.camera.lens.zoom.position(now))

    @property
    def moving(self) -> bool:
        return self.camera.head.moving(self._loop.time())

    @property
    def zooming(self) -> bool:
        return self.camera.lens.zoom.moving(self._loop.time())

    @property
    def up(self) -> bool:
        return bool(self.states) and self.states[-1][1]["link"] == "up" and self.states[-1][1]["power"] == "on"

    def driven_seconds(self, since: float) -> float:
        """For how long after `since` its motors were driven, their last braking not included; `inf` if they still are.

        Zoom is not counted here.
        """
        now = self._loop.time()
        if self.moving:
            return math.inf
        return max(0.0, self.camera.head.driven_until(now) - since)

    def moved_deg(self, since: float) -> float:
        """How far pan and tilt turned after `since`, there and back counted both."""
        after = [each for each in self.samples if each.at >= since]
        return sum(math.hypot(b.pan_deg - a.pan_deg, b.tilt_deg - a.tilt_deg) for a, b in pairwise(after))

    def held_up_seconds(self, since: float, until: float) -> float:
        """How long the test's own process, in which the head lives, stood still between two moments.

        What came in meanwhile was not heard, though the head's own time went on. Short whiles are not counted.
        """
        gaps = [b.at - a.at for a, b in pairwise(self.samples) if a.at < until and b.at > since]
        return sum(gap for gap in gaps if gap > HELD_UP_SECONDS)

    @property
    def held_up(self) -> str:
        """A note on the test's own process where it stood still for a time that matters."""
        seconds, at = max(((b.at - a.at, a.at) for a, b in pairwise(self.samples)), default=(0.0, 0.0))
        return f" (the test itself stood still for {seconds:.2f} s at {at:.2f})" if seconds > HELD_UP_SECONDS else ""

    def faults(self, since: float, until: float = math.inf) -> list[str]:
        """What was told as a fault of it in a retained state between two moments."""
        told = [fault for at, state in self.states if since <= at <= until for fault in state["faults"]]
        return list(dict.fromkeys(told))


@dataclass
class Stage:
    """Cameras, a broker and, between `start` and its end, a daemon."""

    folder: Path
    base: str
    actors: list[Actor]
    config: Path
    client: aiomqtt.Client
    daemon: Process | None = None
    online: bool = False
    outcomes: dict[str | None, dict[str, Any]] = field(default_factory=dict)
    terminal: int | None = None  # our end of the daemon's own
    _mine: list[psutil.Process] = field(default_factory=list)

    @property
    def log(self) -> str:
        return "".join(each.read_text("utf-8", "replace") for each in sorted(self.folder.glob("log-*")))

    @property
    def now(self) -> float:
        return asyncio.get_running_loop().time()

    async def start(self, *, on_a_terminal: bool = False) -> None:
        """Start a daemon and wait until every camera of it is up."""
        self.online = False
        for actor in self.actors:
            actor.states.clear()
        command = (str(BIN / "ptzd"), "run", "--config", str(self.config))
        environment = {key: value for key, value in os.environ.items() if not key.startswith(("PTZD_", "NOTIFY_"))}
        if on_a_terminal:
            self.terminal, theirs = pty.openpty()
            self.daemon = await asyncio.create_subprocess_exec(
                *command,
                stdin=theirs,
                stdout=theirs,
                stderr=theirs,
                env=environment,
                cwd=self.folder,
                preexec_fn=lambda: os.login_tty(theirs),
            )
            os.close(theirs)
            asyncio.get_running_loop().add_reader(self.terminal, self._read_terminal)
        else:
            with (self.folder / f"log-{self.now:012.3f}").open("wb") as log:
                self.daemon = await asyncio.create_subprocess_exec(
                    *command,
                    stdin=asyncio.subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    env=environment,
                    cwd=self.folder,  # one that is killed may leave a core
                )
        try:
            await self.until(lambda: self.online and all(actor.up for actor in self.actors), START_SECONDS)
        except TimeoutError:
            raise AssertionError(f"the daemon did not start: {self.log[-2000:]}") from None
        self._remember()

    def _read_terminal(self) -> None:
        assert self.terminal is not None
        try:
            shown = os.read(self.terminal, 65536)
        except OSError:  # whoever had it open has ended
            asyncio.get_running_loop().remove_reader(self.terminal)
            return
        with (self.folder / "log-terminal").open("ab") as log:
            log.write(shown)

    def close_terminal(self) -> None:
        """As a closed window or a lost connection does."""
        if self.terminal is not None:
            asyncio.get_running_loop().remove_reader(self.terminal)
            os.close(self.terminal)
            self.terminal = None

    def _remember(self) -> list[psutil.Process]:
        """Note the processes that the daemon has started, so that none is left; return them."""
        assert self.daemon is not None
        with contextlib.suppress(psutil.NoSuchProcess):
            children = psutil.Process(self.daemon.pid).children(recursive=True)
            self._mine += children
            return children
        return []

    def send(self, number: signal.Signals) -> None:
        """Send the daemon alone a signal."""
        assert self.daemon is not None
        self.daemon.send_signal(number)

    def kill_all(self) -> None:
        """Kill whatever the daemon has started and then itself, as a machine does that loses its power."""
        for child in self._remember():
            with contextlib.suppress(psutil.NoSuchProcess):
                child.kill()
        self.send(signal.SIGKILL)

    async def end(self) -> int | None:
        """Wait until the daemon has ended, and return how: None if it has not in `END_SECONDS`."""
        assert self.daemon is not None
        try:
            return await asyncio.wait_for(self.daemon.wait(), END_SECONDS)
        except TimeoutError:
            return None

    async def clear(self) -> None:
        """Leave no process and no terminal."""
        if self.daemon is not None:
            self._remember()
            if self.daemon.returncode is None:
                self.daemon.send_signal(signal.SIGCONT)
                self.daemon.terminate()
            if await self.end() is None:
                self.daemon.kill()
                await self.daemon.wait()
        self.close_terminal()
        for each in self._mine:
            with contextlib.suppress(psutil.NoSuchProcess):
                each.kill()

    async def say(self, topic: str, payload: Any = "", *, qos: int = 1) -> None:
        text = payload if isinstance(payload, str) else json.dumps(payload)
        await self.client.publish(f"{self.base}/{topic}", text, qos=qos)

    async def store(self, positions: Sequence[tuple[str, int, int, int]]) -> None:
        """Give every camera these positions: name, pan, tilt and zoom in counts."""
        text = "".join(
            f"[positions.{actor.name}.{name}]\npan_counts = {pan}\ntilt_counts = {tilt}\nzoom_counts = {zoom}\n"
            f'focus_counts = 16384\nfocus_mode = "auto"\ndialect = "{DIALECT.name}"\n'
            for actor in self.actors
            for name, pan, tilt, zoom in positions
        )
        await self.say("show/import", {"show": text, "replace": True, "id": "import"})
        await self.until(lambda: "import" in self.outcomes, 10)
        assert self.outcomes["import"]["ok"], self.outcomes["import"]

    async def until(self, condition: Callable[[], bool], seconds: float) -> None:
        async with asyncio.timeout(seconds):
            while not condition():
                await asyncio.sleep(0.01)

    async def until_rest(self, least_seconds: float, most_seconds: float, actors: Sequence[Actor] = ()) -> None:
        """Look on until these heads (or all) have stood still for half a second, but for so long at least and most."""
        began = last = self.now
        while self.now < began + most_seconds:
            if any(actor.moving for actor in actors or self.actors):
                last = self.now
            if self.now >= began + least_seconds and self.now - last >= 0.5:
                return
            await asyncio.sleep(0.02)

    async def hear(self) -> None:
        await self.client.subscribe(f"{self.base}/#", qos=1)
        by_name = {actor.name: actor for actor in self.actors}
        async for message in self.client.messages:
            _, *parts = str(message.topic).split("/")
            if parts == ["status"]:
                assert isinstance(message.payload, bytes)
                self.online = json.loads(message.payload)["state"] == "online"
            elif parts == ["outcome"]:
                assert isinstance(message.payload, bytes)
                outcome = json.loads(message.payload)
                self.outcomes[outcome["id"]] = outcome
            elif parts[0] == "camera" and parts[2] in ("state", "move"):
                assert isinstance(message.payload, bytes)
                actor = by_name[parts[1]]
                kept = actor.states if parts[2] == "state" else actor.moves
                kept.append((self.now, json.loads(message.payload)))

    async def watch(self) -> None:
        while True:
            for actor in self.actors:
                actor.samples.append(actor.sample())
            await asyncio.sleep(SAMPLE_SECONDS)


@asynccontextmanager
async def staged(
    folder: Path,
    broker_port: int,
    habits: Sequence[Habits],
    *,
    loss: float = 0.0,
    link: LinkKind | Literal["serial"] = "udp",
    rng: random.Random,
) -> AsyncIterator[Stage]:
    """Set up a camera for each of `habits`, and a daemon not yet started. Each takes one TCP connection and no more."""
    base = f"stage-{link}-{rng.getrandbits(40):x}"
    async with AsyncExitStack() as stack:
        actors: list[Actor] = []
        lines = [
            f'[broker]\nport = {broker_port}\nbase_topic = "{base}"\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n'
            '[tally]\nsource = "none"\n'
        ]
        for index, each in enumerate(habits):
            actor = Actor(f"camera-{index}", each, rng)
            if link == "serial":
                address = f"serial:{folder / 'port'}?address={index + 1}"
            elif link == "tcp":
                one = Wiring(connections=1)
                port = await stack.enter_async_context(serve_tcp(actor.camera, "127.0.0.1", 0, wiring=one, rng=rng))
                address = f"tcp://127.0.0.1:{port}"
            else:
                bare = link == "bare-udp"
                served = serve_udp(actor.camera, "127.0.0.1", 0, loss=loss, bare=bare, rng=rng)
                address = f"{link}://127.0.0.1:{await stack.enter_async_context(served)}"
            lines.append(f'[camera.{actor.name}]\nlink = "{address}"\ndialect = "{DIALECT.name}"\n')
            lines.append('on_air_moves = "allow"\n')
            actors.append(actor)
        if link == "serial":
            await stack.enter_async_context(serve_serial([each.camera for each in actors], folder / "port", rng=rng))
        config = folder / "show.toml"
        config.write_text("".join(lines))
        client = await stack.enter_async_context(aiomqtt.Client("127.0.0.1", broker_port))
        stage = Stage(folder, base, actors, config, client)
        tasks = [asyncio.create_task(stage.hear()), asyncio.create_task(stage.watch())]
        try:
            yield stage
        finally:
            await stage.clear()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
