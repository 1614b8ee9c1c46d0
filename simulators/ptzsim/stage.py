"""What stands before simulated cameras: a choir on its risers in an old granary, drawn of flat faces, in metres.

x grows to the right as the audience sees it, y from the audience to the back of the stage, z upwards; the front edge of
the stage is y = 0, the floor of the house z = 0. Nothing in here moves but people, and none of them is anybody.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

Point = tuple[float, float, float]
Colour = tuple[int, int, int]

STAGE_M = 0.6  # how high it is
SOLOIST, CONDUCTOR, PIANIST = 23, 24, 25
RISERS = ((3.2, 0.85, 7), (4.1, 1.15, 8), (5.0, 1.45, 7))  # how far back, how high, and for how many
STEPS_ASIDE_M = 0.15  # how far people stand from their marks, at most
SWAYS_M = 0.04
SWAY_SECONDS = (2.5, 6.0)

_SEGMENTS = {  # of a digit as seven strokes: top, upper left, upper right, middle, lower left, lower right, bottom
    "0": "1110111", "1": "0010010", "2": "1011101", "3": "1011011", "4": "0111010",
    "5": "1101011", "6": "1101111", "7": "1010010", "8": "1111111", "9": "1111011",
}  # fmt: skip
_STROKES = (  # x0, y0, x1, y1 of each, in a digit one wide and two high
    (0.0, 1.8, 1.0, 2.0), (0.0, 1.0, 0.2, 2.0), (0.8, 1.0, 1.0, 2.0), (0.0, 0.9, 1.0, 1.1),
    (0.0, 0.0, 0.2, 1.0), (0.8, 0.0, 1.0, 1.0), (0.0, 0.0, 1.0, 0.2),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Face:
    """A flat piece of one colour."""

    points: tuple[Point, ...]
    colour: Colour


@dataclass(frozen=True, slots=True)
class Thing:
    """Faces in the order in which they are drawn. Of two things, that whose `place` is farther away is drawn first."""

    place: Point
    faces: tuple[Face, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """Somebody: drawn upright and turned towards whoever looks; `parts` are (right, up) of it, and their colours."""

    number: int
    place: Point  # of the feet
    parts: tuple[tuple[tuple[tuple[float, float], ...], Colour], ...]
    sways_in_seconds: float
    phase: float

    def sway_m(self, at: float) -> float:
        """How far to the right of its mark it leans just now."""
        return SWAYS_M * math.sin(self.phase + 2 * math.pi * at / self.sways_in_seconds)


class Stage:
    """All that there is to see. By the `seed` people stand on their spots; what is built is always the same."""

    def __init__(self, seed: int = 0) -> None:
        built = random.Random("an old granary")  # its boards are as they are
        self.ground = tuple(_ground(built))  # behind everything
        self.things = tuple(_things(built))
        self.figures = tuple(_figures(built, random.Random(seed)))


def distance_m(eye: Point, ahead: Point) -> float:
    """Return how far away what is seen is: risers, stage, floor or a wall, whichever comes first. `ahead` is a unit."""
    found = [40.0]
    for height, least, most in ((STAGE_M, 0.0, 2.6), (0.0, -17.0, 0.0), (1.7, -9.0, -3.0)):
        if ahead[2] < -1e-6:
            way = (height - eye[2]) / ahead[2]
            if way > 0 and least <= eye[1] + way * ahead[1] <= most:
                found.append(way)
    if ahead[1] > 1e-6:
        for back, low, high in ((1.4, STAGE_M, 2.4), (4.1, STAGE_M, 3.2), (6.5, 0.0, 7.0)):
            way = (back - eye[1]) / ahead[1]
            if abs(eye[0] + way * ahead[0]) < 9.0 and low <= eye[2] + way * ahead[2] <= high:
                found.append(way)
    if abs(ahead[0]) > 1e-6:
        found.append((math.copysign(9.0, ahead[0]) - eye[0]) / ahead[0])
    return min(way for way in found if way > 0.5)


# What is built


def _ground(built: random.Random) -> Iterator[Face]:
    for row, column in ((y, x) for y in range(-17, 7) for x in range(-9, 9)):
        yield _flat(column, row, column + 0.97, row + 0.97, 0.0, _tone(built, (66, 60, 54), 7))
    for wall in (-9.0, 9.0):  # timber posts and boards
        for step in range(40):
            y = 6.5 - 0.6 * step
            board = ((wall, y - 0.58, 0.0), (wall, y - 0.58, 6.5), (wall, y, 6.5), (wall, y, 0.0))
            yield Face(board, _tone(built, (84, 66, 48) if step % 5 else (58, 44, 32), 8))
    for step in range(60):
        x = -9.0 + 0.3 * step
        foot = 0.0
        while foot < 7.0:
            head = min(7.0, foot + built.uniform(1.2, 3.0))
            yield _upright(x, x + 0.29, foot, head - 0.01, 6.5, _tone(built, (112, 88, 62), 14))
            for _ in range(2):
                middle = (x + built.uniform(0.06, 0.23), built.uniform(foot, head))
                yield _round(middle, built.uniform(0.012, 0.035), 6.49, _tone(built, (70, 50, 34), 8))
            foot = head
    for x in (-6.0, -2.0, 2.0, 6.0):
        yield _upright(x - 0.12, x + 0.12, 0.0, 7.0, 6.45, (60, 46, 34))
    yield _upright(-9.0, 9.0, 4.6, 4.85, 6.44, (60, 46, 34))
    for x in (-4.0, 4.0):  # two windows
        yield _upright(x - 0.6, x + 0.6, 3.0, 4.3, 6.43, (40, 52, 66))
        yield _upright(x - 0.03, x + 0.03, 3.0, 4.3, 6.42, (104, 92, 76))
        yield _upright(x - 0.6, x + 0.6, 3.62, 3.68, 6.42, (104, 92, 76))
    yield _upright(-6.0, 6.0, 0.0, STAGE_M, 0.0, (52, 38, 28))
    for row, column in ((y, x) for y in range(12) for x in range(-12, 12)):
        x, y = column / 2, row / 2
        base = (128, 98, 66) if (row + column) % 2 else (118, 90, 60)
        yield _flat(x, y, x + 0.48, y + 0.48, STAGE_M, _tone(built, base, 8))


def _things(built: random.Random) -> Iterator[Thing]:
    for back, height, _ in RISERS:
        near, far = back - 0.45, back + 0.45
        faces = [_upright(-3.4, 3.4, STAGE_M, height, near, (64, 60, 62))]
        faces += [
            _flat(-3.4 + 0.4 * step, near, -3.02 + 0.4 * step, far, height, _tone(built, (92, 88, 90), 6))
            for step in range(17)
        ]
        yield Thing((0.0, near, STAGE_M), tuple(faces))
    yield Thing((0.0, 0.55, STAGE_M), tuple(_box(-0.45, 0.55, 0.45, 1.3, STAGE_M, 0.75, (84, 44, 38))))
    yield Thing((-3.6, 1.3, STAGE_M), tuple(_piano()))
    for row in range(4):
        y = -4.0 - 1.4 * row
        for x in (-6.5, 1.0):
            yield Thing((x, y - 0.2, 0.0), tuple(_box(x, y - 0.2, x + 5.5, y + 0.2, 0.0, 0.45, (74, 54, 36))))


def _piano() -> Iterator[Face]:
    """A grand with its lid open: the keys to the left, where the pianist sits."""
    black, edge, top = (22, 22, 26), (40, 40, 46), 0.95 + STAGE_M
    for x, y in ((-4.5, 0.85), (-4.5, 1.85), (-2.7, 1.4)):
        yield _upright(x - 0.06, x + 0.06, STAGE_M, STAGE_M + 0.65, y, black)
    body = ((-4.6, 0.7), (-3.3, 0.7), (-2.75, 0.95), (-2.55, 1.4), (-2.8, 1.9), (-4.6, 1.9))
    for (x0, y0), (x1, y1) in zip(body, (*body[1:], body[0]), strict=True):
        yield Face(((x0, y0, top - 0.35), (x1, y1, top - 0.35), (x1, y1, top), (x0, y0, top)), edge)
    yield Face(tuple((x, y, top) for x, y in body), black)
    sounding = ((-4.3, 0.8), (-3.35, 0.8), (-2.9, 1.4), (-4.3, 1.8))
    yield Face(tuple((x, y, top) for x, y in sounding), (150, 112, 52))
    for string in range(12):
        y = 0.9 + 0.07 * string
        yield _flat(-4.25, y, -3.15, y + 0.012, top, (196, 168, 96))
    yield _flat(-4.82, 0.75, -4.6, 1.85, top - 0.2, (236, 232, 222))
    for key in range(25):
        if key % 7 not in (2, 6):
            yield _flat(-4.74, 0.78 + 0.043 * key, -4.6, 0.8 + 0.043 * key, top - 0.19, black)
    yield Face(((-4.6, 1.9, top), (-2.8, 1.9, top), (-2.7, 1.65, top + 0.45), (-4.5, 1.65, top + 0.55)), (34, 34, 40))


# Who is there


def _figures(built: random.Random, today: random.Random) -> Iterator[Figure]:
    number = 0
    for back, height, count in RISERS:
        for place in range(count):
            number += 1
            x = (place - (count - 1) / 2) * 0.84
            robe = ((122, 44, 54), (44, 74, 110), (52, 94, 70), (96, 76, 116))[min(3, int((x + 3.36) / 1.68))]
            yield _figure(number, (x, back, height), _tone(built, robe, 8), built, today)
    yield _figure(SOLOIST, (1.6, 1.4, STAGE_M), (176, 142, 64), built, today)
    yield _figure(CONDUCTOR, (0.0, 0.95, 0.75), (40, 40, 46), built, today)
    yield _figure(PIANIST, (-5.15, 1.3, 0.3), (58, 58, 66), built, today)
    for row in range(4):
        for seat in range(12):
            x = (-6.1 if seat < 6 else 1.4) + 0.9 * (seat % 6)
            yield _figure(
                100 + 12 * row + seat, (x, -4.0 - 1.4 * row, -0.35), _tone(built, (70, 72, 80), 26), built, today
            )


def _figure(number: int, mark: Point, robe: Colour, built: random.Random, today: random.Random) -> Figure:
    tall = built.uniform(1.62, 1.82)
    skin = _tone(built, (186, 142, 112), 34)
    hair = _tone(built, (74, 56, 44), 36)
    neck, chest, middle = tall - 0.26, tall - 0.34, tall - 0.13
    dark = (robe[0] * 2 // 3, robe[1] * 2 // 3, robe[2] * 2 // 3)
    parts: list[tuple[tuple[tuple[float, float], ...], Colour]] = [
        (((-0.26, 0.0), (0.26, 0.0), (0.21, chest), (0.12, neck), (-0.12, neck), (-0.21, chest)), robe),
        (((-0.02, 0.0), (0.02, 0.0), (0.01, chest - 0.1), (-0.01, chest - 0.1)), dark),
        (((0.15, chest - 0.05), (0.21, chest), (0.29, chest - 0.55), (0.22, chest - 0.57)), dark),
        (((-0.15, chest - 0.05), (-0.21, chest), (-0.29, chest - 0.55), (-0.22, chest - 0.57)), dark),
        (_ring(0.0, middle + 0.03, 0.105, 0.125), hair),
        (_ring(0.0, middle - 0.01, 0.085, 0.115), skin),
        (_ring(-0.035, middle + 0.01, 0.012, 0.009), (40, 34, 30)),
        (_ring(0.035, middle + 0.01, 0.012, 0.009), (40, 34, 30)),
        (
            ((-0.03, middle - 0.065), (0.03, middle - 0.065), (0.02, middle - 0.08), (-0.02, middle - 0.08)),
            (128, 60, 58),
        ),
    ]
    if number < 100:
        parts += ((stroke, (232, 226, 210)) for stroke in _digits(str(number), chest - 0.28))
    aside, back = (today.uniform(-STEPS_ASIDE_M, STEPS_ASIDE_M) for _ in range(2))
    place = (mark[0] + aside, mark[1] + back, mark[2])
    return Figure(number, place, tuple(parts), today.uniform(*SWAY_SECONDS), today.uniform(0.0, 2 * math.pi))


def _digits(text: str, foot: float) -> Iterator[tuple[tuple[float, float], ...]]:
    one = 0.07  # metres: how wide a digit is, which is twice as high
    left = -(len(text) * 1.35 - 0.35) * one / 2
    for place, digit in enumerate(text):
        start = left + place * 1.35 * one
        for lit, (x0, y0, x1, y1) in zip(_SEGMENTS[digit], _STROKES, strict=True):
            if lit == "1":
                a, b, c, d = start + x0 * one, foot + y0 * one, start + x1 * one, foot + y1 * one
                yield (a, b), (c, b), (c, d), (a, d)


# Of what faces are made


def _flat(x0: float, y0: float, x1: float, y1: float, z: float, colour: Colour) -> Face:
    return Face(((x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z)), colour)


def _upright(x0: float, x1: float, z0: float, z1: float, y: float, colour: Colour) -> Face:
    return Face(((x0, y, z0), (x1, y, z0), (x1, y, z1), (x0, y, z1)), colour)


def _box(x0: float, y0: float, x1: float, y1: float, z0: float, z1: float, colour: Colour) -> Iterable[Face]:
    """Its front and its top: nobody looks from behind or from below."""
    bright = (min(255, colour[0] + 18), min(255, colour[1] + 18), min(255, colour[2] + 18))
    return _upright(x0, x1, z0, z1, y0, colour), _flat(x0, y0, x1, y1, z1, bright)


def _round(middle: tuple[float, float], radius: float, y: float, colour: Colour) -> Face:
    return Face(tuple((x, y, z) for x, z in _ring(*middle, radius, radius * 1.6, 7)), colour)


def _ring(x: float, y: float, across: float, up: float, corners: int = 12) -> tuple[tuple[float, float], ...]:
    turns = (2 * math.pi * corner / corners for corner in range(corners))
    return tuple((x + across * math.cos(turn), y + up * math.sin(turn)) for turn in turns)


def _tone(built: random.Random, colour: Colour, by: int) -> Colour:
    shade = built.randint(-by, by)
    red, green, blue = (min(255, max(0, part + shade)) for part in colour)
    return red, green, blue
