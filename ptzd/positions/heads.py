"""Learned heads on disk: a readable file for each camera, beside the show's store."""

from __future__ import annotations

import os
from pathlib import Path

from ptzd.motion import HeadFileError, LearnedHead, read_head, write_head
from ptzd.refusal import Refusal

from .disk import RunDisk, in_thread


class HeadFiles:
    """The folder that keeps what was learned of each camera's head."""

    def __init__(self, folder: Path, run_disk: RunDisk = in_thread) -> None:
        self._folder = folder
        self._run_disk = run_disk

    def path(self, camera: str) -> Path:
        """Where a camera's head is kept."""
        return self._folder / f"{camera}.head.toml"

    async def require_readable(self, camera: str) -> None:
        """Raise Refusal where what is kept of a camera can't be read: a head that is learned would take its place."""
        try:
            await self._run_disk(lambda: read_head_file(self.path(camera)))
        except HeadFileError as error:
            raise Refusal("disk", str(error)) from None

    async def keep(self, camera: str, head: LearnedHead) -> Path:
        """Write a head; return where. What was there before stays until the new file is whole. Raises Refusal."""
        path = self.path(camera)
        unfinished = path.with_suffix(".new")

        def work() -> None:
            with unfinished.open("w", encoding="utf-8") as file:
                file.write(write_head(head))
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(path)

        try:
            await self._run_disk(work)
        except OSError as error:
            raise Refusal("disk", f"what was learned of {camera} can't be kept in {path}: {error.strerror}") from None
        return path


def read_head_file(path: Path) -> LearnedHead | None:
    """Return the head in a file, None where there is no such file. For a start: it waits. Raises HeadFileError."""
    try:
        text = path.read_text("utf-8") if path.exists() else None
    except (OSError, UnicodeDecodeError) as error:
        raise HeadFileError(
            f"the head file {path} can't be read ({error}); move it away, then learn the head again"
        ) from None
    return None if text is None else read_head(text, str(path))
