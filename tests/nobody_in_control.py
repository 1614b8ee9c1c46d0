"""What a head does when whoever moves it is gone, frozen, refused or not heard: the scenes, and what must hold in each.

Each scene plays on a stage of its own, with a real daemon that gets real signals, and tells of each camera what its
head truly did. `Did.wrong` says in words what should not have been.

The bounds: after a kill, a freeze, a closed terminal or a refused stop no head is driven for more than 0.6 s (by hand;
its own braking comes on top), or past its target (a shaped move); motion that nobody has ordered is told to end within
1 s. Where a tenth of the packets is lost each way, what takes a living daemon some exchanges may take twice as long (on
a quiet machine none of that motion lasted longer than 1 s), and a camera that refused its stops for seconds may be
driven for as long after that. A camera that was not seen at rest is told in the log, and by the exit code.
"""

from __future__ import annotations

import asyncio
import math
import random
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from ptzsim import Habits
from ptzsim.fleet import LinkKind
from stage import DIALECT, Actor, Sample, Stage, staged

from ptzd.visca import PanTiltDrive

BY_HAND_SECONDS = 0.6
STRANGE_SECONDS = 1.0
AFTER_SILENCE_SECONDS = 1.2  # a camera that owes a stop is tried again and again
# Five counts for rounding and landing, and what the slowest step, 1°/s, turns in the guard's shortest term and brakes.
PAST_TARGET_DEG = 0.1 + 1.0 * 0.3
LONG_SECONDS = 2.0  # for which a head moves on after its stop, and by the end of which that is told as a fault
SHAPED_SECONDS = 6.0
SHAPED_COUNTS = (1485, 205, 0x1800)  # 29° of pan and 4° of tilt at 51.2 a degree, and some zoom
HANDS_OFF_SECONDS = 0.7  # after which a push is not taken for one that goes on since before
DRIVE_EVERY_SECONDS = 0.2  # a drive lasts 0.5 s
PUSHES_BEFORE_ANEW = 6
FREEZE_SECONDS = 5.0


@dataclass(frozen=True)
class Did:
    """What one camera did after a moment, and what should not have been."""

    scene: str
    way: str
    driven_seconds: float
    moved_deg: float
    past_target_deg: float = -math.inf
    past_target_zoom: float = -math.inf  # counts; told, but no bound is on it
    faults: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()


@dataclass
class Outcome:
    """Everything that a scene brought to light."""

    did: list[Did] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)  # of the daemon as a whole

    @property
    def all_wrong(self) -> list[str]:
        return [*self.wrong, *(f"{did.scene}, {did.way}: {wrong}" for did in self.did for wrong in did.wrong)]


@dataclass(frozen=True)
class Size:
    """How much of it is played, and over how bad a network."""

    each: int = 2  # cameras of a kind in one run
    loss: float = 0.0
    away_seconds: float = 25.0
    seed: int = 1
    link: LinkKind | Literal["serial"] = "udp"

    def allowed(self, seconds: float) -> float:
        """How long something may take that takes so long at most where nothing is lost, and some exchanges."""
        return seconds * (1.0 + 10.0 * self.loss)


Play = Callable[[Path, int, Size], Awaitable[Outcome]]


def judged(
    scene: str,
    way: str,
    actor: Actor,
    since: float,
    allowed_seconds: float,
    *,
    faults: Sequence[str] = (),
    must_tell: bool = False,
) -> Did:
    """What a head did that should have been driven for so long after `since` at most."""
    driven, moved = actor.driven_seconds(since), actor.moved_deg(since)
    wrong = []
    if allowed_seconds and math.isfinite(driven):
        allowed_seconds += actor.held_up_seconds(since, since + driven)
    if driven > allowed_seconds:
        until = "is still driven" if math.isinf(driven) else f"was driven for {driven:.2f} s"
        wrong.append(
            f"{actor.name} {until}, {moved:.1f}° with its braking; {allowed_seconds:.2f} s are allowed{actor.held_up}"
        )
    if actor.zooming:
        wrong.append(f"{actor.name}'s zoom is still driven")
    if must_tell and not faults:
        wrong.append(f"{actor.name} moved {moved:.1f}° and its state told no fault")
    return Did(scene, way, driven, moved, faults=tuple(faults), wrong=tuple(wrong))


