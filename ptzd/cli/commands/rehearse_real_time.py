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

from ptzd.bus.messages import CuesResult
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import CUE_STATE, KEPT_STATUS_SECONDS, Client, Payload, reach, refused, sent_at
from ptzd.cli.keys import BACK_KEY, END_KEY, GO_KEY, HELD, Presses, pressed, until_left
from ptzd.cli.output import Failure, complain, say
from ptzd.cli.sentences import amiss, go_lines, state_lines, warning_lines
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
        self._standing: Decimal | None = None
        self.changes_of_the_show: list[str] = []  # since it was read: sentences
        self.amiss: dict[str, list[str]] = {}  # by cue, as it came last: who was not ready or did not do its part
        self._read_anew = False

    def stands(self, number: str | None, now: float) -> KeptTime | None:
        """Take note of the standing cue (None before the first); return the time of a cue that came just now.

        Going back forgets the times of the cues that were gone back over.
        """
        cue = None if number is None else Decimal(number)
        before, self._standing = self._standing, cue
        if cue == before or self._read_anew:
            return None
        if cue is None or (before is not None and cue < before):
            gone_back_over = [index for other, index in self._indices.items() if cue is None or other > cue]
            for index in gone_back_over:
                self._came_at.pop(index, None)
            return None
        if cue not in self._indices:
            self.changes_of_the_show.append(f"cue {cue} came, which is not in the file as it was read")
            return None
        self._came_at[self._indices[cue]] = now
        return self._kept(self._indices[cue])

    def read_anew(self) -> None:
        """Take note that the daemon has read the file anew: what a number means from now on is not known here."""
        if not self._read_anew:
            self.changes_of_the_show.append("the daemon read the file anew, and what came after that was not timed")
        self._read_anew = True

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


def run_in_real_time(show: ShowFile, broker: BrokerAddress, path: Path, text: str, source: Path) -> bool:
    """Run a show from its first cue, and write a copy of its `text` from `source` with the times that it took.

    Return whether it went as the file has it. Raises Failure where the daemon can't run it or the copy can't be
    written. However it ends, what was timed is kept, and what went amiss is told.
    """
    times = Times(show)
    try:
        asyncio.run(_run(show, broker, times, source))
    except (Failure, KeyboardInterrupt):
        _tell_what_went_amiss(times)
        if times.changes():
            keep_times(path, text, times.changes(), source)
        raise
    as_written = _tell_what_went_amiss(times)
    keep_times(path, text, times.changes(), source)
    return as_written


def _tell_what_went_amiss(times: Times) -> bool:
    """Tell in which cues a camera was not ready, and how the show was changed; return whether nothing is to be told."""
    for cue, sentences in times.amiss.items():
        complain(f"Cue {cue} did not come about as written: {'; '.join(sentences)}.")
    if times.changes_of_the_show:
        complain(f"The show was changed meanwhile: {'; '.join(dict.fromkeys(times.changes_of_the_show))}.")
    return not any((times.amiss, times.changes_of_the_show))


def keep_times(path: Path, text: str, changes: Sequence[Change], source: Path) -> None:
    """Write a copy of a show's text with its new times. Raises Failure where it can't be, and tells the times."""
    if not changes:
        raise Failure(
            "There are no times to keep: no cue without a fixed time was run right after the one before it in the file."
        )
    taken = ", ".join(f"{change.value:g} s" for change in changes)
    try:
        write_copy(path, edited(text, changes), source=source)
    except (OSError, TextFileError, ValueError) as error:
        raise Failure(f"{path} can't be written ({error}); the times taken were {taken}.") from None
    say(f"{path} is a copy with {len(changes)} time{'' if len(changes) == 1 else 's'} as taken just now.")


async def _run(show: ShowFile, broker: BrokerAddress, times: Times, source: Path) -> None:
    presses = Presses()
    async with reach(broker) as client, pressed() as keys:
        await client.require_daemon()
        await client.listen([CUE_STATE])
        await _require_show(client, show, source)
        await _require_as_it_is(client, show, source)
        if sys.stdin.isatty():
            say(_what_begins(show))
            _pass_over(keys, presses)
            await until_left(_hear_nothing(client), leave=_wait_for_begin(keys, presses))
            await _require_as_it_is(client, show, source)  # that may have been long ago
        await client.ask("cue/jump", {"number": number_text(show.cue[0].number)})
        times.began_at = asyncio.get_running_loop().time()
        await client.ask("cue/standby", {"sent_at": sent_at()})
        if sys.stdin.isatty():
            _pass_over(keys, presses)  # nobody knew yet that they would be a go
        say("Enter is go, b is back, q ends it and keeps the times.")
        await until_left(_hear(client, show, times), leave=_press(client, keys, presses))


