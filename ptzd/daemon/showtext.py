"""The show file on the disk, which people write with a text editor, too."""

from __future__ import annotations

import asyncio
from functools import partial
from pathlib import Path

from ptzd.files import ShowFile, read_show_file, replace_text, text_of
from ptzd.positions import RunDisk, in_thread
from ptzd.refusal import Refusal


class ShowText:
    """A show file's text. Whoever reads it to act upon it holds `alone` until that is done."""

    def __init__(self, path: Path, run_disk: RunDisk = in_thread) -> None:
        self._path = path
        self._run_disk = run_disk
        self.alone = asyncio.Lock()

    async def read(self) -> str:
        """Return the text. Raises TextFileError."""
        return await self._run_disk(partial(text_of, self._path))

    async def read_show(self) -> ShowFile:
        """Return the show in it. Raises TextFileError."""
        return await self._run_disk(partial(read_show_file, self._path))

    async def write(self, text: str) -> None:
        """Put a text in its place, wholly or not at all. Raises Refusal."""
        try:
            await self._run_disk(partial(replace_text, self._path, text))
        except OSError as error:
            reason = (error.strerror or "unknown error").lower()
            raise Refusal(
                "disk",
                f"the show file {self._path} can't be written ({reason}): it is as it was; let the user that runs ptzd "
                "write into its folder",
            ) from None