def judged_to_target(scene: str, actor: Actor, since: float, target: tuple[int, int, int]) -> Did:
    """What a head in a shaped move did, which must not pass its target."""
    pan_deg, tilt_deg = DIALECT.pan.degrees(target[0]), DIALECT.tilt.degrees(target[1])

    def past_deg(sample: Sample) -> float:
        return max(
            math.copysign(1, pan_deg) * (sample.pan_deg - pan_deg),
            math.copysign(1, tilt_deg) * (sample.tilt_deg - tilt_deg),
        )

    after = [each for each in actor.samples if each.at >= since]
    past = max(map(past_deg, after))
    wrong = []
    if past > PAST_TARGET_DEG:
        first = next(each.at for each in actor.samples if past_deg(each) > PAST_TARGET_DEG)
        wrong.append(
            f"{actor.name} passed its target by {past:.1f}°, {first - since:+.2f} s from what happened, at pan "
            f"{after[-1].pan_deg:.1f}° in the end{actor.held_up}"
        )
    driven = actor.driven_seconds(since)
    if math.isinf(driven):
        wrong.append(f"{actor.name} is still driven")
    zoom = max(each.zoom - target[2] for each in after)
    return Did(scene, "shaped", driven, actor.moved_deg(since), past, zoom, wrong=tuple(wrong))


# What a stage does before something happens


@asynccontextmanager
async def hand_on(stage: Stage, actors: Sequence[Actor], **deflection: float) -> AsyncIterator[None]:
    """Somebody drives these cameras for as long as the context lasts, and then lets go without a word.

    Whose push is refused, since the computer had stood still, lets go and pushes anew, as anybody would.
    """

    async def let_go() -> None:
        for actor in actors:
            await stage.say(f"camera/{actor.name}/drive", {}, qos=0)
        await asyncio.sleep(HANDS_OFF_SECONDS)

    await let_go()
    driving = True

    async def drive() -> None:
        set_out, pushes = False, 0
        while driving:  # a cancellation alone can be lost in asyncio.wait_for, before Python 3.12
            set_out = set_out or all(actor.moving for actor in actors)
            if not set_out and pushes == PUSHES_BEFORE_ANEW:
                await let_go()
                pushes = 0
            for actor in actors:
                await stage.say(f"camera/{actor.name}/drive", deflection, qos=0)
            pushes += 1
            await asyncio.sleep(DRIVE_EVERY_SECONDS)

    hand = asyncio.create_task(drive())
    try:
        yield
    finally:
        driving = False
        hand.cancel()
        await asyncio.gather(hand, return_exceptions=True)


async def under_way(stage: Stage, actors: Sequence[Actor], why: str) -> None:
    """Wait until each of these heads truly moves."""
    try:
        await stage.until(lambda: all(actor.moving for actor in actors), 8)
    except TimeoutError:
        still = [actor.name for actor in actors if not actor.moving]
        raise AssertionError(f"{why}: {', '.join(still)} did not set out; {stage.log[-1500:]}") from None


async def set_out_shaped(stage: Stage, actors: Sequence[Actor], rng: random.Random) -> None:
    """Send these cameras, on air, each to its target; return when all are somewhere in the middle of the way."""
    for actor in actors:
        await stage.say(f"camera/{actor.name}/tally", "program")
    await asyncio.sleep(0.2)
    leads = sorted((rng.uniform(1.0, 5.0) for _ in actors), reverse=True)
    began = stage.now
    for actor, lead in zip(actors, leads, strict=True):
        await asyncio.sleep(max(0.0, began + leads[0] - lead - stage.now))
        await stage.say(f"camera/{actor.name}/recall", {"position": "aside", "seconds": SHAPED_SECONDS, "on_air": True})
    await asyncio.sleep(max(0.0, began + leads[0] - stage.now))
    try:
        await under_way(stage, actors, "a shaped move")
    except AssertionError:
        if "the daemon stood still for" not in stage.log:
            raise
        for actor in actors:  # the computer held all up, and what moved was stopped, as it should be
            if not actor.moving:
                again = {"position": "aside", "seconds": SHAPED_SECONDS, "on_air": True}
                await stage.say(f"camera/{actor.name}/recall", again)
        await under_way(stage, actors, "a shaped move")


