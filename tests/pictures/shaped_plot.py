"""Draw `moves.svg`: picture speed against time for three moves, made directly and shaped.

    python -m pictures.shaped_plot        (in `tests/`)

Both ways are carried out on the same simulated head and seen as a viewer would see them. The direct move is a dashed
line, the shaped one a solid one, so that nobody needs the colours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
from bench.shaped_moves import SAMPLE_SECONDS, SENSOR_WIDTH_MM, Floats, Seen, Task, carried_out, published

from ptzd.line import Framing
from ptzd.motion import DirectPlan, Picture, Sensor, ShapedPlan, lens_between, plan_in_seconds, plan_shaped
from ptzd.visca import load_dialect

FILE = Path(__file__).with_name("moves.svg")
WIDTH, PANEL, MARGIN, LEFT, FOOT = 760, 150, 34, 58, 26
EVERY_SECONDS = 0.02
INK, FAINT, DIRECT, SHAPED = "#222", "#ccc", "#b45309", "#1d4ed8"


class Shown(NamedTuple):
    """One move to draw."""

    title: str
    pan_deg: float
    tilt_deg: float
    zoom_counts: int
    seconds: float
    lens_mm: tuple[float, float]


MOVES = (
    Shown("Pan 20° in 8 s, wide lens", 20.0, 0.0, 0, 8.0, (12.0, 120.0)),
    Shown("Pan 30°, tilt 8°, zoom in, in 8 s", 30.0, -8.0, 5000, 8.0, (12.0, 120.0)),
    Shown("Pan 12°, tilt 3° in 5 s, long lens", 12.0, 3.0, 0, 5.0, (100.0, 400.0)),
)


def both_ways(move: Shown) -> tuple[Seen, Seen]:
    """Make a move directly, then shaped."""
    dialect = load_dialect("nibble4-51")
    lens = lens_between(*move.lens_mm, dialect.zoom.ratios)
    start = Framing(0, dialect.tilt.counts(20.0), 8000, 0x4000, "auto")
    target = Framing(
        dialect.pan.counts(move.pan_deg),
        dialect.tilt.counts(20.0 + move.tilt_deg),
        8000 + move.zoom_counts,
        0x4000,
        "auto",
    )
    task = Task(dialect, "tripod", lens, 4, 4, published(dialect), start, target, move.seconds)
    here, there = task.pose(start), task.pose(target)
    direct = plan_in_seconds(task.head, here, there, move.seconds)
    shaped = plan_shaped(task.head, here, there, move.seconds, picture=Picture(lens, Sensor(SENSOR_WIDTH_MM, 24.0)))
    assert isinstance(direct, DirectPlan)
    assert isinstance(shaped, ShapedPlan)
    return carried_out(task, direct, loss=0.0), carried_out(task, shaped, loss=0.0)


def drawing() -> str:
    """Return the whole drawing."""
    height = len(MOVES) * (PANEL + MARGIN) + FOOT
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        'font-family="sans-serif" font-size="12">',
        "<title>Picture speed against time for three moves, made directly and shaped</title>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
    ]
    for index, move in enumerate(MOVES):
        direct, shaped = both_ways(move)
        parts.append(_panel(move, direct, shaped, MARGIN + index * (PANEL + MARGIN)))
    parts += [_foot(height), "</svg>"]
    return "\n".join(parts) + "\n"


def _panel(move: Shown, direct: Seen, shaped: Seen, top: float) -> str:
    speeds = [np.sqrt(np.sum(seen.picture_speeds() ** 2, axis=0)) for seen in (direct, shaped)]
    seconds = math.ceil(max(max(seen.ends()) for seen in (direct, shaped)) + 0.3)
    most = max(float(each.max()) for each in speeds)
    step = _round_step(most)
    ceiling = step * math.ceil(most / step)
    bottom = top + PANEL - 22

    def x(at: float) -> float:
        return LEFT + at / seconds * (WIDTH - LEFT - 16)

    def y(speed: float) -> float:
        return bottom - speed / ceiling * (bottom - top)

    parts = [
        f'<text x="{LEFT}" y="{top - 9}" fill="{INK}" font-weight="bold">{move.title}</text>',
        f'<text x="{WIDTH - 16}" y="{top - 9}" fill="{INK}" text-anchor="end">largest change within 0.2 s: '
        f"direct {direct.jolt():.3f}, shaped {shaped.jolt():.3f}</text>",
    ]
    for mark in range(round(ceiling / step) + 1):
        level = y(mark * step)
        parts.append(f'<path d="M{LEFT} {level:.1f}H{WIDTH - 16}" stroke="{FAINT}" stroke-width="0.6"/>')
        parts.append(f'<text x="{LEFT - 6}" y="{level + 4:.1f}" fill="{INK}" text-anchor="end">{mark * step:g}</text>')
    parts += [
        f'<text x="{x(second):.1f}" y="{bottom + 15}" fill="{INK}" text-anchor="middle">{second}</text>'
        for second in range(seconds + 1)
    ]
    for seen, speed, colour, dash, name in (
        (direct, speeds[0], DIRECT, ' stroke-dasharray="6 3"', "direct"),
        (shaped, speeds[1], SHAPED, "", "shaped"),
    ):
        parts.append(
            f'<path d="{_path(seen, speed, seconds, x, y)}" fill="none" stroke="{colour}" stroke-width="1.8"{dash}>'
            f"<title>{name}</title></path>"
        )
    return "\n".join(parts)


def _round_step(most: float) -> float:
    """A round distance between three to six marks."""
    power = 10.0 ** math.floor(math.log10(most / 3.0))
    return next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if most / (power * factor) <= 5.0)


def _path(seen: Seen, speed: Floats, seconds: float, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    """The line through a speed every few hundredths of a second, without the points in the middle of straight runs."""
    every = round(EVERY_SECONDS / SAMPLE_SECONDS)
    points = [
        (round(x(float(at)), 1), round(y(float(each)), 1))
        for at, each in zip(seen.times[::every], speed[::every], strict=True)
        if at <= seconds
    ]
    kept = [
        point
        for index, point in enumerate(points)
        if not 0 < index < len(points) - 1 or points[index - 1][1] != point[1] or points[index + 1][1] != point[1]
    ]
    return "M" + "L".join(f"{across:g} {down:g}" for across, down in kept)


def _foot(height: float) -> str:
    row = height - 9
    return (
        f'<path d="M{LEFT} {row - 4}h34" stroke="{DIRECT}" stroke-width="1.8" stroke-dasharray="6 3"/>'
        f'<text x="{LEFT + 40}" y="{row}" fill="{INK}">direct</text>'
        f'<path d="M{LEFT + 96} {row - 4}h34" stroke="{SHAPED}" stroke-width="1.8"/>'
        f'<text x="{LEFT + 136}" y="{row}" fill="{INK}">shaped</text>'
        f'<text x="{WIDTH - 16}" y="{row}" fill="{INK}" text-anchor="end">'
        "picture widths per second, against seconds</text>"
    )


if __name__ == "__main__":
    FILE.write_text(drawing(), "utf-8")
