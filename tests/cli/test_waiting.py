"""A sign of life while something takes its time: on stderr, and on a terminal only."""

from __future__ import annotations

import asyncio
import sys

import pytest

from ptzd.cli.waiting import patiently


@pytest.mark.parametrize("seconds", [None, 0.3])
@pytest.mark.parametrize("terminal", [True, False])
async def test_it_never_gets_into_what_is_printed(
    seconds: float | None, terminal: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal)
    assert await patiently("looking at the choir", asyncio.sleep(0.3, "done"), seconds) == "done"
    said = capsys.readouterr()
    assert said.out == ""
    assert ("looking at the choir" in said.err) is terminal
