"""Reading the configuration file, and others that people write, with every mistake in them told at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from ptzd.config import BrokerConfig, Config, broker_config, load_config
from ptzd.files import TextFileError

from .output import Misuse

T = TypeVar("T")


@contextmanager
def mistakes_told(path: Path) -> Iterator[None]:
    """Raise Misuse with one line for each mistake that is found in a text file."""
    try:
        yield
    except TextFileError as error:
        raise Misuse(*(f"{path}: {mistake}" for mistake in error.mistakes)) from None


def read_configuration(path: Path) -> Config:
    """Return the configuration in `path`. Raises Misuse with one line for each mistake."""
    return _read(path, load_config)


def read_broker(path: Path) -> BrokerConfig:
    """Return the broker that the configuration in `path` names, whatever else is wrong in it: a stop must reach it."""
    return _read(path, broker_config)


def _read(path: Path, read: Callable[[Path], T]) -> T:
    try:
        with mistakes_told(path):
            return read(path)
    except OSError as error:
        reason = (error.strerror or "it can't be read").lower()
        raise Misuse(f"The configuration {path} can't be read ({reason}); name a TOML file that exists.") from None