# The scenes


def broken_off(
    name: str, number: signal.Signals | None, *, exit_code: int | None = None, again: bool = False, logged: bool = False
) -> Play:
    """A signal, or a closed terminal, in the middle of drives by hand and of shaped moves.

    `exit_code` is how the daemon must end, None if that does not matter; with `again` another is started at once; with
    `logged` the log must name each camera that was driven.
    """

    async def play(folder: Path, broker: int, size: Size) -> Outcome:
        rng = random.Random(f"{name} {size.seed}")
        outcome = Outcome()
        async with staged(folder, broker, [Habits()] * 2 * size.each, loss=size.loss, link=size.link, rng=rng) as stage:
            await stage.start(on_a_terminal=number is None)
            await stage.store([("aside", *SHAPED_COUNTS)])
            by_hand, shaped = stage.actors[: size.each], stage.actors[size.each :]
            await set_out_shaped(stage, shaped, rng)
            async with hand_on(stage, by_hand, pan=1.0, tilt=0.2, zoom=0.5):
                await under_way(stage, by_hand, "a drive by hand")
                await asyncio.sleep(rng.uniform(0.25, 0.4))
                at, said_before = stage.now, len(stage.log)
                if number is None:
                    stage.close_terminal()
                else:
                    stage.send(number)
                if not again:
                    await stage.until_rest(1.0, 8.0)
            if again:
                await stage.end()
                await stage.start()
                await stage.until_rest(1.0, 4.0)
            outcome.did += [judged(name, "by hand", actor, at, BY_HAND_SECONDS) for actor in by_hand]
            outcome.did += [judged_to_target(name, actor, at, SHAPED_COUNTS) for actor in shaped]
            if not again:
                code = await stage.end()
                unseen = (
                    size.loss > 0.0 and code == 1
                )  # where packets are lost, a camera may not be seen at rest in time
                if code is None or (exit_code is not None and code != exit_code and not unseen):
                    ended = "has not ended" if code is None else f"ended with {code}"
                    outcome.wrong.append(f"{name}: the daemon {ended}; its log ends: {stage.log[-500:]}")
            unnamed = [actor.name for actor in by_hand if actor.name not in stage.log[said_before:]]
            if logged and unnamed:
                outcome.wrong.append(f"{name}: the log says nothing of {', '.join(unnamed)}")
            if "Traceback" in stage.log:
                outcome.wrong.append(f"{name}: a traceback reached the log: {stage.log[-800:]}")
        return outcome

    return play


