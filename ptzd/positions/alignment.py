"""A camera's positions after it was knocked or swapped: what its sightings tell, and what becomes of each position.

A *sighting* says that what the camera shows in one framing is a stored position. One tells how far pan and tilt are
off, two or more how the head is turned as a whole (see `ptzd.motion.attitude`), and those that were made with the
picture as wide as it was tell whether the zoom ring has slipped too. Nothing in here changes anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from math import hypot, radians, sin

from ptzd.cameras.settings import CameraSettings, Optics
from ptzd.line import Framing, out_of_reach
from ptzd.motion import Lens, angle_of_view_deg, turned_to
from ptzd.motion.attitude import (
    Angles,
    Attitude,
    Offsets,
    Sighted,
    UntoldError,
    angle_is_another,
    apart_deg,
    find_attitude,
    find_offsets,
    unfit,
)
from ptzd.motion.slipped import ZoomSeen, larger_by, slipped_counts
from ptzd.pictures import Similarity
from ptzd.refusal import Refusal
from ptzd.visca import DialectError

from .position import MOST_LENS_COUNTS, StoredPosition

FRAMED_SHARE = 0.01  # of the picture's width: no nearer does anybody frame by eye what was framed before (assumed)
FRAMED_COUNTS = 3.0  # beside what counts and gears leave open
UNKNOWN_DEG = 0.2  # what that share is taken for where nobody knows how wide the picture is
WIDTH_SHARE = 0.02  # as much of the picture's width, by eye, too
PICTURE_PIXELS = 1920  # by the width of which what is off is told
DISAGREE = "do not fit each other: forget one, sight it anew, or sight another position"
MOST_TURNED_DEG = 45.0  # a mount that turns farther comes off (common practice); two sightings swapped are half a turn
MOST_SLIPPED_SHARE = 0.25  # of the zoom's way: a gear jumps teeth, not half a ring (common practice)
ROUNDED_COUNTS = 12.0**-0.5  # a standard deviation of what whole counts leave open


@dataclass(frozen=True, slots=True)
class Sighting:
    """What a camera shows in the framing `seen` is a stored position; `as_wide` where its picture is as wide, too."""

    position: StoredPosition
    seen: Framing
    as_wide: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """A sighting, held against what all of them tell together."""

    sighting: Sighting
    off_deg: float
    allowed_deg: float
    larger: float | None  # by which share its picture is larger than it was; None where that was not sighted
    fits: bool


@dataclass(frozen=True, slots=True)
class Realigned:
    """What becomes of one position; framings are in the counts of the head that is there now."""

    position: StoredPosition
    before: Framing | None  # None where nobody knows what its counts mean
    after: Framing | None  # None where it is left alone
    was_off_px: float | None  # how far off a recall would show it as it is stored; None without optics
    expected_px: float | None  # how far off it is to be expected now; None, too, where that can't be told
    expected_deg: float | None
    leans_deg: float | None  # its picture is turned clockwise by so much, which no pan and tilt take back
    note: str | None  # why it is left alone, or that the zoom's end kept it from being as it was
    provisional: bool  # whether it stays so: one sighting makes no other position good

    def stored(self, settings: CameraSettings) -> StoredPosition:
        """Return the position as it is to be kept, but for the date."""
        assert self.after is not None
        dialect = settings.dialect
        return replace(
            self.position,
            framing=self.after,
            dialect=dialect.name,
            scales=dialect.scales,
            provisional=self.provisional,
        )


@dataclass(frozen=True, slots=True)
class Alignment:
    """What the sightings of a camera tell."""

    found: Attitude | Offsets
    explained_deg: float  # how far off counts and gears leave a sighting
    lens_known: bool
    slipped_counts: float | None  # of the zoom; None where no picture was as wide as it was
    sightings: tuple[Judged, ...]
    positions: tuple[Realigned, ...]

    @property
    def misfits(self) -> tuple[Judged, ...]:
        """The sightings of which each may be wrong."""
        return tuple(each for each in self.sightings if not each.fits)

    @property
    def turned_deg(self) -> tuple[float, float, float] | None:
        """How the head is turned: to the right, up, clockwise; None where one sighting can't tell."""
        return self.found.turned_deg if isinstance(self.found, Attitude) else None

    @property
    def offset_deg(self) -> Angles | None:
        """What one sighting tells; None where more tell all."""
        return (self.found.pan_deg, self.found.tilt_deg) if isinstance(self.found, Offsets) else None

    @property
    def sentence(self) -> str:
        """What was found, in one sentence without its end."""
        return "; ".join([self._turned(), *self._slipped(), *self._fit()])

    def _turned(self) -> str:
        if isinstance(self.found, Offsets):
            across, upwards = _ways(self.found.pan_deg, "right", "left"), _ways(self.found.tilt_deg, "up", "down")
            return (
                f"all is found {across} and {upwards} of where it was stored; one sighting can't tell whether the head "
                "has rolled, so what lies far from it may still be off: sight another position"
            )
        right, up, roll = self.found.turned_deg
        return (
            f"the head is turned {_ways(right, 'to the right', 'to the left')}, {_ways(up, 'up', 'down')}, and rolled "
            f"{_ways(roll, 'clockwise', 'counter-clockwise')}"
        )

    def _slipped(self) -> Iterable[str]:
        if self.slipped_counts is not None:
            yield (
                f"the zoom ring has slipped by {self.slipped_counts:+.0f} counts of its motor, everywhere the same"
                if abs(self.slipped_counts) > 1
                else "the zoom ring has not slipped"
            )

    def _fit(self) -> Iterable[str]:
        if isinstance(self.found, Offsets):
            return
        if not (wrong := self.misfits):
            off_deg = max(each.off_deg for each in self.sightings)
            if off_deg <= self.explained_deg:
                yield f"the sightings fit within {off_deg:.2f}°"
            else:
                lens = ", and is focal_length right" if self.lens_known else ""
                yield f"the sightings are off by {off_deg:.2f}°, more than counts explain: are they framed well{lens}?"
            return
        names = " and ".join(each.sighting.position.name for each in wrong)
        if len(wrong) == 1:
            yield f"{names} does not fit the others: forget it, or sight it anew"
        else:
            yield f"{names} {DISAGREE}"


