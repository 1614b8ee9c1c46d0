"""What `ptzd rehearse --real-time` does: the show is run through the daemon, go by go, and its times are kept.

The cameras are whatever the daemon speaks to: the show's own, or simulated ones (`ptzsim`). Somebody gives each go by a
key here, or at any other desk; what counts is when the daemon says that a cue stands.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import CUE_STATE, KEPT_STATUS_SECONDS, Client, reach, refused, sent_at
from ptzd.cli.keys import BACK_KEY, END_KEY, GO_KEY, pressed, until_left
from ptzd.cli.output import Failure, complain, say
from ptzd.cli.sentences import go_lines, state_lines
from ptzd.files import Change, ShowFile, TextFileError, cue_times, edited, number_text, write_copy

GRAIN_SECONDS = 0.1  # of the times that are kept: people aren't more exact
LAST_WORDS_SECONDS = 0.5  # in which the last key's outcome is still heard


@dataclass(frozen=True, slots=True)
class KeptTime:
    """How long after the one before it (or the start) a cue came, and was expected to."""

    cue_index: int
    expected_seconds: float
    seconds: float


class Times:
    """When each cue of a show came, as its standing cue tells. Seconds are the event loop's."""

    def __init__(self, show: ShowFile, began_at: float = 0.0) -> None:
        self._show = show
        self.began_at = began_at
        self._indices = {Decimal(number_text(cue.number)): index for index, cue in enumerate(show.cue)}
        self._came_at: dict[int, float] = {}
        self._standing: int | None = None

    def stands(self, number: str | None, now: float) -> KeptTime | None:
        """Take note of the standing cue (None before the first); return the time of a cue that came just now.

        Going back forgets the times of the cues that were gone back over.
        """
        index = None if number is None else self._indices.get(Decimal(number))
        before, self._standing = self._standing, index
        if index is None or (before is not None and index < before):
            last = -1 if index is None else index
            self._came_at = {cue: at for cue, at in self._came_at.items() if cue <= last}
            return None
        if index == before:
            return None
        self._came_at[index] = now
        return self._kept(index)

    def kept(self) -> list[KeptTime]:
        """Return the times of all cues that came right after the one before them."""
        return [kept for index in sorted(self._came_at) if (kept := self._kept(index)) is not None]

    def changes(self) -> list[Change]:
        """Return what is to be changed in the show: a cue at a fixed time into the show keeps it."""
        return [
            Change(kept.cue_index, None, "expected" if cue.on_call else "after", kept.seconds)
            for kept in self.kept()
            if (cue := self._show.cue[kept.cue_index]).at is None
        ]

    def _kept(self, index: int) -> KeptTime | None:
        since = self.began_at if index == 0 else self._came_at.get(index - 1)
        if since is None:
            return None
        seconds = round((self._came_at[index] - since) / GRAIN_SECONDS) * GRAIN_SECONDS
        return KeptTime(index, cue_times(self._show)[index].gap_seconds, round(seconds, 1))


def run_in_real_time(show: ShowFile, broker: BrokerAddress, path: Path, text: str, source: Path) -> None:
    """Run a show from its first cue, and write a copy of its `text` from `source` with the times that it took.

    Raises Failure where the daemon can't run it or the copy can't be written. However it ends, what was timed is kept.
    """
    times = Times(show)
    try:
        asyncio.run(_run(show, broker, times))
    except (Failure, KeyboardInterrupt):
        if times.changes():
            keep_times(path, text, times.changes(), source)
        raise
    keep_times(path, text, times.changes(), source)


def keep_times(path: Path, text: str, changes: Sequence[Change], source: Path) -> None:
    """Write a copy of a show's text with its new times. Raises Failure where it can't be, and tells the times."""
    if not changes:
        raise Failure("No cue came right after another, so there are no times to keep.")
    taken = ", ".join(f"{change.value:g} s" for change in changes)
    try:
        write_copy(path, edited(text, changes), source=source)
    except (OSError, TextFileError, ValueError) as error:
        raise Failure(f"{path} can't be written ({error}); the times taken were {taken}.") from None
    say(f"{path} is a copy with {len(changes)} time{'' if len(changes) == 1 else 's'} as taken just now.")


async def _run(show: ShowFile, broker: BrokerAddress, times: Times) -> None:
    async with reach(broker) as client, pressed() as keys:
        await client.require_daemon()
        await client.listen([CUE_STATE])
        await _require_show(client, show)
        await client.ask("cue/jump", {"number": number_text(show.cue[0].number)})
        times.began_at = asyncio.get_running_loop().time()
        await client.ask("cue/standby", {"sent_at": sent_at()})
        if sys.stdin.isatty():
            while not keys.empty():  # nobody knew yet that they would be a go
                keys.get_nowait()
        say("Enter is go, b is back, q ends it and keeps the times.")
        await until_left(_hear(client, show, times), leave=_press(client, keys))


async def _require_show(client: Client, show: ShowFile) -> None:
    try:
        async with asyncio.timeout(KEPT_STATUS_SECONDS):
            while (heard := await client.hear()).topic != CUE_STATE:
                pass
    except TimeoutError:
        raise Failure(
            "The daemon has no cue list; name the show file in its configuration under [show] file, and start it again."
        ) from None
    if heard.payload["show"] != show.show.name:
        raise Failure(
            f"The daemon runs the show {heard.payload['show']}, not {show.show.name}; give it this show file."
        )


async def _press(client: Client, keys: asyncio.Queue[str]) -> None:
    """Pass keys on until the last. What becomes of them is heard."""
    while (key := await keys.get()) != END_KEY:
        if key == GO_KEY:
            await client.publish("cue/go", {"sent_at": sent_at()})
        elif key == BACK_KEY:
            await client.publish("cue/back", {"sent_at": sent_at()})
    await asyncio.sleep(LAST_WORDS_SECONDS)


async def _hear(client: Client, show: ShowFile, times: Times) -> None:
    """Tell what becomes of each key, and ask for standby after each cue."""
    loop = asyncio.get_running_loop()
    while True:
        heard = await client.hear()
        if heard.topic == "outcome" and heard.payload.get("ok") is False:
            complain(refused(heard.payload).message)
        elif heard.topic == "outcome":
            say(*go_lines(heard.payload.get("result") or {}))
        elif heard.topic == CUE_STATE:
            standing = heard.payload["standing"]
            came = times.stands(None if standing is None else str(standing["number"]), loop.time())
            if came is not None:
                cue = show.cue[came.cue_index]
                say(
                    f"cue {number_text(cue.number)}{f' ({cue.label})' if cue.label else ''} came after "
                    f"{came.seconds:.1f} s; expected were {came.expected_seconds:.1f} s"
                )
                if heard.payload["next"] is not None and not heard.payload["standby"]:
                    await client.publish("cue/standby", {"sent_at": sent_at()})
                    continue  # who is ready is told when that has been done
            say(*state_lines(heard.payload))
