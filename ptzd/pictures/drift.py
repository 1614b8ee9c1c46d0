"""Whether a camera that says that it stands as it stood shows what it showed: a still against a picture.

Theory of operation. Blocks of the still are looked for in the picture, each by phase correlation to a fraction of a
pixel, and one similarity (shift, size, roll) is sought that as many blocks as possible agree on. So people who have
moved are outvoted by what is built. Where the first look finds no agreement, size and roll are taken from the log-polar
form of both spectra and the shift from the whole picture, and the blocks are looked for again in the picture so
corrected.

Nothing is told where that would be a guess: where too few blocks agree, where those that agree lie all on one side, as
with one person who fills the picture, and where a part of the picture has stayed where it was, which it does not when a
camera has moved. Planks, curtains and pipes look the same wherever one looks along them (the aperture problem). So a
block counts only where its gradients go both ways, by the smaller eigenvalue of their second moments (Harris and
Stephens, "A Combined Corner and Edge Detector", 1988; Shi and Tomasi, "Good Features to Track", 1994); one that shows
edges alone can only contradict, across them, what the others agree on, or decide between that and what rivals do.

What is burnt into a picture, as a caption or a menu, stays whatever the camera does. So "it has not moved" is told only
where the rest does not agree on one move; that is also looked for in the whole picture, as far as blocks cannot follow.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, degrees, exp, hypot, log, pi, radians, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .similarity import Similarity
from .still import opened

WIDTH = 640  # pixels of what is compared; a picture is brought to it
BLOCK = 64  # pixels; a block is found again that lies a quarter of it aside
STRIDE = 35
PASS_CYCLES = 0.11  # what is finer than so many cycles a pixel counts little: the peak becomes a hill with a smooth top
LEAST_CONTRAST = 2.0  # of 255, within a block: less is a bare wall
LEAST_CROSSING = 0.25  # squared levels a pixel, of gradients along what a block shows: noise and JPEG make about 0.15
LEAST_CROSSING_SHARE = 0.005  # of those across it: slight bends, and what JPEG leaves of strong edges
LEAST_PEAK = 7.0  # how far a block's best match stands out, in standard deviations of all others
AGREES_PIXELS = 0.7  # from where the similarity has it
STAYED_PIXELS = 1.0
STAYED_HILL = 4  # pixels of a halved picture about no shift at all, to which what stayed reaches
UNITED = 0.8  # of the blocks that have not stayed: people do not all go one way, what a camera sees does
MOST_PAIRS = 3000  # of blocks from which a similarity is tried
# Below what follows, answers were wrong now and then on drawn pictures in which everybody had moved.
LEAST_BLOCKS = 25  # that agree
LEAST_ROWS = 5  # of blocks in which some of them lie: a caption that stays fills fewer
LEAST_SHARE = 0.33  # of the blocks that were found again
LEAST_MOVED_SHARE = 0.65  # where they say that the picture has moved: people who fill it may all have gone one way
MOST_RIVALS = 0.4  # how many may agree on something else, as a share of those that agree
MOST_STAYED = 0.12  # of the blocks may have stayed where they were though the rest has moved
OUTER = 0.25  # of the width, on each side: some of those that agree must lie there
LARGEST_SHIFT, LARGEST_SIZE, LARGEST_ROLL_DEG = 0.25, 0.2, 8.0  # beyond, it is another picture

Floats = NDArray[np.floating[Any]]
Complexes = NDArray[np.complexfloating[Any, Any]]


def compared(still: bytes, picture: bytes) -> Similarity | None:
    """Return how a picture differs from a still, both JPEG; None where nobody can tell. Raises ValueError for no JPEG.

    Takes some tenths of a second of computing.
    """
    first = _grey(still, None)
    return similarity(first, _grey(picture, (first.shape[1], first.shape[0])))


def similarity(still: Floats, picture: Floats) -> Similarity | None:
    """Return how one grey picture differs from another of the same size; None where nobody can tell."""
    plain = _found_again(still, picture, _Warp())
    found = _agreed(still, plain, plain)
    if found is None:
        coarse = _coarse(_halved(still), _halved(picture))
        found = _agreed(still, _found_again(still, picture, coarse), plain)
    if found is None:
        return None
    height, width = still.shape
    grown, turned = found.larger * width / 2, radians(found.roll_deg) * width / 2  # at the sides
    unmoved = hypot(found.right * width, found.up * height, grown, turned) < STAYED_PIXELS
    return None if unmoved and _rest_moved(still, picture, plain) else found


@dataclass(frozen=True, slots=True)
class _Warp:
    """Where what lies at p in the still lies in the picture, both from the middle: size · turn(roll) · p + shift."""

    right: float = 0.0  # pixels
    down: float = 0.0
    size: float = 1.0
    roll: float = 0.0  # radians, clockwise

    @property
    def matrix(self) -> Floats:
        across, along = self.size * cos(self.roll), self.size * sin(self.roll)
        return np.array([[across, -along], [along, across]], dtype=np.float32)

    def places(self, points: Floats) -> Floats:
        return np.stack(self.place(points[:, 0], points[:, 1]), axis=1)

    def place(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        (a, b), (c, d) = self.matrix.tolist()
        return a * x + b * y + self.right, c * x + d * y + self.down


_Places = tuple[Floats, Floats, Floats]  # of blocks in the still and in the picture, from the middle, and their edges:
# which way is across them, as a unit; nothing for what goes both ways


def _found_again(still: Floats, picture: Floats, guess: _Warp) -> _Places:
    """Look for the still's blocks in the picture, about where a guess has them."""
    height, width = still.shape
    corners = [(x, y) for y in _steps(height) for x in _steps(width)]
    points = np.array(corners, dtype=np.float32) + (BLOCK - np.array([width, height], dtype=np.float32)) / 2
    corrected = picture if guess == _Warp() else _resampled(picture, guess)
    moved, found, edges = _block_shifts(still, corrected, corners)
    return points[found], guess.places(points[found] + moved[found]), edges[found]


