"""Whoever must go on is not held up by its log, whatever has become of that."""

from __future__ import annotations

import os
from threading import Thread

from ptzd.logs import Unhindered


def test_where_there_is_no_stderr_nothing_is_written_and_nothing_raised() -> None:
    Unhindered(None).write("the guard stops a camera\n")


def test_a_pipe_that_nobody_reads_holds_nobody_up() -> None:
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    try:
        while True:
            os.write(writing, bytes(4096))
    except BlockingIOError:
        os.set_blocking(writing, True)
    with os.fdopen(writing, "w") as stream:
        writer = Thread(target=Unhindered(stream).write, args=("the guard stops a camera\n",), daemon=True)
        writer.start()
        writer.join(5.0)
        held_up = writer.is_alive()
        os.close(reading)  # whoever still writes is let go
        writer.join(5.0)
    assert not held_up
