"""From the configuration to what the daemon is made of."""

from __future__ import annotations

import asyncio
import random
import socket
import time
from datetime import UTC, datetime
from pathlib import Path

import structlog

from ptzd import links
from ptzd.bus import BrokerSettings, Holding, MqttBus, StatusMessage, Topics
from ptzd.cameras import CameraSettings, Optics, OwnMemories, Window, reach_of
from ptzd.config import CameraConfig, Config
from ptzd.files import ShowFile, TextFileError, read_show_file
from ptzd.guard import Guarded
from ptzd.line import Tolerance
from ptzd.motion import (
    ON_A_RAIL,
    ON_A_TRIPOD,
    HeadFileError,
    HeadModel,
    Lens,
    SecondsAcross,
    Sensor,
    lens_between,
    published_head,
)
from ptzd.pictures import PictureAddress
from ptzd.positions import read_head_file
from ptzd.visca import Dialect, dialect_named

log = structlog.get_logger()


class StartError(Exception):
    """The daemon can't start; the text is one sentence on why and what to do."""


class StoreInUseError(StartError):
    """Its store is in use by another daemon, which may well have the same cameras in its hands."""


async def places_of(config: Config) -> dict[str, frozenset[str]]:
    """Return where each camera's link leads. Raises StartError where two lead to one camera."""
    cameras = config.camera
    found = await asyncio.gather(*(asyncio.to_thread(links.places, camera.link) for camera in cameras.values()))
    leads = dict(zip(cameras, found, strict=True))
    if pair := links.alike(leads):
        one, other = pair
        raise StartError(
            f"camera {one} ({cameras[one].link}) and camera {other} ({cameras[other].link}) are at one and the same "
            "place: give each camera its own; two would fight over one, and no lock of one would hold the other"
        )
    return leads


def calendar() -> datetime:
    """The one clock for dates that people read."""
    return datetime.now(UTC)


def camera_settings(name: str, config: CameraConfig, kept: Path | None = None) -> CameraSettings:
    """Return what the camera needs of its table in the configuration.

    The head is as it was learned, in the file that the configuration names or else in `kept`, if there is one; or else
    as the dialect's tables have it. Raises DialectError or HeadFileError.
    """
    dialect = dialect_named(config.dialect)
    pan = tilt = config.tolerance_counts
    if config.tolerance_deg is not None:
        pan = max(1, dialect.pan.counts(config.tolerance_deg))
        tilt = max(1, dialect.tilt.counts(config.tolerance_deg))
    return CameraSettings(
        name=name,
        dialect=dialect,
        head=_head(name, config, dialect, kept),
        speed=config.speed,
        tolerance=Tolerance(pan, tilt, config.tolerance_counts, config.tolerance_counts),
        on_air_moves=config.on_air_moves,
        on_air_speed=config.on_air_speed,
        optics=_optics(dialect, config),
        window=_window(dialect, config),
        seconds_across=SecondsAcross(config.seconds_across.fine, config.seconds_across.fast),
        memories=None if config.memories is None else OwnMemories(config.memories.count, config.memories.speed),
        overhead=config.overhead,
        strange_motion=config.moved_by_others,
    )


def settings_with_head(name: str, config: CameraConfig, kept: Path) -> tuple[CameraSettings, str | None]:
    """Return what the camera needs, and a sentence where what was learned of its head can't be read and is left out.

    Raises as `camera_settings` does for what the configuration itself names.
    """
    try:
        return camera_settings(name, config, kept), None
    except HeadFileError as error:
        return camera_settings(name, config), f"camera {name} goes by its dialect's tables, since {error}"


def _window(dialect: Dialect, config: CameraConfig) -> Window | None:
    if config.window is None:
        return None
    reach = reach_of(dialect)
    return Window(config.window.pan_deg or reach.pan_deg, config.window.tilt_deg or reach.tilt_deg)


def _optics(dialect: Dialect, config: CameraConfig) -> Optics | None:
    if config.sensor is None or config.focal_length is None:
        return None
    first, second = config.focal_length[:2]
    if isinstance(first, tuple) or isinstance(second, tuple):
        lens = Lens(tuple(point for point in config.focal_length if isinstance(point, tuple)))
    elif first < second:
        lens = lens_between(first, second, dialect.zoom.ratios)
    else:
        return None  # a fixed lens: nothing relates its one focal length to zoom counts
    return Optics(Sensor(*config.sensor).picture, lens, config.frame_rate)


def _head(name: str, config: CameraConfig, dialect: Dialect, kept: Path | None) -> HeadModel:
    path = config.head_model or kept
    learned = None if path is None else read_head_file(path)
    if learned is not None and learned.dialect == dialect.name:
        return learned.model
    if learned is not None:
        log.warning("learned in another dialect, so not used", camera=name, learned_in=learned.dialect)
    return published_head(
        dialect.pan.steps_deg_per_s,
        dialect.tilt.steps_deg_per_s,
        shared_speed=dialect.absolute == "shared-speed",
        settle=ON_A_TRIPOD if config.mount == "tripod" else ON_A_RAIL,
        renewal=dialect.renewal,
    )


def seconds() -> float:
    """Return the time by which a standstill is noticed: the loop's own stands still in a sleep."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def bus_of(config: Config, rng: random.Random) -> MqttBus:
    """Return the bus behind the broker of the configuration. Raises StartError."""
    broker = config.broker
    try:
        password = None if broker.password_file is None else secret_in(broker.password_file, "password")
        settings = BrokerSettings(broker.host, broker.port, broker.protocol, broker.username, password, broker.ca_file)
        return MqttBus(
            settings,
            Topics(broker.base_topic),
            offline=StatusMessage(state="offline").encode(),
            cameras=config.camera,
            rng=rng,
            holding=Holding(host=socket.gethostname(), since=calendar(), token=f"{rng.getrandbits(128):032x}"),
            clock=seconds,
        )
    except (OSError, ValueError) as error:
        raise StartError(f"the broker's settings can't be used: {error}") from None


def picture_addresses(config: Config) -> dict[str, PictureAddress]:
    """Return where the pictures of those cameras are that have some. Raises StartError."""
    addresses = {}
    for name, camera in config.camera.items():
        if camera.picture is not None:
            file = camera.picture_password_file
            password = None if file is None else secret_in(file, "password")
            addresses[name] = PictureAddress(camera.picture, camera.picture_username, password)
    return addresses


def secret_in(path: Path, what: str) -> str:
    """Return the first line of a file. `what` it is, such as a password, is told in the StartError of one unread."""
    try:
        return path.read_text("utf-8").split("\n", 1)[0].rstrip("\r")
    except (OSError, UnicodeDecodeError) as error:
        reason = (error.strerror or "unknown error").lower() if isinstance(error, OSError) else "it is not UTF-8"
        raise StartError(
            f"the {what} file {path} can't be read ({reason}): name a text file that the user of ptzd may read; "
            f"as a service, give it the {what} as systemd's credential ptzd-{what}"
        ) from None


def guarded(config: Config) -> list[Guarded]:
    """Return the cameras as the guard is to know them."""
    return [Guarded(name, str(each.link), each.dialect) for name, each in config.camera.items()]


def show_of(config: Config) -> ShowFile | None:
    """Return the show whose cues are run, where the configuration names one. Raises StartError."""
    if config.show is None:
        return None
    try:
        return read_show_file(config.show.file)
    except TextFileError as error:
        raise StartError(f"the show file {config.show.file} has mistakes: {error}") from None
