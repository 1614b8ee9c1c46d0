"""Files that a command writes: wholly or not at all, and never in the place of one that it was read from."""

from __future__ import annotations

from pathlib import Path

from ptzd.files import replace_text

from .output import Failure, Misuse


def require_no_source(path: Path | None, *sources: Path | None) -> None:
    """Raise Misuse where a file that is to be written is one of those that the work is done from."""
    there = [source for source in sources if source is not None and source.exists()]
    if path is not None and path.exists() and any(path.samefile(source) for source in there):
        raise Misuse(f"{path} is what this is reckoned from; name another file.")


def require_new(path: Path | None) -> None:
    """Raise Misuse where a file that is to be new is there."""
    if path is not None and path.exists():
        raise Misuse(f"There is a file {path} already, and it is not written over; name another.")


def write_text(path: Path, text: str, *, new: bool = False) -> None:
    """Put a text in the place of what a file held. Raises Failure, also where it is to be `new` and is there."""
    there = path.exists()
    try:
        if path.is_file() and not new:
            replace_text(path, text)
        else:
            with path.open("x" if new else "w", encoding="utf-8") as file:
                file.write(text)
    except OSError as error:
        if not there:
            path.unlink(missing_ok=True)
        raise unwritable(path, error) from None


def unwritable(path: Path, error: OSError) -> Failure:
    """Return the failure that says that a file can't be written."""
    reason = (error.strerror or "unknown error").lower()
    return Failure(f"{path} can't be written ({reason}); name a file in a folder that you may write to.")