def _agreed(still: Floats, places: _Places, uncorrected: _Places) -> Similarity | None:
    """Return what most blocks agree on, unless that would be a guess; `uncorrected` tells which have not moved."""
    height, width = still.shape
    points, ends, edges = places
    pinned = ~edges.any(axis=1)
    if pinned.sum() < LEAST_BLOCKS:
        return None
    warp, _ = _most_agree(points[pinned], ends[pinned])
    fits = _shown(warp.places(points) - ends, edges) < AGREES_PIXELS
    agree = pinned & fits
    sure = agree.sum() / (pinned | ~fits).sum()  # edges contradict, and bear nothing out: along them all fits
    if agree.sum() < LEAST_BLOCKS or sure < LEAST_SHARE:
        return None
    across = points[agree, 0] / width
    if across.min() > OUTER - 0.5 or across.max() < 0.5 - OUTER or len(np.unique(points[agree, 1])) < LEAST_ROWS:
        return None
    others = pinned & ~fits
    rival, _ = _most_agree(points[others], ends[others])
    fits_rival = _shown(rival.places(points) - ends, edges) < AGREES_PIXELS  # edges may fit both, and then say nothing
    if (fits_rival & ~fits).sum() > MOST_RIVALS * (fits & ~fits_rival).sum():
        return None
    before, after, edges = uncorrected
    stayed = _shown(after - before, edges) < STAYED_PIXELS
    moved = _shown(warp.places(before) - before, edges) > STAYED_PIXELS + AGREES_PIXELS  # as all would have
    if (stayed & moved).sum() > MOST_STAYED * agree.sum() or (
        moved.any() and agree.sum() < LEAST_MOVED_SHARE * pinned.sum()
    ):
        return None
    beyond = (
        max(abs(warp.right) / width, abs(warp.down) / height) > LARGEST_SHIFT
        or abs(warp.size - 1.0) > LARGEST_SIZE
        or abs(degrees(warp.roll)) > LARGEST_ROLL_DEG
    )
    if beyond:
        return None
    return Similarity(warp.right / width, -warp.down / height, warp.size - 1.0, degrees(warp.roll), float(sure))


