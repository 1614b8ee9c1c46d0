"""How long a move will take, said before it starts, against how long it took: before a head was learned, and after.

Simulated heads with a hidden truth that no model has seen, on mounts that swing, behind a network that loses 1 % of all
datagrams. The measured time is the camera's own: from the order to the moment at which its readings said "settled".
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass
from statistics import median

import pytest
from ptzsim.virtual_time import run
from rigs import framing, rigged

from ptzd.cameras import LearnLimits, MoveReport, Recall
from ptzd.motion import HeadModel, Prediction

DIALECTS = ("nibble4-51", "nibble4-14", "shared5-205")
MOUNTS = ("tripod", "balcony-rail")
MOVES = 34  # on each: 204 in all
LOSS = 0.01
RANGE = LearnLimits((-160.0, 160.0), (-15.0, 85.0))


@dataclass(frozen=True)
class Timed:
    """One move: what was said of it, and what came of it."""

    predicted: float
    least: float
    most: float
    measured: float

    @property
    def off(self) -> float:
        return abs(self.measured - self.predicted)

    @property
    def near(self) -> bool:
        """Within 5 % or 0.15 s."""
        return self.off <= max(0.05 * self.measured, 0.15)


async def moves(dialect_name: str, mount: str, *, learn: bool) -> list[Timed]:
    """Random moves of one camera, the same ones whether or not its head was learned before."""
    async with rigged(dialect_name=dialect_name, mount=mount, loss=LOSS, seed=17) as rig:
        await rig.ready()
        camera, dialect = rig.camera, rig.camera.settings.dialect
        if learn:
            await camera.learn(RANGE, lambda progress: None, random.Random(17))
        rng = random.Random(f"{dialect_name} {mount}")
        timed = []
        for number in range(MOVES):
            target = framing(
                rng.randint(dialect.pan.least_counts, dialect.pan.most_counts),
                rng.randint(dialect.tilt.least_counts, dialect.tilt.most_counts),
                rng.randint(dialect.zoom.wide_counts, dialect.zoom.tele_counts),
                rng.randint(dialect.focus.least_counts, dialect.focus.most_counts),
            )
            await asyncio.sleep(rng.uniform(1.5, 4.0))
            camera.recall(Recall("soloist", target, step=rng.randint(6, 24), id=str(number)))
            move = camera.activity.move
            assert move is not None
            timed.append(judged(move.plan.prediction, await rig.end_of(str(number))))
        return timed


def judged(said: Prediction, report: MoveReport) -> Timed:
    assert report.phase.value == "settled"
    assert report.measured_seconds is not None
    return Timed(said.seconds_to_settled, said.least_seconds, said.most_seconds, report.measured_seconds)


def row(name: str, timed: list[Timed]) -> str:
    return (
        f"{name:34} {len(timed):5} {median(each.measured for each in timed):7.2f} s"
        f" {median(each.off / each.measured for each in timed):8.2%}"
        f" {sum(each.near for each in timed) / len(timed):8.1%}"
        f" {sum(each.least <= each.measured <= each.most for each in timed) / len(timed):8.1%}"
        f" {median(each.most - each.least for each in timed):7.2f} s"
    )


@pytest.mark.bench
def test_a_learned_head_says_how_long_a_move_takes() -> None:
    print(f"\n{'':34} {'moves':>5} {'length':>9} {'error':>8} {'near':>8} {'held':>8} {'range':>9}")
    every: dict[str, list[Timed]] = {}
    for learn, name in ((False, "published"), (True, "learned")):
        for dialect_name in DIALECTS:
            for mount in MOUNTS:
                timed = run(moves(dialect_name, mount, learn=learn))
                every.setdefault(name, []).extend(timed)
                print(row(f"{name} {dialect_name} {mount}", timed))
    for name, timed in every.items():
        print(row(name, timed))
    print("length, error: medians; near: within 5 % or 0.15 s; held: within the range that was stated")
    published, learned = every["published"], every["learned"]
    assert len(learned) >= 200
    assert median(each.off / each.measured for each in learned) <= 0.02
    assert sum(each.near for each in learned) / len(learned) >= 0.95
    assert sum(each.least <= each.measured <= each.most for each in learned) / len(learned) >= 0.90
    assert median(each.off / each.measured for each in learned) < median(each.off / each.measured for each in published)


async def fitted(dialect_name: str, mount: str, seed: int) -> dict[str, float]:
    """Learn a head and return the largest relative error of each kind of figure."""
    async with rigged(dialect_name=dialect_name, mount=mount, loss=LOSS, seed=seed) as rig:
        await rig.ready()
        learned = (await rig.camera.learn(RANGE, lambda progress: None, random.Random(seed))).model
        return errors(learned, rig.simulated)


def errors(learned: HeadModel, simulated: object) -> dict[str, float]:
    truth, lens, dialect = simulated.head._truth, simulated.lens, simulated.dialect  # type: ignore[attr-defined]

    def off(figure: float, true: float) -> float:
        return abs(figure / true - 1.0)

    return {
        "speed": max(
            off(speed, published * share)
            for axis, scale, share in (
                (learned.pan, dialect.pan, truth.pan_speed),
                (learned.tilt, dialect.tilt, truth.tilt_speed),
            )
            for speed, published in zip(axis.steps_deg_per_s, scale.steps_deg_per_s, strict=True)
        ),
        "acceleration": max(
            off(learned.pan.acceleration_deg_per_s2, truth.pan_acceleration_deg_per_s2),
            off(learned.tilt.acceleration_deg_per_s2, truth.tilt_acceleration_deg_per_s2),
        ),
        "zoom": off(learned.zoom.direct_counts_per_s, lens._zoom_rate),
        "focus": off(learned.focus_counts_per_s, lens._focus_rate),
    }


@pytest.mark.bench
def test_twenty_heads_are_learned_as_they_are() -> None:
    found: dict[str, list[float]] = {}
    for seed in range(20):
        for kind, error in run(fitted(DIALECTS[seed % 3], MOUNTS[seed % 2], seed)).items():
            found.setdefault(kind, []).append(error)
    print(f"\n{'largest error of a head':>26} {'median':>8} {'worst':>8}")
    for kind, off in found.items():
        print(f"{kind:>26} {median(off):8.2%} {max(off):8.2%}")
    assert max(found["speed"]) <= 0.015
    assert median(found["speed"]) <= 0.01
    assert max(found["acceleration"]) <= 0.05
    assert max(found["zoom"]) <= 0.01
    assert max(found["focus"]) <= 0.015
