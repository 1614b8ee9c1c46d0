"""Nothing that others wrote steers the terminal on which it is shown."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from commands import OnATerminal, Ptzd, StandInFor

# Clears the screen and hides what follows; the same in the second set of controls; writes over the line; a new title;
# turns round what follows; half a character (ISO/IEC 6429).
EVIL = "oh\x1b[2J\x1b[8m\x9b2J\r\x08\x1b]0;all ready\x07\u202eno\ud800"
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

POSITION: dict[str, Any] = {
    "name": EVIL, "dialect": EVIL, "pan_counts": 1, "tilt_counts": 2, "zoom_counts": 3, "focus_counts": 4,
    "focus_mode": "manual", "speed": None, "seconds": None, "note": EVIL, "stored_at": "2026-05-23T14:05:00Z",
}  # fmt: skip
STATE: dict[str, Any] = {
    "camera": "gallery", "link": EVIL, "power": EVIL, "phase": EVIL, "position": EVIL, "activity": "at-rest",
    "tally": EVIL, "locked": {"by": EVIL, "reason": EVIL}, "faults": [EVIL],
}  # fmt: skip
CUE = {"number": "1", "label": EVIL, "take": EVIL}
CUE_STATE = {
    "show": EVIL, "standing": CUE, "next": CUE, "standby": True, "held": False, "ready": False,
    "not_ready": [{"camera": "gallery", "position": EVIL, "code": "x", "sentence": EVIL}],
}  # fmt: skip
REFUSED = {"ok": False, "code": EVIL, "sentence": EVIL, "hint": EVIL}
ANSWERS: dict[str, Any] = {
    "camera/gallery/recall": [("camera/gallery/move", {"phase": "failed", "position": EVIL, "sentence": EVIL})],
    "camera/gallery/store": [("outcome", REFUSED)],
    "camera/gallery/history": [
        ("outcome", {"ok": True, "result": {"entries": [{"number": 1, "current": True, "position": POSITION}]}})
    ],
    "show/export": [("outcome", {"ok": True, "result": {"show": EVIL}})],
    "cue/standby": [("cue/state", CUE_STATE), ("outcome", {"ok": True})],
}
KEPT = {
    "camera/gallery/positions": {"camera": "gallery", "positions": [POSITION]},
    "camera/left/positions": {"camera": "left", "positions": []},
    "camera/gallery/state": STATE,
    "cue/state": CUE_STATE,
}


async def keep_evil(broker: str) -> None:
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as client:
        for topic, payload in KEPT.items():
            await client.publish(f"ptzd/{topic}", json.dumps(payload), qos=1, retain=True)


@pytest.mark.parametrize(
    "command",
    [
        "positions",
        "positions history gallery soloist",
        "recall gallery soloist",
        "cue standby",
        "cue standby --json",
        "cue watch --for 0.5",
        "watch --for 0.5",
    ],
)
async def test_what_the_bus_brings_steers_no_terminal(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, command: str
) -> None:
    await keep_evil(broker)
    async with stand_in(broker, ANSWERS):
        ended = await ptzd(*command.split(), "--broker", broker)
    shown = ended.out + ended.err
    assert "all ready" in shown
    assert "error of its own" not in shown
    assert not STEERING.findall(shown)
    if "--json" in command:
        assert EVIL in strings(ended.json_lines()), "a program is told what was said, to the letter"


def strings(value: Any) -> Any:
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        for each in value:
            yield from strings(each)
    elif isinstance(value, str):
        yield value


@pytest.mark.parametrize("command", ["watch", "cue watch", "positions export"])
async def test_nor_on_a_terminal_whose_tables_and_views_do_steer_it(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor, command: str
) -> None:
    await keep_evil(broker)
    async with stand_in(broker, ANSWERS):
        terminal = await on_a_terminal(*command.split(), "--broker", broker)
        await terminal.until("all ready")
    for steering in ("\x1b[2J", "\x1b[8m", "\x9b", "\x1b]", "\x08", "\x07", "\u202e"):
        assert steering not in terminal.shown


SHOW = """[show]
name = "evening"
[[cue]]
number = 1
after = 1
label = "{evil}"
"b{evil}" = 1
"""
CONFIG = """[store]
path = "show.db"
[camera.left]
link = "udp://127.0.0.1:9"
dialect = "a{evil}"
label = "{evil}"
"""
WRITTEN = r"\u001b[2J\u009b2J\r\u0007"


@pytest.mark.parametrize(
    ("text", "command"), [(SHOW, "order check {file}"), (CONFIG, "check --config {file}")], ids=["show", "config"]
)
async def test_nor_does_what_a_file_has_in_it(ptzd: Ptzd, tmp_path: Path, text: str, command: str) -> None:
    file = tmp_path / "evil\x1b[2J.toml"
    file.write_text(text.replace("{evil}", WRITTEN))
    ended = await ptzd(*(part.replace("{file}", str(file)) for part in command.split()))
    assert ended.code == 2
    assert "[2J" in ended.err
    assert not STEERING.findall(ended.out + ended.err)


LOGGING = """
import logging, structlog
from ptzd.logs import log_from
evil = "oh\\x1b[2J\\x9b2J\\r\\x1b]0;all ready\\x07"
log_from(logging.INFO)
structlog.get_logger().error(evil, why=evil, more=[evil], error=ValueError(evil))
logging.getLogger("a library").warning(evil)
try:
    raise ValueError(evil)
except ValueError:
    structlog.get_logger().exception("failed")
"""


@pytest.mark.parametrize("on_terminal", [False, True], ids=["to-a-file", "on-a-terminal"])
def test_nor_does_what_is_logged(on_terminal: bool) -> None:
    ours, theirs = pty.openpty() if on_terminal else os.pipe()
    subprocess.run([sys.executable, "-c", LOGGING], stderr=theirs, check=True)
    logged = os.read(ours, 65536).decode()
    assert logged.count("all ready") >= 6
    assert "Traceback (most recent call last)" in logged and "Warning" not in logged
    for steering in ("\x1b[2J", "\x9b", "\x1b]", "\x07"):
        assert steering not in logged
    assert on_terminal or not STEERING.findall(logged)
