"""The daemon's life: all is opened, it serves, and every camera comes to rest."""

from __future__ import annotations

import asyncio
import random
import sys
from collections.abc import Callable
from contextlib import AsyncExitStack
from functools import partial

import structlog

from ptzd import links
from ptzd.bus import Intake
from ptzd.cameras import CameraSettings
from ptzd.config import Config
from ptzd.cues import ONCE_WITHIN_SECONDS
from ptzd.guard import Keeper, called
from ptzd.links import Link
from ptzd.motion import HeadFileError
from ptzd.page import Hub
from ptzd.pictures import Pictures
from ptzd.positions import HeadFiles, PositionStore
from ptzd.refusal import Refusal
from ptzd.visca import DialectError

from .daemon import LOOK_AT_IT, Daemon
from .page import Overheard, open_page
from .setup import (
    StartError,
    StoreInUseError,
    bus_of,
    calendar,
    guarded,
    picture_addresses,
    places_of,
    seconds,
    settings_with_head,
    show_of,
)
from .showtext import ShowText
from .stall import Stall

GUARD_SECONDS = 5.0  # to come to life in
# After which a thread that sums lets the event loop go on. With Python's own 5 ms, whatever came during a rehearsal
# waited 5.4 ms (median) and up to 17; so it is 0.8 and 2.3, measured with 480 cues.
SWITCH_SECONDS = 0.0005

log = structlog.get_logger()


class NotAtRestError(Exception):
    """The daemon has ended, and cameras were not seen to come to rest; the text is one sentence that names them."""


async def run_daemon(config: Config, *, rng: random.Random, on_ready: Callable[[], None]) -> None:
    """Run the daemon until cancelled, and leave every camera at rest.

    Raises StartError if it can't start, HeldElsewhere where another daemon runs below its base, and NotAtRestError, in
    the place of either or of the cancellation, where a camera was not seen to come to rest.
    """
    sys.setswitchinterval(SWITCH_SECONDS)
    async with AsyncExitStack() as stack:
        try:
            store = await stack.enter_async_context(PositionStore.open(config.store.path, calendar=calendar))
        except Refusal as refusal:
            raise (StoreInUseError if refusal.code == "busy" else StartError)(refusal.sentence) from None
        heads = HeadFiles(config.store.path.parent)
        leads = await places_of(config)
        # Before any camera is spoken to: nothing is to move that nobody would stop.
        guard = await stack.enter_async_context(Keeper(guarded(config)))
        opened: dict[str, tuple[CameraSettings, Link]] = {}
        troubles: list[str] = []
        for name, camera in config.camera.items():
            try:
                link = await stack.enter_async_context(
                    links.open(camera.link, connected=partial(guard.hand_on, str(camera.link)))
                )
                settings, trouble = settings_with_head(name, camera, heads.path(name))
            except OSError as error:
                raise StartError(f"camera {name}: its link {camera.link} can't be opened: {error}") from None
            except (DialectError, HeadFileError) as error:
                raise StartError(f"camera {name}: {error}") from None
            opened[name] = (settings, link)
            if trouble is not None:
                troubles.append(trouble)
        show = show_of(config)
        pictures = await stack.enter_async_context(Pictures.open(picture_addresses(config)))
        mqtt = await stack.enter_async_context(bus_of(config, rng))
        hub = Hub(lambda: mqtt.connected)
        bus = Overheard(mqtt, hub)
        if not await guard.living(GUARD_SECONDS):
            log.error("the guard does not live yet; until then no camera makes a move that does not end by itself")
        await bus.hold()
        daemon = Daemon(
            links=opened,
            troubles=troubles,
            focus_by_itself=frozenset(name for name, each in config.camera.items() if each.focus == "auto"),
            store=store,
            bus=bus,
            intake=Intake(bus.topics, calendar=calendar, late_after_seconds=config.recall.late_after_seconds),
            calendar=calendar,
            heads=heads,
            rng=rng,
            guard=guard,
            show=show,
            pictures=pictures,
            off_air_untold=config.tally.source == "none",
            show_text=None if config.show is None else ShowText(config.show.file),
            beside=asyncio.to_thread,
            once_within_seconds=ONCE_WITHIN_SECONDS if config.show is None else config.show.once_within_seconds,
            stall=Stall(seconds),
        )
        guard.halted = daemon.left_by_guard
        await stack.enter_async_context(open_page(config, daemon, hub, bus.topics, daemon.seen))
        await stack.enter_async_context(called(partial(daemon.stop_at, leads), partial(daemon.tell_of, leads)))
        try:
            await daemon.run(on_ready)
        finally:
            if daemon.not_at_rest:
                names = ", ".join(daemon.not_at_rest)
                raise NotAtRestError(f"Not seen to come to rest: {names}; {LOOK_AT_IT}.")
