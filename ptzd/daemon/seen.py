"""What cameras see, and what is kept of it with their positions."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from ptzd.cameras import Camera
from ptzd.line import Framing, alike
from ptzd.pictures import Pictures, still_of
from ptzd.positions import PositionStore
from ptzd.refusal import Refusal

from .advice import unknown

JPEG = "image/jpeg"
LATE_SECONDS = 0.5  # how old what a picture shows may be when it is asked for: cameras and encoders are late; assumed

MediaFile = tuple[str, bytes]  # its media type, and its bytes


@dataclass(eq=False, frozen=True)
class Seen:
    """Pictures of all cameras, and the stills of their positions. No move or stop ever waits for one."""

    cameras: Mapping[str, Camera]
    pictures: Pictures
    kept: PositionStore

    def sees(self, camera: str) -> bool:
        """Whether a camera has a picture address."""
        return self.pictures.has(camera)

    async def now(self, camera: str) -> MediaFile:
        """Return what a camera sees now, or for one without a picture address a chart of its reach.

        The chart shows where it can look, where its positions lie and where it looks now. Raises Refusal `no-picture`,
        and `unknown-camera`.
        """
        if self.sees(camera):
            return JPEG, (await self.pictures.now(camera)).jpeg
        if (one := self.cameras.get(camera)) is None:
            raise Refusal("unknown-camera", unknown("camera", camera, self.cameras))
        from ptzd.report import chart  # which a show without the page never needs

        drawn = chart(one.settings, self.kept.positions(camera), one.state().framing)
        return "image/svg+xml", drawn.encode()

    async def still(self, camera: str, position: str, number: int | None = None) -> MediaFile | None:
        """Return what is kept of a position, or of the framing `number` in its history; None without a still.

        Raises Refusal `unknown`.
        """
        jpeg = await self.kept.still(camera, position, number)
        return None if jpeg is None else (JPEG, jpeg)

    async def still_standing(self, camera: Camera, framing: Framing) -> bytes:
        """Return a picture, as it is kept, of a camera that stands in a framing, and still does afterwards.

        Raises Refusal where there is none, or the camera moved meanwhile.
        """
        await asyncio.sleep(LATE_SECONDS)
        picture = await self.pictures.now(camera.name, since=asyncio.get_running_loop().time())
        if camera.moving or not alike(await camera.read_framing(), framing):
            raise Refusal("moving", f"camera {camera.name} moved while its picture was taken")
        try:
            return await self.pictures.beside(partial(still_of, picture.jpeg))
        except ValueError as error:
            raise Refusal("no-picture", f"there is no picture of camera {camera.name}: {error}") from None
