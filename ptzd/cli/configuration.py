"""Reading the configuration file, with every mistake in it told at once."""

from __future__ import annotations

from pathlib import Path

from ptzd.config import Config, TextFileError, load_config

from .output import Misuse


def read_configuration(path: Path) -> Config:
    """Return the configuration in `path`. Raises Misuse with one line for each mistake."""
    try:
        return load_config(path)
    except TextFileError as error:
        raise Misuse(*(f"{path}: {mistake}" for mistake in error.mistakes)) from None
    except OSError as error:
        reason = (error.strerror or "it can't be read").lower()
        raise Misuse(f"The configuration {path} can't be read ({reason}); name a TOML file that exists.") from None
