"""What cameras see, and what was kept of it, as whoever looks at pictures wants it."""

from __future__ import annotations

from collections.abc import Mapping

from ptzd.cameras import Camera
from ptzd.pictures import Pictures

JPEG = "image/jpeg"
MediaFile = tuple[str, bytes]  # its media type, and its bytes


class Seen:
    """Pictures of all cameras."""

    def __init__(self, cameras: Mapping[str, Camera], pictures: Pictures) -> None:
        self._cameras = cameras
        self._pictures = pictures

    async def now(self, camera: str) -> MediaFile | None:
        """Return what a camera sees now; None for one that has no picture address. Raises Refusal `no-picture`."""
        if not self._pictures.has(camera):
            return None
        return JPEG, (await self._pictures.now(camera)).jpeg

    async def still(self, camera: str, position: str, number: int | None = None) -> MediaFile | None:
        """Return what is kept of a position, or of the framing `number` in its history; None without a still."""
        return None