def align(
    settings: CameraSettings,
    positions: Mapping[str, StoredPosition],
    sightings: Sequence[Sighting],
    left_alone: Mapping[str, str],
) -> Alignment:
    """Return what one or more sightings tell of a camera's positions; `left_alone` are those that stay, each with why.

    Raises Refusal `untold` where the sightings are too near to each other to tell how the head is turned, and `misfit`
    where they fit each other but tell what no knock does.
    """
    sighted = [_sighted(settings, each) for each in sightings]
    noise_deg = 1.0 / min(settings.dialect.pan.counts_per_degree, settings.dialect.tilt.counts_per_degree)
    found: Attitude | Offsets
    if len(sighted) == 1:
        found, wrong = find_offsets(sighted[0]), set[int]()
    else:
        try:
            found, wrong = find_attitude(sighted, noise_deg), set(unfit(sighted, noise_deg))
        except UntoldError as why:
            names = " and ".join(each.position.name for each in sightings)
            if len(sighted) == 2 and angle_is_another(*sighted):
                raise Refusal("misfit", f"{names} {DISAGREE}") from None
            raise Refusal(
                "untold", f"{names} lie too near to each other: {why}; sight a position that lies farther away too"
            ) from None
    slipped, larger, unlike = _zoom(settings, sightings)
    wrong |= unlike
    if not wrong:
        _require_a_knock(settings, sighted, found, slipped)
    judged = tuple(
        Judged(sighting, found.off_deg(one), one.allowed_deg, larger[index], index not in wrong)
        for index, (sighting, one) in enumerate(zip(sightings, sighted, strict=True))
    )
    framed = {each.position.name for each in sightings}
    realigned = tuple(
        _left(settings, position, left_alone[position.name])
        if position.name in left_alone
        else _realigned(settings, position, found, slipped, framed=position.name in framed)
        for position in positions.values()
    )
    explained_deg = FRAMED_COUNTS * noise_deg
    return Alignment(found, explained_deg, settings.optics is not None, slipped, judged, realigned)


