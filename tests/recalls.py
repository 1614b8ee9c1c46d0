"""Recall after recall on a bad network, on heads that differ in what the protocol leaves open: what came of each."""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from dataclasses import dataclass, field
from typing import Literal

from ptzsim import virtual_time
from ptzsim.habits import draw_habits
from ptzsim.wiring import draw_wiring
from rigs import Rig, framing, rigged

from ptzd.cameras import CameraState, MoveReport, Recall
from ptzd.line import Framing
from ptzd.links import Form
from ptzd.visca import dialect_names

WAKING_SECONDS = 120.0
BEYOND_SECONDS = 10.0  # and three times its promise: by then a move must have ended


@dataclass
class Recalls:
    """How they ended, and what must not be."""

    ended: Counter[str] = field(default_factory=Counter)  # by phase, or by code where it failed
    wrong: list[str] = field(default_factory=list)

    def add(self, other: Recalls) -> None:
        self.ended += other.ended
        self.wrong += other.wrong


def recalls_on_one_head(
    seed: int, count: int, share: float = 0.1, form: Form | Literal["serial"] = "numbered"
) -> Recalls:
    """Recall so often on the head of a seed; a `share` of the datagrams is lost and as many come twice, each way.

    None comes twice where the head does not look at numbers: it performs both, cancels the one for the other, and that
    nobody can tell from somebody who takes it over.
    """
    return virtual_time.run(_recalls(seed, count, share, form))


async def _recalls(seed: int, count: int, share: float, form: Form | Literal["serial"]) -> Recalls:
    rng = random.Random(f"recalls {seed}")
    found, heads = Recalls(), draw_habits(rng)
    ended: asyncio.Queue[MoveReport] = asyncio.Queue()

    def hear(report: CameraState | MoveReport) -> None:
        if isinstance(report, MoveReport) and report.phase.ended:
            ended.put_nowait(report)

    async with rigged(
        dialect_name=rng.choice(dialect_names()),
        mount=rng.choice(("tripod", "balcony-rail", "truss")),
        habits=heads, loss=share, doubled=share if heads.numbers == "next" else 0.0, seed=seed, report=hear, form=form,
        wiring=draw_wiring(random.Random(f"wiring {seed}")),
    ) as rig:  # fmt: skip
        for number in range(count):
            await rig.until(lambda: rig.camera.state().power == "on" and not rig.camera.moving, WAKING_SECONDS)
            wanted = _somewhere(rig, rng)
            rig.camera.recall(Recall("somewhere", wanted, step=rng.randint(14, 24), id=str(number)))
            prediction = rig.camera.state().seconds_to_settled
            limit = 3.0 * (prediction or 0.0) + BEYOND_SECONDS
            try:
                async with asyncio.timeout(limit):
                    report = await ended.get()
            except TimeoutError:
                found.wrong.append(f"head {seed} ({heads}), recall {number}: no end within {limit:.1f} s")
                break
            found.ended[report.code or report.phase.value] += 1
            if report.phase == "settled" and (off := _off(rig, wanted)):
                found.wrong.append(f"head {seed} ({heads}), recall {number}: said to have settled, {off}")
    return found


def _somewhere(rig: Rig, rng: random.Random) -> Framing:
    dialect = rig.camera.settings.dialect
    pan, tilt, focus = dialect.pan, dialect.tilt, dialect.focus
    return framing(
        rng.randint(pan.least_counts // 6, pan.most_counts // 6),
        rng.randint(tilt.least_counts // 2, tilt.most_counts // 4),
        rng.randint(0, dialect.zoom.tele_counts // 3),
        rng.randint(focus.least_counts, focus.most_counts // 3),
        rng.choice(("manual", "manual", "auto")),
    )


def _off(rig: Rig, wanted: Framing) -> str:
    """What of the simulated head's own truth is not as wanted, in words; nothing where all is."""
    now, head, lens = asyncio.get_running_loop().time(), rig.simulated.head, rig.simulated.lens
    scale = rig.camera.settings.dialect
    off = {
        "pan": scale.pan.counts(head.pan_deg(now)) - wanted.pan_counts,
        "tilt": scale.tilt.counts(head.tilt_deg(now)) - wanted.tilt_counts,
        "zoom": lens.zoom_counts(now) - wanted.zoom_counts,
        "focus": lens.focus_counts(now) - wanted.focus_counts if wanted.focus_mode == "manual" else 0,
    }
    words = [f"{axis} {counts:+d} counts off" for axis, counts in off.items() if abs(counts) > 1]
    if lens.autofocus != (wanted.focus_mode == "auto"):
        words.append("in the wrong focus mode")
    if rig.speed():
        words.append(f"moving at {rig.speed():.2f}°/s")
    return ", ".join(words)