async def _require_show(client: Client, show: ShowFile, source: Path) -> None:
    """Raise Failure where the daemon has another show loaded: that would be what moves."""
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


async def _require_as_it_is(client: Client, show: ShowFile, source: Path) -> None:
    """Raise Failure where the daemon has loaded another version of the show."""
    loaded = (await client.ask("cue/list", {}))["result"]
    if loaded != CuesResult.of(show).model_dump(mode="json"):
        raise Failure(
            f"The daemon has loaded {show.show.name} otherwise than it is in {source}: have its file read anew with "
            "`ptzd cue load`, or rehearse the file that it runs."
        )


def _what_begins(show: ShowFile) -> str:
    first = show.cue[0]
    moves = [f"{move.camera} to {move.position}" for move in first.move if not move.on_air]
    sent = f"and sends {', '.join(moves)}, for cue {number_text(first.number)}" if moves else "and moves no camera yet"
    return f"Enter begins {sent}; q leaves."


async def _wait_for_begin(keys: asyncio.Queue[str], presses: Presses) -> None:
    """Wait for Enter. Raises Failure where it is left instead."""
    while (key := await keys.get()) != GO_KEY or presses.again(key, asyncio.get_running_loop().time()):
        if key == END_KEY:
            raise Failure("It was not begun: nothing was moved, and there are no times to keep.")


async def _hear_nothing(client: Client) -> None:
    """Pass over all that is said. Raises Failure where the daemon goes away."""
    while True:
        await client.hear()


def _pass_over(keys: asyncio.Queue[str], presses: Presses) -> None:
    """Take the keys that have come by now for none; one that is held on is none either."""
    while not keys.empty():
        presses.again(keys.get_nowait(), asyncio.get_running_loop().time())


async def _press(client: Client, keys: asyncio.Queue[str], presses: Presses) -> None:
    """Pass keys on until the last. What becomes of them is heard."""
    while (key := await keys.get()) != END_KEY:
        if again := presses.again(key, asyncio.get_running_loop().time()):
            if again == 1 and key in (GO_KEY, BACK_KEY):
                say(HELD)
        elif key == GO_KEY:
            await client.publish("cue/go", {"sent_at": sent_at()})
        elif key == BACK_KEY:
            await client.publish("cue/back", {"sent_at": sent_at()})
    await asyncio.sleep(LAST_WORDS_SECONDS)


async def _hear(client: Client, show: ShowFile, times: Times) -> None:
    """Tell what becomes of each key, and ask for standby after each cue."""
    loop = asyncio.get_running_loop()
    asked_for: str | None = None  # the cue whose standby was asked for last

    async def ask_for_standby(state: Payload) -> bool:
        nonlocal asked_for
        if state["next"] is None or state["standby"] or state["next"]["number"] == asked_for:
            return False
        asked_for = state["next"]["number"]
        await client.publish("cue/standby", {"sent_at": sent_at()})
        return True

    state: Payload = {"next": None}
    while True:
        heard = await client.hear()
        if heard.topic == "outcome" and heard.payload.get("ok") is False:
            complain(refused(heard.payload).message)
        elif heard.topic == "outcome":
            result = heard.payload.get("result") or {}
            say(*go_lines(result))
            for line in warning_lines(result):
                complain(line)
            topic = str(heard.payload.get("topic"))
            if topic.endswith("cue/load"):
                times.read_anew()
            elif topic.endswith(("cue/write", "cue/remove")):
                times.changes_of_the_show.append("cues were written or taken out, which the copy does not have")
            elif result.get("counted"):
                times.amiss.pop(number := str(result["cue"]["number"]), None)
                if sentences := amiss(result):
                    times.amiss[number] = sentences
                await ask_for_standby(state)  # of a cue that is not known here too
        elif heard.topic == CUE_STATE:
            state = heard.payload
            standing = state["standing"]
            came = times.stands(None if standing is None else str(standing["number"]), loop.time())
            if came is None and not state["standby"]:
                asked_for = None  # it was taken back, by going back or a jump
            if came is not None:
                cue = show.cue[came.cue_index]
                say(
                    f"cue {number_text(cue.number)}{f' ({cue.label})' if cue.label else ''} came after "
                    f"{came.seconds:.1f} s; expected were {came.expected_seconds:.1f} s"
                )
                if await ask_for_standby(state):
                    continue  # who is ready is told when that has been done
            say(*state_lines(state))
