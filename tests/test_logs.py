"""Whoever must go on is not held up by its log, whatever has become of that."""

from __future__ import annotations

import io
import json
import logging
import os
import re
import sys
import time
from datetime import UTC, datetime, timedelta
from threading import Thread

import pytest
import structlog

from ptzd.logs import Unhindered, log_from

SAID = "the doors are open by 12° \x1b[2J"


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


@pytest.mark.parametrize("terminal", [True, False])
def test_a_terminal_gets_the_time_of_its_place_and_a_file_that_of_the_world_and_all_that_was_said(
    monkeypatch: pytest.MonkeyPatch, terminal: bool
) -> None:
    stderr = io.StringIO()
    monkeypatch.setattr(stderr, "isatty", lambda: terminal)
    monkeypatch.setattr(sys, "stderr", stderr)
    monkeypatch.setattr(logging, "basicConfig", lambda **settings: None)  # what pytest has set is to stay
    monkeypatch.setenv("TZ", "HERE-6:30")
    time.tzset()
    try:
        log_from(logging.INFO)
        before = datetime.now(UTC)
        structlog.get_logger().info(SAID)
    finally:
        structlog.reset_defaults()
        monkeypatch.undo()
        time.tzset()
    if terminal:
        shown = re.search(r"(?<!T)\d\d:\d\d:\d\d", stderr.getvalue())
        here = [f"{before + timedelta(hours=6, minutes=30, seconds=more):%H:%M:%S}" for more in range(3)]
        assert shown is not None and shown[0] in here
        assert "\x1b[2J" not in stderr.getvalue(), "a text steers the terminal"
    else:
        assert "12°" in stderr.getvalue(), "for whoever searches the file"
        assert json.loads(stderr.getvalue())["event"] == SAID
        at = json.loads(stderr.getvalue())["timestamp"]
        assert at.endswith("Z")
        assert timedelta() <= datetime.fromisoformat(at) - before < timedelta(seconds=3)


@pytest.mark.parametrize(("level", "of_libraries"), [(logging.INFO, logging.WARNING), (logging.ERROR, logging.ERROR)])
def test_libraries_warn_and_chatter_no_more_than_that(
    monkeypatch: pytest.MonkeyPatch, level: int, of_libraries: int
) -> None:
    given: dict[str, object] = {}
    monkeypatch.setattr(logging, "basicConfig", lambda **settings: given.update(settings))
    try:
        log_from(level)
    finally:
        structlog.reset_defaults()
    assert given["level"] == of_libraries
