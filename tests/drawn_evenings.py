"""Whole evenings drawn at random, played through daemon, bus and simulated cameras on a virtual clock, and watched.

    .venv/bin/python tests/drawn_evenings.py                    # 2,000 of them
    .venv/bin/python tests/drawn_evenings.py --first 42 --evenings 1 --tell   # one, with all that was said, and when

Somebody runs the cues, goes back, jumps and holds; recalls, drives and stores by hand; locks and unlocks; a vision
mixer tells its tallies or loses them; the daemon is ended, killed and started again, and so is the broker; wills come
late; cameras lose power and sweep, are switched off, fall silent, are moved by a panel, zoom digitally. In half of the
evenings datagrams get lost on the way to the cameras and back, up to one in ten; in some there is no show. What must
hold meanwhile is in `evening_watcher.py`.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog
from evening_watcher import Book, Counts, DrawnCue, DrawnMove, Watcher, Wrong
from ptzevening import Actor, House
from ptzevening.house import Life, open_doors
from ptzsim import MOUNTS, Habits, virtual_time
from ptzsim.habits import draw_habits

from ptzd.cameras import CameraSettings
from ptzd.files import read_show_text
from ptzd.line import Framing, Tolerance
from ptzd.links import Form
from ptzd.motion import published_head
from ptzd.positions import StoredPosition
from ptzd.visca import (
    Dialect,
    DigitalZoomOff,
    DigitalZoomOn,
    Direction,
    PanTiltDrive,
    PanTiltStop,
    PowerOn,
    PowerStandby,
    load_dialect,
)

IN_MEMORY = Path("/dev/shm")  # nothing of an evening is kept
STORED_AT = datetime(2031, 5, 24, 12, 0, tzinfo=UTC)
NAMES = ("left", "right", "gallery")
PEOPLE = ("the rigger", "stage left")
PLACES = ("wide", "solo", "door")
LATENESS = (0.0, 0.0, 0.0, 0.03)  # by which each datagram is late at most, so that they overtake each other
LOSSES = (0.0, 0.0, 0.0, 0.02, 0.05, 0.1)  # the share of datagrams that get lost, either way
DIALECTS = ("nibble4-51", "nibble4-51", "nibble4-14")
FIRST_IN_CI = 1
ENDING_SECONDS = 7.0  # in which nothing is done any more, and all that is so must be said


@dataclass(frozen=True)
class Played:
    """What came of one evening."""

    seed: int
    wrongs: tuple[Wrong, ...]
    told: tuple[str, ...]
    seconds: float  # on the virtual clock


def drawn_counts(dialect: Dialect, rng: random.Random) -> Counts:
    return Counts(
        dialect.pan.counts(rng.uniform(-50.0, 50.0)),
        dialect.tilt.counts(rng.uniform(-10.0, 30.0)),
        rng.randint(0, 0x3000),
        rng.randint(0x2000, 0x8000),
        rng.random() < 0.5,
    )


def actor(name: str, positions: Mapping[str, Counts], dialect: Dialect, **settings: Any) -> Actor:
    """A camera at home, ready, with these positions."""
    stored = tuple(
        StoredPosition(
            name,
            position,
            Framing(at.pan, at.tilt, at.zoom, at.focus, "auto" if at.by_itself else "manual"),
            dialect.name,
            None,
            None,
            "",
            STORED_AT,
        )
        for position, at in positions.items()
    )
    head = published_head(dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s, renewal=dialect.renewal)
    return Actor(CameraSettings(name, dialect, head, 24, Tolerance(), **settings), stored, MOUNTS["tripod"])


def drawn_actor(name: str, positions: Mapping[str, Counts], dialect: Dialect, rng: random.Random) -> Actor:
    on_air_moves, strange_motion = rng.choice(("ask", "allow")), rng.choice(("halt", "report"))
    return replace(
        actor(name, positions, dialect, on_air_moves=on_air_moves, strange_motion=strange_motion),
        habits=Habits() if rng.random() < 0.5 else draw_habits(rng),
        mount=MOUNTS[rng.choice(list(MOUNTS))],
        ready=rng.random() < 0.9,
    )


def drawn_cues(cameras: list[str], rng: random.Random) -> tuple[DrawnCue, ...]:
    cues = []
    on_air: str | None = None
    for number in range(1, rng.randint(4, 7)):
        take = rng.choice([*cameras, *cameras, None])
        moves = []
        for camera in cameras:
            position, dice = rng.choice(PLACES), rng.random()
            if dice < 0.1:
                moves.append(DrawnMove(camera, position, True, rng.choice((0.0, 0.0, 1.5))))
            elif dice < 0.6 and camera != on_air:
                moves.append(DrawnMove(camera, position, False, rng.choice((0.0, 0.0, 0.0, 2.0))))
        cues.append(DrawnCue(number, take, tuple(moves)))
        on_air = take or on_air
    return tuple(cues)


def as_text(cues: tuple[DrawnCue, ...], start: Mapping[str, str], begins_with: str | None = None) -> str:
    """The show file of these cues."""
    expected = 10.0
    lines = ["[show]", 'name = "drawn"']
    if begins_with is not None:
        lines.append(f'on_air = "{begins_with}"')
    if start:
        lines.append("start = { " + ", ".join(f'{camera} = "{at}"' for camera, at in start.items()) + " }")
    for cue in cues:
        lines += ["[[cue]]", f"number = {cue.number}", "on_call = true", f"expected = {expected}"]
        if cue.take is not None:
            lines.append(f'take = "{cue.take}"')
        for move in cue.moves:
            lines += ["[[cue.move]]", f'camera = "{move.camera}"', f'position = "{move.position}"']
            if move.on_air:
                lines.append("on_air = true")
            if move.after_seconds:
                lines.append(f"earliest = {move.after_seconds if move.on_air else move.after_seconds - expected}")
    return "\n".join(lines)


class Evening:
    """One evening, and those who do something in it."""

    def __init__(self, house: House, book: Book, rng: random.Random) -> None:
        self.told: list[str] = []
        self.house = house
        self.book = book
        self.rng = rng
        self.loop = asyncio.get_running_loop()
        self.watcher = Watcher(house, book, self.tell)
        self.life: Life  # the daemon's, that serves or did last
        self.program: str | None = None
        self.asked = 0
        self.doing: dict[Callable[[], Any], float] = {
            self.stand_by: 5.0,
            self.go: 5.0,
            self.places: 1.0,
            self.back: 1.0,
            self.jump: 1.0,
            self.hold: 0.3,
            self.recall: 4.0,
            self.drive: 1.0,
            self.store: 1.5,
            self.delete: 0.2,
            self.stop: 1.0,
            self.lock: 1.0,
            self.unlock: 2.0,
            self.cut: 1.0,
            self.learn: 0.2,
            self.end_daemon: 0.6,
            self.kill_daemon: 0.6,
            self.start_another_daemon: 0.4,
            self.restart_broker: 0.3,
            self.say_an_old_will: 0.5,
            self.power_cut: 0.3,
            self.switch_off: 0.3,
            self.fall_silent: 0.5,
            self.move_by_panel: 0.7,
            self.zoom_digitally: 0.3,
        }

    def tell(self, line: str) -> None:
        self.told.append(f"{self.loop.time():8.3f} {line}")

    async def play(self) -> None:
        """Do one thing after another, and then nothing until all that is so must have been said."""
        watching = asyncio.ensure_future(self.watcher.watch())
        self.watcher.daemon_started()
        self.life = await self.house.start()
        await asyncio.sleep(self.rng.uniform(0.0, 4.0))
        for camera, position in self.book.start.items():
            if self.rng.random() < 0.7:
                self.say(f"camera/{camera}/recall", {"position": position})
        for _ in range(self.rng.randint(6, 16)):
            await asyncio.sleep(self.rng.choice((self.rng.uniform(0.01, 1.0), self.rng.uniform(1.0, 6.0))))
            (do,) = self.rng.choices(list(self.doing), list(self.doing.values()))
            done = do()
            if asyncio.iscoroutine(done):
                await done
        await asyncio.sleep(ENDING_SECONDS)
        watching.cancel()
        await asyncio.wait([watching])
        if not watching.cancelled():
            watching.result()

    # Who asks the daemon for something

    def say(self, topic: str, payload: dict[str, Any] | str) -> str:
        id = self.next_id(topic)
        self.asked += 1
        if not isinstance(payload, str):
            payload = payload | {"id": id}
        self.tell(f"> {topic} {payload}")
        self.house.say(topic, payload)
        return id

    def next_id(self, topic: str) -> str:
        return f"{topic.rsplit('/', 1)[-1]}-{self.asked + 1}"

    def ask(self, topic: str, payload: dict[str, Any], done: Callable[[dict[str, Any]], None]) -> None:
        """Ask for something, and write into the book what it changes once it is said to be done."""
        self.watcher.when_ok(self.next_id(topic), done)
        self.say(topic, payload)

    def camera(self) -> str:
        return self.rng.choice(list(self.house.wires))

    def numbered(self) -> dict[str, Any]:
        return {"number": self.rng.choice(self.book.cues).number} if self.rng.random() < 0.15 else {}

    def stand_by(self) -> None:
        asked = self.numbered()

        def done(outcome: dict[str, Any]) -> None:
            if asked:
                self.book.next = asked["number"] - 1  # and the standing cue is still that

        self.ask("cue/standby", asked, done)

    def go(self) -> None:
        def done(outcome: dict[str, Any]) -> None:
            if outcome["result"]["counted"]:
                self.watcher.went(outcome)
                number = int(outcome["result"]["cue"]["number"])
                self.book.went(number - 1)
                if self.rng.random() < 0.9:  # or the mixer's operator is late, or does something else
                    self.loop.call_soon(self.take, self.book.cues[number - 1].take)

        self.ask("cue/go", self.numbered(), done)

    def places(self) -> None:
        self.ask("cue/places", {}, self.watcher.placed)

    def back(self) -> None:
        def done(outcome: dict[str, Any]) -> None:
            assert self.book.standing is not None
            self.book.stand_before(self.book.standing)

        self.ask("cue/back", {}, done)

    def jump(self) -> None:
        number = self.rng.choice(self.book.cues).number

        def done(outcome: dict[str, Any]) -> None:
            self.book.stand_before(number - 1, anew=number == 1)

        self.ask("cue/jump", {"number": number}, done)

    async def hold(self) -> None:
        self.say("cue/hold", {})
        await asyncio.sleep(self.rng.uniform(0.5, 3.0))
        self.say("cue/release", {})

    def recall(self) -> None:
        asked: dict[str, Any] = {"position": self.rng.choice(PLACES)}
        if self.rng.random() < 0.3:
            asked["on_air"] = True
        else:
            self.book.unasked.add(self.next_id("recall"))
        self.say(f"camera/{self.camera()}/recall", asked)

    async def drive(self) -> None:
        camera, pan, zoom = self.camera(), self.rng.uniform(-1.0, 1.0), self.rng.choice((0.0, 0.5))
        for _ in range(self.rng.randint(1, 5)):
            self.say(f"camera/{camera}/drive", {"pan": pan, "tilt": 0.1, "zoom": zoom})
            await asyncio.sleep(0.2)

    def store(self) -> None:
        camera, position = self.camera(), self.rng.choice(PLACES)

        def done(outcome: dict[str, Any]) -> None:
            self.book.positions[camera][position] = self.watcher.counts(camera)

        self.ask(f"camera/{camera}/store", {"position": position, "replace": True}, done)

    def delete(self) -> None:
        camera, position = self.camera(), self.rng.choice(PLACES)

        def done(outcome: dict[str, Any]) -> None:
            del self.book.positions[camera][position]

        self.ask(f"camera/{camera}/delete", {"position": position}, done)

    def stop(self) -> None:
        self.say(self.rng.choice(("all/stop", f"camera/{self.camera()}/stop")), "")

    def lock(self) -> None:
        camera, by = self.camera(), self.rng.choice(PEOPLE)
        if self.house.broker.running and self.life.serves:
            self.book.holders.setdefault(camera, set()).add(by)
        self.say(f"camera/{camera}/lock", {"by": by, "reason": "hands at the head"})

    def unlock(self) -> None:
        held = [camera for camera, holders in self.book.holders.items() if holders]
        if not held:
            return
        camera = self.rng.choice(held)
        by, whose = self.rng.choice(PEOPLE), self.rng.choice((None, *sorted(self.book.holders[camera])))
        asked = {"by": by} if whose is None else {"by": by, "whose": whose}
        self.ask(f"camera/{camera}/unlock", asked, lambda outcome: self.book.holders[camera].discard(whose or by))

    def learn(self) -> None:
        self.say(f"camera/{self.camera()}/learn", {"pan_deg": [-30, 30], "tilt_deg": [-5, 20]})

    # The vision mixer

    def cut(self) -> None:
        self.take(self.camera())

    def take(self, camera: str | None) -> None:
        """Put a camera on program. Now and then one of the two words is lost."""
        if camera is None or camera == self.program:
            return
        for name, tally in ((self.program, "off"), (camera, "program")):
            if name is not None and self.rng.random() > 0.05:
                self.tell(f"> camera/{name}/tally {tally}")
                self.house.broker.publish(f"{self.house.topics.base}/camera/{name}/tally", tally.encode(), retain=True)
                if self.house.broker.running:
                    self.watcher.mixer_said(name, tally)
        self.program = camera

    # What happens to the daemon and to the broker

    async def end_daemon(self) -> None:
        self.tell("> the daemon is told to end")
        await self.life.end()
        await self.start_daemon()

    async def kill_daemon(self) -> None:
        life = self.life
        late = self.rng.random() < 0.3
        self.tell(f"> the daemon is killed{', which the broker notices late' if late else ''}")
        self.watcher.will_is_out = late
        await life.kill(will=not late)
        await self.start_daemon()
        self.watcher.will_is_out = False
        if late:
            await asyncio.sleep(self.rng.uniform(0.0, 2.0))
            self.tell("> the will of the daemon that was killed")
            self.house.broker.say_will(life.bus)

    async def start_daemon(self) -> None:
        await asyncio.sleep(self.rng.choice((0.0, self.rng.uniform(0.0, 5.0))))
        self.tell("> the daemon is started")
        self.watcher.daemon_started()
        self.life = await self.house.start()

    async def start_another_daemon(self) -> None:
        """As somebody does at the other computer, who does not know of the first."""
        if not (self.house.broker.running and self.life.serves):
            return
        self.tell("> another daemon is started, with a store of its own")
        with tempfile.TemporaryDirectory(dir=self.house.folder) as folder:
            another = await self.house.start(Path(folder))
            await asyncio.sleep(self.rng.uniform(0.0, 2.0))
            self.watcher.second_daemon(another.refused is not None)
            await another.end()

    async def restart_broker(self) -> None:
        self.tell("> the broker goes")
        self.house.broker.stop()
        await asyncio.sleep(self.rng.uniform(0.1, 5.0))
        self.tell("> the broker is back, and has forgotten everything")
        self.house.broker.start()

    def say_an_old_will(self) -> None:
        self.tell("> the will of an older connection")
        self.house.broker.say_will(self.life.bus)

    # What happens to a camera

    def happens(self, camera: str, what: str) -> None:
        self.tell(f"> {camera} {what}")
        self.watcher.happened(camera)

    def power_cut(self) -> None:
        camera = self.camera()
        self.happens(camera, "loses power for a moment, and sweeps")
        self.house.wires[camera].camera.power_cut(self.loop.time())

    async def switch_off(self) -> None:
        camera = self.camera()
        simulated = self.house.wires[camera].camera
        self.happens(camera, "is put into standby")
        simulated.moved_by_another(PowerStandby(), self.loop.time())
        await asyncio.sleep(self.rng.uniform(0.2, 6.0))
        self.happens(camera, "is switched on, and sweeps")
        simulated.moved_by_another(PowerOn(), self.loop.time())

    async def fall_silent(self) -> None:
        camera, seconds = self.camera(), self.rng.choice((self.rng.uniform(0.1, 2.0), self.rng.uniform(2.0, 12.0)))
        self.happens(camera, f"can't be heard for {seconds:.1f} s")
        self.house.wires[camera].camera.silent_until = self.loop.time() + seconds
        self.loop.call_later(seconds, self.happens, camera, "can be heard again")

    async def move_by_panel(self) -> None:
        camera = self.camera()
        simulated = self.house.wires[camera].camera
        if not simulated.body.powered or simulated.head.starting(self.loop.time()):
            return
        self.happens(camera, "is moved by a panel")
        way: Direction = self.rng.choice((-1, 1))
        simulated.moved_by_another(PanTiltDrive(self.rng.randint(4, 20), 1, way, 0), self.loop.time())
        await asyncio.sleep(self.rng.uniform(0.1, 1.5))
        if simulated.body.powered and not simulated.head.starting(self.loop.time()):
            self.happens(camera, "is let go by the panel")
            simulated.moved_by_another(PanTiltStop(), self.loop.time())

    async def zoom_digitally(self) -> None:
        camera = self.camera()
        simulated = self.house.wires[camera].camera
        for word, order in (("on", DigitalZoomOn()), ("off", DigitalZoomOff())):
            if simulated.body.powered:
                self.happens(camera, f"has digital zoom turned {word} at its menu")
                simulated.moved_by_another(order, self.loop.time())
            await asyncio.sleep(self.rng.uniform(0.5, 8.0))


def play(seed: int) -> Played:
    """Draw an evening and play it."""
    rng = random.Random(f"evening {seed}")
    cameras = list(NAMES[: rng.choice((2, 2, 3))])
    dialects = {name: load_dialect(rng.choice(DIALECTS)) for name in cameras}
    positions = {name: {place: drawn_counts(dialects[name], rng) for place in PLACES} for name in cameras}
    wires = random.Random(f"wires {seed}")
    forms: tuple[Form, ...] = ("numbered", "numbered", "stream", "datagrams")
    actors = {
        name: replace(drawn_actor(name, positions[name], dialects[name], rng), form=wires.choice(forms))
        for name in cameras
    }
    cues = drawn_cues(cameras, rng)
    start = {name: rng.choice(PLACES) for name in cameras if rng.random() < 0.7}
    asks_first = frozenset(name for name, actor in actors.items() if actor.settings.on_air_moves == "ask")
    begins_with = rng.choice((None, None, *cameras))
    text = as_text(cues, start, begins_with) if rng.random() < 0.9 else None
    book = Book(cues, start, positions, asks_first, begins_with=begins_with, off_air_untold=rng.random() < 0.5)
    book.shown = None if text is None else book.shown
    book.excused |= {name: 0.0 for name, actor in actors.items() if not actor.ready}  # it sweeps, and swings after it
    loss, losses = rng.choice(LOSSES), random.Random(f"losses {seed}")
    lateness = random.Random(f"late {seed}")
    latest = lateness.choice(LATENESS)
    lines: list[str] = []

    async def evening() -> Played:
        show = None if text is None else read_show_text(text)
        doors = open_doors(actors, Path(folder), seed=seed, show=show, off_air_untold=book.off_air_untold)
        async with doors as house:
            for wire in house.wires.values():
                wire.loses = lambda: losses.random() < loss
                if latest:
                    wire.late_seconds = lambda: lateness.uniform(0.0, latest)
            evening = Evening(house, book, rng)
            evening.told = lines
            lines.extend(
                [
                    *(text or "# no show").splitlines(),
                    f"# {loss:.0%} of all datagrams get lost, each is up to {latest} s late",
                ]
            )
            await evening.play()
            wrongs = evening.watcher.wrongs
            if latest:  # what holds is then told when it is seen, and that may take its time
                wrongs = [wrong for wrong in wrongs if "withheld" not in wrong.kind]
            return Played(seed, tuple(wrongs), tuple(lines), evening.loop.time())

    with tempfile.TemporaryDirectory(dir=IN_MEMORY if IN_MEMORY.is_dir() else None) as folder:
        try:
            return virtual_time.run(evening())
        except Exception as error:
            wrong = Wrong(f"{type(error).__name__}", 0.0, traceback.format_exc())
            return Played(seed, (wrong,), tuple(lines), 0.0)


def told(played: Played, lines: int = 60) -> str:
    """What was wrong, the last that was said before it, and how to play it again."""
    wrongs = [f"{wrong.at:.2f} s: {wrong.kind}: {wrong.sentence}" for wrong in played.wrongs]
    first = next((index for index, line in enumerate(played.told) if "!!!" in line), len(played.told))
    again = f".venv/bin/python tests/drawn_evenings.py --first {played.seed} --evenings 1 --tell"
    return "\n".join([*played.told[max(0, first - lines) : first + 1], "", *wrongs, f"again: {again}"])


def quiet() -> None:
    """Let nobody log."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


def main() -> int:
    parser = argparse.ArgumentParser(description="Play drawn evenings, and say what was wrong in them.")
    parser.add_argument("--evenings", type=int, default=2000)
    parser.add_argument("--first", type=int, default=1, help="the seed of the first; the others follow")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--tell", action="store_true", help="print all that was said, and when")
    asked = parser.parse_args()
    began = time.process_time(), time.time()
    wrongs: Counter[str] = Counter()
    seconds = 0.0
    with ProcessPoolExecutor(asked.processes, initializer=quiet) as processes:
        for played in processes.map(play, range(asked.first, asked.first + asked.evenings)):
            seconds += played.seconds
            if asked.tell:
                print("\n".join(played.told))
            for wrong in played.wrongs:
                wrongs[wrong.kind] += 1
                print(f"evening {played.seed}, {wrong.at:.2f} s: {wrong.kind}: {wrong.sentence}", flush=True)
    print(f"{asked.evenings} evenings, {seconds / 3600:.1f} h on the virtual clock, {time.time() - began[1]:.0f} s")
    for kind, number in wrongs.most_common():
        print(f"{number:5} {kind}")
    return 1 if wrongs else 0


if __name__ == "__main__":
    sys.exit(main())