def most_telling(
    settings: CameraSettings, positions: Mapping[str, StoredPosition], sightings: Sequence[Sighting]
) -> str | None:
    """Return which position would tell most of a roll if it were sighted too; None where there is no other.

    It is the one that lies most nearly a quarter turn away from what was sighted.
    """
    seen = [_angles(settings, each.position.framing_for(settings.dialect)) for each in sightings]
    apart = {}
    for name, position in positions.items():
        with suppress(DialectError):
            there = _angles(settings, position.framing_for(settings.dialect))
            apart[name] = min((sin(radians(apart_deg(there, each))) for each in seen), default=0.0)
    best = max(apart, key=lambda name: apart[name], default=None)
    return best if best is not None and apart[best] > 0.0 else None


def proposed(settings: CameraSettings, position: StoredPosition, here: Framing, found: Similarity) -> Framing:
    """Return where a position would be sighted, by how what a camera shows that stands `here` differs from its still.

    Raises Refusal `no-optics`, and DialectError.
    """
    dialect, optics = settings.dialect, required_optics(settings, "frame the position by hand")
    before = position.framing_for(dialect)
    focal_mm = optics.lens.focal_length_mm(before.zoom_counts) * (1.0 + found.larger)  # as it truly is
    place = (0.5 + found.right, 0.5 - found.up)
    pan_deg, tilt_deg = turned_to(optics.sensor, focal_mm, *_angles(settings, here), place)
    slipped = here.zoom_counts - optics.lens.zoom_counts(focal_mm)
    return replace(
        here,
        pan_counts=dialect.pan.counts(pan_deg),
        tilt_counts=dialect.tilt.counts(tilt_deg),
        zoom_counts=min(max(before.zoom_counts + slipped, 0), MOST_LENS_COUNTS),
    )


def required_optics(settings: CameraSettings, otherwise: str) -> Optics:
    """Return sensor and lens of a camera. Raises Refusal `no-optics`, with what to do `otherwise`, for one without."""
    if settings.optics is None:
        raise Refusal(
            "no-optics",
            f"nobody knows how wide the picture of camera {settings.name} is: name its sensor and focal_length in the "
            f"configuration, or {otherwise}",
        )
    return settings.optics


def _sighted(settings: CameraSettings, sighting: Sighting) -> Sighted:
    before = sighting.position.framing_for(settings.dialect)
    width_deg = _view_deg(settings, before.zoom_counts)
    allowed_deg = FRAMED_COUNTS / settings.dialect.pan.counts_per_degree
    allowed_deg += UNKNOWN_DEG if width_deg is None else FRAMED_SHARE * width_deg
    return Sighted(_angles(settings, before), _angles(settings, sighting.seen), allowed_deg)


def _require_a_knock(
    settings: CameraSettings, sighted: Sequence[Sighted], found: Attitude | Offsets, slipped: float | None
) -> None:
    """Raise Refusal where a head would be turned, or its zoom ring slipped, by more than a knock does to a mount."""
    turned_deg = found.angle_deg if isinstance(found, Attitude) else apart_deg(sighted[0].before, sighted[0].now)
    slip_share = abs(slipped or 0.0) / (settings.dialect.zoom.tele_counts - settings.dialect.zoom.wide_counts)
    if turned_deg > MOST_TURNED_DEG:
        told = f"turned by {turned_deg:.0f}° in all"
    elif slip_share > MOST_SLIPPED_SHARE:
        told = f"off by {slip_share:.0%} of its zoom's way".replace("%", " %")
    else:
        return
    swapped = "is it another position" if len(sighted) == 1 else "are two sightings swapped"
    raise Refusal(
        "misfit",
        f"camera {settings.name} would be {told}, more than a knock does: {swapped}, or is it another camera, hung "
        "otherwise? forget a sighting, or sight it anew",
    )


