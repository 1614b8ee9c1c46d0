"""What one address tells of itself, and which dialects that fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ptzd import links
from ptzd.line.asking import Asker, Spacing, SpokenTo
from ptzd.links import Address, SerialAddress
from ptzd.visca import (
    Dialect,
    FastestSpeeds,
    FastestSpeedsInquiry,
    PanTiltPositionInquiry,
    Power,
    PowerInquiry,
    SlowModeInquiry,
    Version,
    VersionInquiry,
    ZoomInquiry,
    load_dialect,
)

from .check_dialect import PositionAsTold, Told

ANY = load_dialect("nibble4-51")  # what is asked is written alike in all


@dataclass(frozen=True, slots=True)
class Found:
    """Something that answers. What it did not tell is None."""

    address: Address
    strange: bytes | None = None  # what it said, where that is no camera's
    spoken_to: bool = False  # by somebody else, so that it was left alone
    version: Version | None = None
    power: Power | None = None
    fastest: FastestSpeeds | None = None
    position: bytes | None = None
    zoom_counts: int | None = None
    slow_mode: bool = False  # whether it knows what that is

    def fits(self, dialects: Sequence[Dialect]) -> list[Dialect]:
        """Return the dialects whose heads would tell the same, the likeliest first."""
        if self.position is None:
            return []
        told = Told(self.position, self.fastest)
        fitting = [each for each in dialects if told.unlike(each) is None]
        return sorted(fitting, key=lambda each: each.slow_mode != self.slow_mode)

    def sureness(self, fitting: Sequence[Dialect]) -> str:
        """Return how sure it is which dialect it has, in words."""
        if self.spoken_to:
            return "was not asked, since somebody else speaks to it"
        if not fitting:
            return "fits none that is known" if self.position is not None else "does not tell where it stands"
        first = fitting[0]
        if self.fastest is None:
            return f"may be {' or '.join(each.name for each in fitting)}: it does not tell its fastest steps"
        if len(fitting) == 1:
            return f"fits {first.name} alone"
        names = f"fits {len(fitting)}: {' and '.join(each.name for each in fitting)}"
        if fitting[1].slow_mode == first.slow_mode:
            return names
        knows = "knows a slow mode" if self.slow_mode else "knows no slow mode"
        return f"{names}; {first.name} is likelier, since it {knows}"

    def place(self, dialect: Dialect) -> tuple[float, float] | None:
        """Return where it stands in degrees, pan and tilt; None where it did not tell."""
        if self.position is None:
            return None
        place = PanTiltPositionInquiry().read(self.position, dialect)
        return dialect.pan.degrees(place.pan_counts), dialect.tilt.degrees(place.tilt_counts)


async def look_up(address: Address, spacing: Spacing) -> Found | None:
    """Ask what is at an address; None where nothing answers. Raises OSError for an unknown name, or device."""
    async with links.open(address) as link:
        asker = Asker(link, spacing)
        if not await asker.there(VersionInquiry(), ANY):
            if isinstance(address, SerialAddress) and link.trouble is not None:
                raise OSError(0, link.trouble)
            return None if asker.strange is None else Found(address, strange=asker.strange)
        try:
            version = await asker.ask(VersionInquiry(), ANY)
            power = await asker.ask(PowerInquiry(), ANY)
            fastest = await asker.ask(FastestSpeedsInquiry(), ANY)
            position = await asker.ask(PositionAsTold(), ANY)
            zoom_counts = await asker.ask(ZoomInquiry(), ANY)
            slow_mode = await asker.ask(SlowModeInquiry(), ANY)
            return Found(
                address,
                version=version,
                power=power,
                fastest=fastest,
                position=position,
                zoom_counts=zoom_counts,
                slow_mode=slow_mode is not None,
            )
        except SpokenTo:
            return Found(address, spoken_to=True)
