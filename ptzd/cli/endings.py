"""How a command that moves cameras is ended: by signals, in good order, and though its terminal was closed.

Who closes a terminal sends SIGHUP, and from then on every write to that terminal fails with EIO. A line of the log that
can't be written must not break the ending, which brings the cameras to rest.
"""

from __future__ import annotations

import asyncio
import errno
import os
import signal
import termios
from collections.abc import Callable

ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
MEANINGLESS = (signal.SIGUSR1, signal.SIGUSR2)  # unheeded, they would kill


def ignore_meaningless_signals() -> None:
    """Let the signals that mean nothing here do nothing."""
    for number in MEANINGLESS:
        signal.signal(number, signal.SIG_IGN)


def interrupt_by_signal() -> None:
    """Let every signal that asks for an end be to a command what Ctrl-C is: it stops what it set moving and then goes.

    One that was to be ignored, as under `nohup`, stays so.
    """

    def interrupt(number: int, frame: object) -> None:
        let_go_of_a_closed_terminal()
        signal.raise_signal(signal.SIGINT)

    for number in ENDING:
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, interrupt)


def end_by_signal(end: Callable[[], None]) -> None:
    """Call `end` once, in the running loop, at the first signal that asks for an end; later ones change nothing."""
    loop = asyncio.get_running_loop()
    told = False

    def heard() -> None:
        nonlocal told
        let_go_of_a_closed_terminal()
        if not told:
            told = True
            end()

    for number in ENDING:
        loop.add_signal_handler(number, heard)


def let_go_of_a_closed_terminal() -> None:
    """Let standard output and error lead nowhere where they led to a terminal that is closed."""
    for file in (1, 2):
        try:
            termios.tcgetattr(file)
        except termios.error as error:
            if error.args[0] == errno.EIO:  # ENOTTY is a file, a pipe or the journal
                lead_nowhere(file)


def lead_nowhere(file: int) -> None:
    """Let whatever is written to a file descriptor from now on vanish."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, file)
    os.close(nowhere)
