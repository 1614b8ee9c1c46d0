"""Looking on for as long as somebody wants to, through restarts of the daemon and of the broker."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from contextlib import suppress

from .broker import BrokerAddress
from .client import Client, reach
from .output import Failure, complain

AGAIN_SECONDS = 1.0  # between two attempts to reach a broker that has gone


Show = Callable[[Client], Awaitable[None]]


def look_on(broker: BrokerAddress, seconds: float | None, topics: Iterable[str], show: Show) -> None:
    """Look on as `_watching` does, until Ctrl-C at most. Raises Failure as it does."""
    with suppress(KeyboardInterrupt):
        asyncio.run(_watching(broker, seconds, topics, show))


async def _watching(broker: BrokerAddress, seconds: float | None, topics: Iterable[str], show: Show) -> None:
    """Listen to topics and let `show` say what it hears, for so many seconds or without end.

    It is called anew with each connection. A daemon that is not online is waited for, and so is a broker that goes
    away; both is told on stderr. Raises Failure where no broker answers at the beginning, and at the end where no
    daemon was seen.
    """
    loop = asyncio.get_running_loop()
    until: float | None = None
    reached = seen = False
    lost: Failure | None = None
    while until is None or loop.time() < until:
        try:
            async with reach(broker) as client:
                await client.status()
                reached, lost = True, None
                if until is None and seconds is not None:
                    until = loop.time() + seconds
                if not client.online:
                    complain(f"{client.offline().message} Waiting for one.")
                try:
                    with suppress(TimeoutError):
                        async with asyncio.timeout_at(until):
                            await client.listen(topics)
                            await show(client)
                finally:
                    seen = seen or client.was_online
        except Failure as failure:
            if not reached:
                raise
            if lost is None:
                complain(f"{failure.message} Trying again.")
            lost = failure
            await asyncio.sleep(AGAIN_SECONDS)
    if lost is not None:
        raise lost
    if not seen:
        raise client.offline()