def _zoom(settings: CameraSettings, sightings: Sequence[Sighting]) -> tuple[float | None, list[float | None], set[int]]:
    """By how much the zoom ring has slipped, by which share each picture is larger even so, and which don't fit."""
    optics, dialect = settings.optics, settings.dialect
    seen = {
        index: (each.position.framing_for(dialect).zoom_counts, each.seen.zoom_counts)
        for index, each in enumerate(sightings)
        if each.as_wide
    }
    if not seen or optics is None:
        return None, [None] * len(sightings), set()
    lens = optics.lens
    slipped = slipped_counts(lens, [*seen.values()])
    larger = [larger_by(lens, slipped, seen[index]) if index in seen else None for index in range(len(sightings))]
    if _as_wide(lens, [*seen.values()]):
        return slipped, larger, set()
    without = {index: [each for other, each in seen.items() if other != index] for index in seen}
    suspects = {index for index, others in without.items() if len(others) > 1 and _as_wide(lens, others)}
    return slipped, larger, suspects or set(seen)


def _as_wide(lens: Lens, seen: Sequence[ZoomSeen]) -> bool:
    """Whether one slip makes all pictures as wide as they were, as far as anybody sees."""
    slipped = slipped_counts(lens, seen)
    return all(abs(larger_by(lens, slipped, each)) <= WIDTH_SHARE for each in seen)


def _realigned(
    settings: CameraSettings,
    position: StoredPosition,
    found: Attitude | Offsets,
    slipped: float | None,
    *,
    framed: bool,
) -> Realigned:
    dialect, optics = settings.dialect, settings.optics
    try:
        before = position.framing_for(dialect)
    except DialectError as error:
        return _left(settings, position, str(error))
    was = _angles(settings, before)
    pan_deg, tilt_deg = found.now(was)
    turned = replace(before, pan_counts=dialect.pan.counts(pan_deg), tilt_counts=dialect.tilt.counts(tilt_deg))
    beyond = out_of_reach(dialect, turned)
    if beyond is None and settings.window is not None:
        beyond = settings.window.leaves_out(dialect, turned)
    if beyond is not None:
        return _left(settings, position, beyond)
    after, note = turned, None
    if slipped is not None and optics is not None:
        wanted = round(before.zoom_counts + slipped)
        zoom = min(max(wanted, dialect.zoom.wide_counts), dialect.zoom.tele_counts)
        after = replace(turned, zoom_counts=zoom)
        if zoom != wanted:
            larger = larger_by(optics.lens, slipped, (before.zoom_counts, zoom))
            note = f"the zoom ends at {zoom}: all is shown {abs(larger):.1%} {'larger' if larger > 0 else 'smaller'}"
            note = note.replace("%", " %")
    expected_deg = leans_deg = None
    if isinstance(found, Attitude):
        rounded = [ROUNDED_COUNTS / scale.counts_per_degree for scale in (dialect.pan, dialect.tilt)]
        expected_deg = hypot(found.uncertain_deg(was), *rounded)
        leans_deg = found.leans_deg(was)
    view_deg = _view_deg(settings, before.zoom_counts)
    return Realigned(
        position,
        before,
        after,
        _pixels(apart_deg(was, (pan_deg, tilt_deg)), view_deg),
        None if expected_deg is None else _pixels(expected_deg, view_deg),
        expected_deg,
        leans_deg,
        note,
        position.provisional and expected_deg is None and not framed,
    )


def _left(settings: CameraSettings, position: StoredPosition, why: str) -> Realigned:
    try:
        before = position.framing_for(settings.dialect)
    except DialectError as error:
        before, why = None, str(error)
    return Realigned(position, before, None, None, None, None, None, why, position.provisional)


def _angles(settings: CameraSettings, framing: Framing) -> Angles:
    dialect = settings.dialect
    return dialect.pan.degrees(framing.pan_counts), dialect.tilt.degrees(framing.tilt_counts)


def _view_deg(settings: CameraSettings, zoom_counts: int) -> float | None:
    """How wide the picture is, where that is known."""
    optics = settings.optics
    if optics is None:
        return None
    return angle_of_view_deg(optics.sensor.width_mm, optics.lens.focal_length_mm(zoom_counts))


def _pixels(deg: float, view_deg: float | None) -> float | None:
    return None if view_deg is None else deg / view_deg * PICTURE_PIXELS


def _ways(deg: float, above: str, below: str) -> str:
    return f"{abs(deg):.2f}° {above if deg >= 0 else below}"