async def frozen(folder: Path, broker: int, size: Size) -> Outcome:
    """The daemon stands still for 5 s in mid-move, and meanwhile drives and a recall without a date come in."""
    name = "frozen for 5 s"
    rng = random.Random(f"{name} {size.seed}")
    outcome = Outcome()
    habits = [Habits()] * (2 * size.each + 1)
    async with staged(folder, broker, habits, loss=size.loss, link=size.link, rng=rng) as stage:
        await stage.start()
        await stage.store([("aside", *SHAPED_COUNTS)])
        by_hand, shaped, resting = (
            stage.actors[: size.each], stage.actors[size.each : 2 * size.each], stage.actors[-1]
        )  # fmt: skip
        await set_out_shaped(stage, shaped, rng)
        async with hand_on(stage, by_hand, pan=0.8, tilt=0.2, zoom=0.5):
            await under_way(stage, by_hand, "a drive by hand")
            await asyncio.sleep(rng.uniform(0.25, 0.4))
            at = stage.now
            stage.send(signal.SIGSTOP)
            await asyncio.sleep(0.5)
            await stage.say(f"camera/{resting.name}/recall", "aside")
            await asyncio.sleep(0.5)
        await asyncio.sleep(at + FREEZE_SECONDS - stage.now)
        outcome.did += [judged(name, "by hand", actor, at, BY_HAND_SECONDS) for actor in by_hand]
        woken_at = stage.now
        stage.send(signal.SIGCONT)
        await stage.until_rest(2.0, 8.0)
        outcome.did += [judged_to_target(name, actor, at, SHAPED_COUNTS) for actor in shaped]
        outcome.did += [judged(name, "old drives, after it", actor, woken_at, 0.0) for actor in by_hand]
        outcome.did.append(judged(name, "old recall, after it", resting, woken_at, 0.0))
    return outcome


async def started_again(folder: Path, broker: int, size: Size) -> Outcome:
    """Everything is killed at once, guard and all, and a daemon is started again while heads still move."""
    name = "all killed, started again"
    rng = random.Random(f"{name} {size.seed}")
    outcome = Outcome()
    async with staged(folder, broker, [Habits()] * 3 * size.each, loss=size.loss, rng=rng) as stage:
        await stage.start()
        by_hand, locked, strange = (stage.actors[part * size.each : (part + 1) * size.each] for part in range(3))
        for actor in locked:
            await stage.say(f"camera/{actor.name}/lock", {"by": "stage"})
        await stage.until(lambda: all(actor.states[-1][1]["locks"] for actor in locked), 5)
        async with hand_on(stage, by_hand, pan=0.5):  # 6°/s: there is way left when the daemon is back
            await under_way(stage, by_hand, "a drive by hand")
            await asyncio.sleep(0.3)
            stage.kill_all()
            await stage.end()
        await asyncio.sleep(0.5)
        for actor in (*locked, *strange):
            actor.camera.moved_by_another(PanTiltDrive(12, 1, -1, 0), stage.now)
        heard = {actor.name: len(actor.heard_at) for actor in stage.actors}
        await stage.start()
        contact = {
            actor.name: actor.heard_at[heard[actor.name]] if len(actor.heard_at) > heard[actor.name] else stage.now
            for actor in stage.actors
        }
        await stage.until_rest(2.0, 4.0)
        for way, actors in (
            ("driven before", by_hand), ("locked, moved at start", locked), ("moved at start", strange)
        ):  # fmt: skip
            for actor in actors:
                at = contact[actor.name]
                moved = actor.moved_deg(at) > 0
                outcome.did.append(
                    judged(
                        name, way, actor, at, size.allowed(STRANGE_SECONDS), faults=actor.faults(at), must_tell=moved
                    )
                )
    return outcome