def _rest_moved(still: Floats, picture: Floats, plain: _Places) -> bool:
    """Whether all that has not stayed agrees on one move: captions and menus stay, whatever the camera does."""
    points, ends, edges = plain
    stayed = set(map(tuple, points[~edges.any(axis=1) & (np.hypot(*(ends - points).T) < STAYED_PIXELS)].tolist()))
    elsewhere = _shift(_halved(still), _halved(picture), least=STAYED_HILL)
    for points, ends, edges in (plain, _found_again(still, picture, _Warp(*(2.0 * elsewhere).tolist()))):
        rest = ~edges.any(axis=1) & np.array([tuple(point) not in stayed for point in points.tolist()], dtype=bool)
        _, united = _most_agree(points[rest], ends[rest])
        if united.sum() > max(MOST_STAYED * len(stayed), UNITED * rest.sum()):
            return True
    return False


def _shown(moves: Floats, edges: Floats) -> Floats:
    """Return how much of each move its block shows: all of it, or what goes across its edges."""
    shown: Floats = np.where(edges.any(axis=1), np.abs((moves * edges).sum(axis=1)), np.hypot(*moves.T))
    return shown


def _steps(length: int) -> range:
    """Where blocks begin along a side, as far out on the one end as on the other."""
    count = max(1, (length - BLOCK) // STRIDE + 1)
    first = (length - BLOCK - (count - 1) * STRIDE) // 2
    return range(first, first + count * STRIDE, STRIDE)


def _block_shifts(
    still: Floats, picture: Floats, corners: list[tuple[int, int]]
) -> tuple[Floats, NDArray[np.bool_], Floats]:
    """Return how far the content of each block has moved, whether that is to be seen, and which way is across edges.

    Right and down; and nothing for an edge where a block shows more than edges.
    """
    hann = np.hanning(BLOCK + 2)[1:-1]
    window = np.outer(hann, hann).astype(np.float32)
    blocks = [np.stack([one[y : y + BLOCK, x : x + BLOCK] for x, y in corners]) for one in (still, picture)]
    contrast = np.minimum(*(one.std(axis=(1, 2)) for one in blocks))
    first, second = (np.fft.rfft2((one - one.mean(axis=(1, 2), keepdims=True)) * window) for one in blocks)
    correlated = _phase_correlation(first, second, (BLOCK, BLOCK))
    shifts, peaks = _peaks(correlated)
    found = (contrast > LEAST_CONTRAST) & (peaks > LEAST_PEAK) & (np.abs(shifts).max(axis=1) < BLOCK / 4)
    edges, others = (_edges(one, corners, window) for one in (still, picture))
    return shifts, found, np.where(edges.any(axis=1, keepdims=True), edges, others)


def _edges(picture: Floats, corners: list[tuple[int, int]], window: Floats) -> Floats:
    """Return which way is across the edges of each block, as a unit; nothing where its gradients go both ways."""
    smooth = _smoothed(_smoothed(picture))
    down, right = (np.asarray(np.gradient(smooth, axis=axis)) for axis in (0, 1))
    weights = window / window.sum()
    rights, downs, both = (
        np.array([(one[y : y + BLOCK, x : x + BLOCK] * weights).sum() for x, y in corners])
        for one in (right * right, down * down, right * down)
    )
    middle, aside = (rights + downs) / 2, np.hypot((rights - downs) / 2, both)
    one_way = middle - aside < np.maximum(LEAST_CROSSING, LEAST_CROSSING_SHARE * (middle + aside))
    across = np.arctan2(2 * both, rights - downs) / 2
    edges: Floats = np.stack([np.cos(across) * one_way, np.sin(across) * one_way], axis=1)
    return edges


def _smoothed(picture: Floats) -> Floats:
    """The picture through a bell one pixel wide, both ways."""
    for _ in range(2):
        wide = np.pad(picture, ((2, 2), (0, 0)), mode="edge")
        picture = (wide[:-4] + 4 * wide[1:-3] + 6 * wide[2:-2] + 4 * wide[3:-1] + wide[4:]).T / 16
    return picture


def _phase_correlation(first: Complexes, second: Complexes, shape: tuple[int, int]) -> Floats:
    """Return how well the second fits on the first, by how far it is moved; the last two axes are down and right."""
    crossed = second * np.conj(first)
    strength = np.abs(crossed)
    crossed /= strength + 1e-3 * strength.mean(axis=(-2, -1), keepdims=True) + 1e-12
    down, right = np.fft.fftfreq(shape[0]), np.fft.rfftfreq(shape[1])
    smooth = np.exp(-(down[:, None] ** 2 + right[None, :] ** 2) / (2 * PASS_CYCLES**2)).astype(np.float32)
    correlated: Floats = np.fft.irfft2(crossed * smooth, s=shape)
    return correlated


def _peaks(correlated: Floats) -> tuple[Floats, Floats]:
    """Return the highest place of each, right and down of no motion, and how far it stands out."""
    count, high, wide = correlated.shape
    flat = correlated.reshape(count, -1)
    at = flat.argmax(axis=1)
    down, right = np.divmod(at, wide)
    every = np.arange(count)
    peak = flat[every, at]
    outstanding = (peak - flat.mean(axis=1)) / (flat.std(axis=1) + 1e-12)

    def vertex(before: Floats, after: Floats) -> Floats:
        """Of a hill that is a bell: its logarithm is a parabola."""
        low = 1e-6 * peak + 1e-12
        a, b, c = (np.log(np.maximum(one, low)) for one in (before, peak, after))
        bend = a - 2 * b + c
        vertices: Floats = np.where(bend < -1e-9, 0.5 * (a - c) / np.minimum(bend, -1e-9), 0.0)
        return vertices

    right_part = vertex(correlated[every, down, right - 1], correlated[every, down, (right + 1) % wide])
    down_part = vertex(correlated[every, down - 1, right], correlated[every, (down + 1) % high, right])
    signed_right = np.where(right > wide // 2, right - wide, right) + right_part
    signed_down = np.where(down > high // 2, down - high, down) + down_part
    return np.stack([signed_right, signed_down], axis=1), outstanding


def _most_agree(points: Floats, ends: Floats) -> tuple[_Warp, NDArray[np.bool_]]:
    """Return the similarity that most places agree on, and which do; it is tried from pairs of places."""
    starts, stops = points @ (1, 1j), ends @ (1, 1j)
    one, two = np.triu_indices(len(starts), 1)
    apart = np.abs(starts[two] - starts[one]) > 2 * BLOCK
    one, two = one[apart], two[apart]
    one, two = (each[:: len(one) // MOST_PAIRS + 1] for each in (one, two))
    if not len(one):
        return _Warp(), np.zeros(len(starts), dtype=bool)
    turned = (stops[two] - stops[one]) / (starts[two] - starts[one])
    shifted = stops[one] - turned * starts[one]
    off = np.abs(turned[:, None] * starts[None, :] + shifted[:, None] - stops[None, :])
    agree = off[(off < AGREES_PIXELS).sum(axis=1).argmax()] < AGREES_PIXELS
    warp = _Warp()
    for _ in range(3):  # with all that agree the similarity becomes finer, and so does who agrees
        if agree.sum() < 3:
            break
        those, whither = starts[agree], stops[agree]
        centred = those - those.mean()
        turn = (np.conj(centred) * whither).sum() / (np.abs(centred) ** 2).sum()
        shift = whither.mean() - turn * those.mean()
        agree = np.abs(turn * starts + shift - stops) < AGREES_PIXELS
        warp = _Warp(float(shift.real), float(shift.imag), float(abs(turn)), float(np.angle(turn)))
    return warp, agree


# Where the blocks find nothing: the whole picture


_RINGS = 256  # of the log-polar form, from LEAST_RING to MOST_RING
_RAYS = 360  # half a turn; a spectrum's other half is the same
_LEAST_RING, _MOST_RING = 4.0, 80.0  # cycles over a square of the halved picture's height


def _halved(picture: Floats) -> Floats:
    high, wide = (side // 2 * 2 for side in picture.shape)
    halved: Floats = picture[:high, :wide].reshape(high // 2, 2, wide // 2, 2).mean(axis=(1, 3))
    return halved


def _coarse(still: Floats, picture: Floats) -> _Warp:
    """Return about how a picture differs from a still, in pixels of pictures twice as wide."""
    side = min(still.shape)
    spectra = [_log_polar(_magnitudes(one, side), side) for one in (still, picture)]
    first, second = (np.fft.rfft2(one - one.mean())[None] for one in spectra)
    (shift,), _ = _peaks(_phase_correlation(first, second, (_RAYS, _RINGS)))
    per_ring = log(_MOST_RING / _LEAST_RING) / _RINGS
    size, roll = exp(-shift[0] * per_ring), shift[1] * pi / _RAYS  # what is larger has the lower frequencies
    if abs(size - 1.0) > LARGEST_SIZE or abs(degrees(roll)) > LARGEST_ROLL_DEG:
        size, roll = 1.0, 0.0
    turned = _Warp(0.0, 0.0, size, roll)
    shift = _shift(still, _resampled(picture, turned))
    right, down = 2.0 * (turned.matrix @ shift)
    return _Warp(float(right), float(down), size, roll)


def _shift(still: Floats, picture: Floats, least: int = 0) -> Floats:
    """Return how far the whole picture has moved, right and down; or what has moved at least so far."""
    height, width = still.shape
    window = np.outer(np.hanning(height), np.hanning(width)).astype(np.float32)
    first, second = (np.fft.rfft2((one - one.mean()) * window)[None] for one in (still, picture))
    correlated = _phase_correlation(first, second, (height, width))
    down, right = (np.fft.fftfreq(side, 1 / side) for side in (height, width))
    correlated[:, np.hypot(down[:, None], right[None, :]) < least] = 0.0
    shifts, _ = _peaks(correlated)
    shift: Floats = shifts[0]
    return shift


def _magnitudes(picture: Floats, side: int) -> Floats:
    """The spectrum of the square in the middle, with what is slow in it held back."""
    height, width = picture.shape
    top, left = (height - side) // 2, (width - side) // 2
    square = picture[top : top + side, left : left + side]
    window = np.outer(np.hanning(side), np.hanning(side)).astype(np.float32)
    spectrum: Floats = np.log1p(np.abs(np.fft.fftshift(np.fft.fft2((square - square.mean()) * window))))
    return spectrum


def _log_polar(spectrum: Floats, side: int) -> Floats:
    rings = _LEAST_RING * (_MOST_RING / _LEAST_RING) ** (np.arange(_RINGS, dtype=np.float32) / _RINGS)
    rays = np.arange(_RAYS, dtype=np.float32) * np.float32(pi / _RAYS)
    x = side // 2 + np.cos(rays)[:, None] * rings[None, :]
    y = side // 2 + np.sin(rays)[:, None] * rings[None, :]
    return _sampled(spectrum, x, y) * np.hanning(_RINGS).astype(np.float32)[None, :]


def _resampled(picture: Floats, warp: _Warp) -> Floats:
    """The picture as it would be without what the warp says."""
    height, width = picture.shape
    x, y = (np.arange(side, dtype=np.float32) - (side - 1) / 2 for side in (width, height))
    right, down = warp.place(x[None, :], y[:, None])
    return _sampled(picture, right + (width - 1) / 2, down + (height - 1) / 2)


def _sampled(picture: Floats, x: Floats, y: Floats) -> Floats:
    """The picture at places between its pixels; beyond its edge it goes on as at the edge."""
    height, width = picture.shape
    x, y = np.clip(x, 0, width - 1.001), np.clip(y, 0, height - 1.001)
    left, top = x.astype(np.int32), y.astype(np.int32)
    right_part, down_part = x - left, y - top
    upper = picture[top, left] * (1 - right_part) + picture[top, left + 1] * right_part
    lower = picture[top + 1, left] * (1 - right_part) + picture[top + 1, left + 1] * right_part
    sampled: Floats = upper * (1 - down_part) + lower * down_part
    return sampled


def _grey(jpeg: bytes, size: tuple[int, int] | None) -> Floats:
    picture = opened(jpeg).convert("L")
    wanted = size or (WIDTH, max(2 * BLOCK, ceil(WIDTH * picture.height / picture.width)))
    if picture.size != wanted:
        picture = picture.resize(wanted)
    return np.asarray(picture, dtype=np.float32)
