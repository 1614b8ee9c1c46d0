"""Keys, one by one and at once: what commands do that somebody sits in front of.

A terminal tells of a key that is pressed, and again while it is held; never of one that is let go.
"""

from __future__ import annotations

import asyncio
import codecs
import os
import re
import sys
import termios
import tty
from collections.abc import AsyncIterator, Awaitable, Iterator
from contextlib import asynccontextmanager, contextmanager
from math import inf

from .output import Failure

STOP_KEY = " "  # the largest key stops, wherever anything here moves cameras, and never does anything else
# The keys of a running show, at the cue desk and in a rehearsal in real time.
GO_KEY, BACK_KEY, END_KEY = "enter", "b", "q"
STANDBY_KEY, PLACES_KEY, HOLD_KEY = "s", "p", "h"  # at the desk alone

HELD_SECONDS = 0.7  # keyboards wait less before they repeat a key that is held: no such press was meant
HELD = "The key was held, or pressed again at once: that counts once."
ALONE_SECONDS = 0.1  # after which nothing more of one key is on its way: Escape was pressed by itself
AGAIN_SECONDS = 0.1  # Python 3.11 loses a cancellation that meets the very moment in which what is waited for comes
_NAMED = {"\r": "enter", "\n": "enter"}
_ARROWS = {"A": "up", "B": "down", "C": "right", "D": "left"}
# A key that is no letter (ECMA-48: CSI and its parameters; SS3), or a letter with Alt: whole, or as far as it has come.
_WHOLE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*([@-~])|O([ -~])|[^\[O\x1b])", re.DOTALL)
_BEGUN = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?")


class Spelling:
    """Puts together what a terminal sends of each key, in as many pieces as it comes."""

    def __init__(self) -> None:
        self._begun, self._at = "", 0.0

    def keys(self, text: str, now: float) -> list[str]:
        """Return the keys that are whole by now: letters as they are, "enter" and arrows by name, no others."""
        if self._begun == "\x1b" and now - self._at > ALONE_SECONDS:
            self._begun = ""
        text, self._begun, self._at = self._begun + text, "", now
        found, at = [], 0
        while at < len(text):
            if text[at] != "\x1b":
                found.append(_NAMED.get(text[at], text[at]))
                at += 1
            elif whole := _WHOLE.match(text, at):
                if whole.end() - at == 3 and (arrow := _ARROWS.get(whole[1] or whole[2])) is not None:
                    found.append(arrow)
                at = whole.end()
            elif (begun := _BEGUN.fullmatch(text, at)) is not None:
                self._begun, at = begun[0], len(text)
            else:
                at += 1
        return found


class Presses:
    """Tells the presses that are meant from those that a keyboard makes of one while it is held."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[float, int]] = {}  # when each key came, and how often again by then

    def again(self, key: str, now: float) -> int:
        """Return how often a key that comes now has come again at once; 0 for a press that is meant."""
        at, before = self._last.get(key, (-inf, 0))
        count = before + 1 if now - at < HELD_SECONDS else 0
        self._last[key] = now, count
        return count


@asynccontextmanager
async def pressed() -> AsyncIterator[asyncio.Queue[str]]:
    """Yield the keys that are pressed, one by one and at once; the end of the input is END_KEY.

    Raises Failure where nobody can press any.
    """
    keys: asyncio.Queue[str] = asyncio.Queue()
    loop = asyncio.get_running_loop()
    file, spelling, decoder = sys.stdin.fileno(), Spelling(), codecs.getincrementaldecoder("utf-8")("replace")

    def read() -> None:
        pressed = os.read(file, 1024)
        for key in spelling.keys(decoder.decode(pressed), loop.time()):
            keys.put_nowait(key)
        if not pressed:
            keys.put_nowait(END_KEY)
            loop.remove_reader(file)

    with _each_key_at_once(file):
        try:
            loop.add_reader(file, read)
        except OSError:  # a file or the null device, on which nobody presses anything
            raise Failure(
                "Nobody can press a key here; run it on a terminal, or feed it keys through a pipe."
            ) from None
        try:
            yield keys
        finally:
            loop.remove_reader(file)


def require_terminal(instead: str) -> None:
    """Raise Failure, with what to do `instead`, where nobody sits in front of this."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise Failure(f"This is for somebody at a terminal; {instead}.")


async def until_left(*work: Awaitable[None], leave: Awaitable[None]) -> None:
    """Do all of some work until whoever presses keys has left. Raises the first failure of any."""

    async def do(one: Awaitable[None]) -> None:
        await one

    try:
        async with asyncio.TaskGroup() as tasks:
            working = [tasks.create_task(do(one)) for one in work]
            await leave
            while working := [task for task in working if not task.done()]:
                for task in working:
                    task.cancel()
                await asyncio.wait(working, timeout=AGAIN_SECONDS)
    except ExceptionGroup as failures:
        raise failures.exceptions[0] from None


@contextmanager
def _each_key_at_once(file: int) -> Iterator[None]:
    """Let a terminal pass on a key without waiting for Enter, and put it back as it was."""
    if not os.isatty(file):
        yield
        return
    before = termios.tcgetattr(file)
    tty.setcbreak(file)
    try:
        yield
    finally:
        termios.tcsetattr(file, termios.TCSADRAIN, before)