async def living(folder: Path, broker: int, size: Size) -> Outcome:
    """The daemon lives on, and cameras do not do as they are told."""
    rng = random.Random(f"living {size.seed}")
    outcome = Outcome()
    slow, long = Habits(stop_seconds=0.07), size.allowed(LONG_SECONDS)
    kinds = {
        "refuses stops 0.2 s": Habits(),
        f"refuses stops {long:g} s": Habits(),
        f"ignores stops {long:g} s": Habits(),
        "a stop takes 70 ms": slow,
        "a stop takes 70 ms, sockets busy": slow,
        "locked": Habits(),
        "at rest": Habits(),
        f"away {size.away_seconds:g} s": Habits(),
    }
    habits = [each for each in kinds.values() for _ in range(size.each)]
    async with staged(folder, broker, habits, loss=size.loss, rng=rng) as stage:
        await stage.start()
        await stage.store([("far", 7680, 205, 0x3000)])
        refuses, refuses_long, ignores, slow_driven, slow_recalled, locked, resting, away = (
            stage.actors[part * size.each : (part + 1) * size.each] for part in range(len(kinds))
        )
        for actor in locked:
            await stage.say(f"camera/{actor.name}/lock", {"by": "stage"})
        for actor in stage.actors:
            await stage.say(f"camera/{actor.name}/tally", "off")
        await stage.until(
            lambda: all(
                actor.states[-1][1]["activity"] == "at-rest" and bool(actor.states[-1][1]["locks"]) == (actor in locked)
                for actor in stage.actors
            ),
            size.allowed(5),
        )
        for actor in slow_recalled:
            await stage.say(f"camera/{actor.name}/recall", "far")
        driven = (*refuses, *refuses_long, *ignores, *slow_driven)
        async with hand_on(stage, driven, pan=0.65, tilt=0.2, zoom=0.4), hand_on(stage, away, pan=0.35):
            await under_way(stage, (*driven, *away, *slow_recalled), "a drive or a recall")
            await asyncio.sleep(0.3)
            at = stage.now
            for actor in away:
                actor.camera.silent_until = at + size.away_seconds
            for actor in refuses:
                actor.arm(refuses_seconds=0.2)
            for actor in refuses_long:
                actor.arm(refuses_seconds=long)
            for actor in ignores:
                actor.arm(ignores_seconds=long)
            for actor in (*slow_driven, *slow_recalled):
                actor.arm()
        for actor in slow_recalled:  # the drives are stopped since nobody goes on with them
            await stage.say(f"camera/{actor.name}/stop", qos=0)
        for actor in (*locked, *resting):
            actor.camera.moved_by_another(PanTiltDrive(14, 1, 1, 0), at)
        await stage.until_rest(long + 1.5, long + 5.0, [actor for actor in stage.actors if actor not in away])
        scenes = iter(kinds)
        for way, actors, after, allowed, told in (
            ("driven", refuses, 0.2, BY_HAND_SECONDS, False),
            ("driven", refuses_long, long, size.allowed(BY_HAND_SECONDS), True),
            ("driven", ignores, long, size.allowed(BY_HAND_SECONDS), True),
            ("driven", slow_driven, 0.0, BY_HAND_SECONDS, False),
            ("in a recall", slow_recalled, 0.0, BY_HAND_SECONDS, False),
            ("moved by another", locked, 0.0, size.allowed(STRANGE_SECONDS), True),
            ("moved by another", resting, 0.0, size.allowed(STRANGE_SECONDS), True),
        ):
            scene = next(scenes)
            for actor in actors:
                # From the first stop that reached it: how long a broker takes is another matter.
                since = at if actor.told_to_stop_at is None else actor.told_to_stop_at
                faults = actor.faults(since, since + long)
                outcome.did.append(judged(scene, way, actor, since + after, allowed, faults=faults, must_tell=told))
        back = at + size.away_seconds
        await asyncio.sleep(max(0.0, back - stage.now))
        await stage.until_rest(3.0, 12.0, away)
        scene = next(scenes)
        outcome.did += [judged(scene, "driven", actor, back, size.allowed(AFTER_SILENCE_SECONDS)) for actor in away]
    return outcome


async def ended_while_silent(folder: Path, broker: int, size: Size) -> Outcome:
    """SIGTERM while a camera in a drive does not answer: its not being seen at rest is told."""
    name = "SIGTERM, a camera silent"
    rng = random.Random(f"{name} {size.seed}")
    outcome = Outcome()
    async with staged(folder, broker, [Habits()] * 2, loss=size.loss, rng=rng) as stage:
        await stage.start()
        silent, other = stage.actors
        async with hand_on(stage, stage.actors, pan=0.5):
            await under_way(stage, stage.actors, "a drive by hand")
            await asyncio.sleep(0.3)
            silent.camera.silent_until = math.inf
            await asyncio.sleep(rng.uniform(0.0, 1.5))
            said_before = len(stage.log)
            at = stage.now
            stage.send(signal.SIGTERM)
            code = await stage.end()
        took = stage.now - at
        await stage.until_rest(0.0, 2.0, [other])
        outcome.did.append(judged(name, "heard", other, at, BY_HAND_SECONDS))
        if not code:
            ended = "has not ended" if code is None else "ended with 0"
            outcome.wrong.append(f"{name}: the daemon {ended} after {took:.1f} s, {silent.name} still driven")
        if silent.name not in stage.log[said_before:]:
            outcome.wrong.append(f"{name}: the log does not name {silent.name}: {stage.log[said_before:][-500:]!r}")
        outcome.did.append(Did(name, "silent", silent.driven_seconds(at), silent.moved_deg(at)))
    return outcome


def over(link: LinkKind | Literal["serial"], scene: Play) -> Play:
    """The same, with cameras on another kind of link."""

    async def play(folder: Path, broker: int, size: Size) -> Outcome:
        each = min(size.each, 3) if link == "serial" else size.each  # seven at most share a wire
        outcome = await scene(folder, broker, replace(size, link=link, each=each))
        outcome.did = [replace(did, scene=f"{did.scene}, {link}") for did in outcome.did]
        return outcome

    return play


SCENES: dict[str, Play] = {
    "living": living,  # the longest first
    "again": started_again,
    "freeze": frozen,
    "kill": broken_off("SIGKILL", signal.SIGKILL, logged=True),
    "kill-and-start": broken_off("SIGKILL, started again", signal.SIGKILL, again=True),
    "hangup": broken_off("SIGHUP", signal.SIGHUP, exit_code=0),
    "quit": broken_off("SIGQUIT", signal.SIGQUIT),
    "term": broken_off("SIGTERM", signal.SIGTERM, exit_code=0),
    "terminal": broken_off("terminal closed", None),
    "silent": ended_while_silent,
}
OTHER_LINKS: tuple[LinkKind | Literal["serial"], ...] = ("bare-udp", "tcp", "serial")
SCENES |= {
    f"{scene}-{link}": over(link, SCENES[scene])
    for link in OTHER_LINKS
    for scene in ("freeze", "kill", "kill-and-start")
}


async def played(
    scenes: Sequence[str], folder: Path, broker: int, size: Size, *, at_once: int = 1
) -> dict[str, Outcome | BaseException]:
    """Play these scenes, so many at a time, and return what each brought, or why it could not be played."""
    turn = asyncio.Semaphore(at_once)

    async def play(scene: str) -> Outcome:
        async with turn:
            place = folder / f"{scene}-{size.loss:g}-{size.seed}"
            place.mkdir()
            return await SCENES[scene](place, broker, size)

    outcomes = await asyncio.gather(*(play(scene) for scene in scenes), return_exceptions=True)
    return dict(zip(scenes, outcomes, strict=True))


def table(did: Sequence[Did]) -> str:
    """What happened, and what the heads did: the worst of each kind."""
    lines = [
        f"{'what happened':<34} {'how it moved':<22} {'n':>4} {'driven s':>9} {'turned':>8} {'past target':>12} wrong"
    ]
    kinds: dict[tuple[str, str], list[Did]] = {}
    for each in did:
        kinds.setdefault((each.scene, each.way), []).append(each)
    for (scene, way), all_of_it in kinds.items():
        driven = max(each.driven_seconds for each in all_of_it)
        past = max(each.past_target_deg for each in all_of_it)
        zoom = max(each.past_target_zoom for each in all_of_it)
        passed = "" if math.isinf(past) else f"{max(0.0, past):.1f}° {max(0.0, zoom):5.0f}"
        on = "drove on" if math.isinf(driven) else f"{driven:.2f}"
        turned = max(each.moved_deg for each in all_of_it)
        wrong = sum(bool(each.wrong) for each in all_of_it)
        lines.append(f"{scene:<34} {way:<22} {len(all_of_it):>4} {on:>9} {turned:>7.1f}° {passed:>12} {wrong or ''}")
    return "\n".join(lines)
