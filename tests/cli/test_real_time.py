"""`ptzd rehearse --real-time`: somebody gives each go, and the show's times become what they were."""

from __future__ import annotations

import asyncio
import json
import sys
import tomllib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from commands import Answering, OnATerminal, Ptzd, StandIn, StandInFor, StartPtzd, Terminal

from ptzd.bus.messages import CuesResult
from ptzd.cli.commands.rehearse_real_time import KeptTime, Times
from ptzd.cli.keys import HELD_SECONDS
from ptzd.files import Change, read_show_text

Rehearsing = tuple[Terminal, StandIn, Path]

SHOW = """\
[show]
name = "short"
start = { gallery = "wide", left = "wide" }

[[cue]]
number = 1
label = "Doors"
after = 10.0       # as long as it takes
take = "gallery"
[[cue.move]]
camera = "left"
position = "solo"

[[cue]]
number = 2.5
on_call = true
expected = 20.0    # the speaker decides
take = "left"

[[cue]]
number = 3
at = "0:05:00"
"""


@pytest.fixture
def times() -> Times:
    return Times(read_show_text(SHOW), began_at=100.0)


def test_each_cue_is_timed_from_the_one_before_it_and_the_first_from_the_start(times: Times) -> None:
    assert times.stands(None, 100.0) is None
    assert times.stands("1", 108.04) == KeptTime(0, 10.0, 8.0)
    assert times.stands("1", 110.0) is None, "who is ready has changed, not the cue"
    assert times.stands("2.5", 131.0) == KeptTime(1, 20.0, 23.0)


def test_gaps_and_calls_get_new_times_and_a_time_into_the_show_stays(times: Times) -> None:
    for number, now in (("1", 108.0), ("2.5", 131.0), ("3", 140.0)):
        times.stands(number, now)
    assert times.changes() == [Change(0, None, "after", 8.0), Change(1, None, "expected", 23.0)]


def test_who_goes_back_over_a_cue_times_it_anew(times: Times) -> None:
    times.stands("1", 108.0)
    times.stands("2.5", 131.0)
    assert times.stands("1", 135.0) is None
    assert times.stands("2.5", 150.0) == KeptTime(1, 20.0, 42.0)
    assert len(times.kept()) == 2


def test_a_cue_that_was_jumped_to_has_no_time_of_its_own(times: Times) -> None:
    assert times.stands("2.5", 131.0) is None
    assert times.changes() == []


def test_a_cue_that_the_file_did_not_have_loses_no_time_and_is_told_of(times: Times) -> None:
    for number, now in (("1", 108.0), ("2", 120.0), ("2.5", 131.0)):
        times.stands(number, now)
    assert [kept.seconds for kept in times.kept()] == [8.0, 23.0], "from cue 1, the one before it in the file"
    assert times.changes_of_the_show == ["cue 2 came, which is not in the file as it was read"]
    times.stands("2", 135.0)
    assert [kept.seconds for kept in times.kept()] == [8.0], "who goes back over it takes the times behind it back"


def test_after_the_file_was_read_anew_nothing_is_timed_and_nothing_lost(times: Times) -> None:
    times.stands("1", 108.0)
    times.read_anew()
    assert times.stands("2.5", 131.0) is None
    assert times.stands("1", 140.0) is None
    assert [kept.seconds for kept in times.kept()] == [8.0]
    assert len(times.changes_of_the_show) == 1


POSITIONS = """\
[positions.gallery.wide]
pan_counts = 0
tilt_counts = 0
zoom_counts = 0
focus_counts = 8192
focus_mode = "manual"
dialect = "nibble4-51"
stored_at = 2031-05-24T12:00:00Z
"""


def config_of(broker: str, first_port: int) -> str:
    host, port = broker.split(":")
    return (
        f'[broker]\nhost = "{host}"\nport = {port}\nprotocol = "3.1.1"\n'
        f'[store]\npath = "show.db"\n[show]\nfile = "show.toml"\n'
        f'[camera.gallery]\nlink = "udp://127.0.0.1:{first_port}"\ndialect = "nibble4-51"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{first_port + 1}"\ndialect = "nibble4-51"\n'
    )


async def test_keys_run_a_show_and_a_copy_has_the_times(
    ptzd: Ptzd, start_ptzd: StartPtzd, broker: str, cameras: int, tmp_path: Path
) -> None:
    (tmp_path / "show.toml").write_text(SHOW)
    positions = tmp_path / "positions.toml"
    positions.write_text(
        POSITIONS
        + POSITIONS.replace("gallery", "left")
        + POSITIONS.replace("gallery.wide", "left.solo").replace("pan_counts = 0", "pan_counts = 512")
    )
    config = tmp_path / "config.toml"
    config.write_text(config_of(broker, cameras))
    daemon = await start_ptzd("run", "--config", str(config))
    async with asyncio.timeout(20):
        while (await ptzd("positions", "import", str(positions), "--broker", broker)).code:
            await asyncio.sleep(0.2)
    copy = tmp_path / "timed.toml"
    rehearsal = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", "from ptzd.cli import main; main()"),
        *("rehearse", str(tmp_path / "show.toml"), "--config", str(config), "--positions", str(positions)),
        *("--real-time", str(copy)),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    assert rehearsal.stdin is not None
    assert rehearsal.stdout is not None
    async with asyncio.timeout(20):
        while b"is go" not in await rehearsal.stdout.readline():
            pass
        for pause in (0.5, 1.0):
            await asyncio.sleep(pause)
            rehearsal.stdin.write(b"\n")
        await asyncio.sleep(0.5)
        rehearsal.stdin.write(b"q")
        out, err = await rehearsal.communicate()
    assert rehearsal.returncode == 1, out
    assert err.decode().startswith("Cue 1 did not come about as written: "), "nobody waited until all were ready"
    assert "2 times as taken" in out.decode()
    assert daemon.returncode is None
    timed = tomllib.loads(copy.read_text())["cue"]
    assert 0.4 <= timed[0]["after"] <= 3.0
    assert 0.9 <= timed[1]["expected"] <= 3.0
    assert timed[2] == {"number": 3, "at": "0:05:00"}
    assert "# the speaker decides" in copy.read_text()
    assert (tmp_path / "show.toml").read_text() == SHOW


def stands(standing: str | None, following: str | None, standby: bool) -> tuple[str, dict[str, Any]]:
    def cue(number: str | None) -> dict[str, Any] | None:
        return None if number is None else {"number": number, "label": "", "take": None}

    return "cue/state", {
        "show": "short",
        "standing": cue(standing),
        "next": cue(following),
        "standby": standby,
        "held": False,
        "ready": True,
        "not_ready": [],
    }


OK = ("outcome", {"ok": True})
FIRST_GO = stands("1", "2.5", False)
GONE: dict[str, Any] = {"counted": True, "overtaken": [], "refused": [], "started": [], "standing": [], "unready": []}


class Runner:
    """A daemon that runs the show's first two cues."""

    def __init__(self, loaded: str = SHOW) -> None:
        self.loaded = CuesResult.of(read_show_text(loaded)).model_dump(mode="json")
        self.answers: dict[str, Answering] = {
            "cue/jump": [stands(None, "1", False), OK],
            "cue/standby": [OK],
            "cue/go": self.go,
            "cue/list": [("outcome", {"ok": True, "result": self.loaded})],
        }
        self.gone = 0

    def go(self, asked: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
        self.gone += 1
        return [FIRST_GO if self.gone == 1 else stands("2.5", "3", True), OK]


def write_files(folder: Path, broker: str) -> list[str]:
    """Write what a rehearsal in real time needs; return its words on the command line."""
    (folder / "show.toml").write_text(SHOW)
    (folder / "config.toml").write_text(config_of(broker, 52381))
    (folder / "positions.toml").write_text(
        POSITIONS + POSITIONS.replace("gallery", "left") + POSITIONS.replace("gallery.wide", "left.solo")
    )
    return [
        *("rehearse", str(folder / "show.toml"), "--config", str(folder / "config.toml")),
        *("--positions", str(folder / "positions.toml"), "--real-time", str(folder / "timed.toml")),
    ]


@pytest.fixture
async def rehearsing(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor, tmp_path: Path
) -> AsyncIterator[Rehearsing]:
    """A rehearsal in real time, up to where it waits for the first go: its terminal, the daemon and the copy's path."""
    written = write_files(tmp_path, broker)
    async with stand_in(broker, Runner().answers) as daemon:
        topic, state = stands(None, "1", False)
        await daemon.client.publish(f"ptzd/{topic}", json.dumps(state), qos=1, retain=True)
        terminal = await on_a_terminal(*written)
        before = terminal.settings()
        terminal.press(b"\r")  # before anybody knew what it would do
        await terminal.until("Enter begins and sends left to solo, for cue 1; q leaves.")
        await asyncio.sleep(HELD_SECONDS)
        assert [topic for topic, _ in daemon.asked] == ["cue/list"], "no camera moves unasked"
        terminal.press(b"\r\r")  # the second is too early to be a go
        await terminal.until("q ends it")
        await asyncio.sleep(HELD_SECONDS)
        assert "cue/go" not in [topic for topic, _ in daemon.asked]
        yield terminal, daemon, tmp_path / "timed.toml"
        assert terminal.settings() == before


@pytest.mark.parametrize(("end", "code"), [(b"q", 0), (b"\x03", 1)], ids=["q", "Ctrl-C"])
async def test_on_a_terminal_one_key_is_a_go_and_the_times_are_kept_however_it_ends(
    rehearsing: Rehearsing, end: bytes, code: int
) -> None:
    terminal, daemon, copy = rehearsing
    asked = [topic for topic, _ in daemon.asked]
    for key, heard, then in ((b"\r", "cue 1 (Doors) came", ["cue/standby"]), (b"\r", "cue 2.5 came", [])):
        terminal.press(key)
        await terminal.until(heard)
        await asyncio.sleep(HELD_SECONDS)
        asked += ["cue/go", *then]  # after the second all stand by already
        assert [topic for topic, _ in daemon.asked] == asked
    terminal.press(end)
    assert await terminal.end() == code
    timed = tomllib.loads(copy.read_text())["cue"]
    assert 0.4 <= timed[0]["after"] <= 5.0
    assert 0.1 <= timed[1]["expected"] <= 5.0


async def test_a_key_that_is_held_is_one_go(rehearsing: Rehearsing) -> None:
    terminal, daemon, _ = rehearsing
    terminal.press(b"\r")
    await asyncio.sleep(0.5)  # the longest before a keyboard repeats it is 0.66 s
    for _ in range(30):
        terminal.press(b"\r")
        await asyncio.sleep(0.03)
    terminal.press(b"q")
    assert await terminal.end() == 0
    assert [topic for topic, _ in daemon.asked].count("cue/go") == 1
    assert terminal.shown.count("that counts once") == 1


async def test_a_cue_that_was_written_meanwhile_takes_no_time_back_and_stands_by_like_any_other(
    rehearsing: Rehearsing,
) -> None:
    terminal, daemon, copy = rehearsing
    terminal.press(b"\r")
    await terminal.until("cue 1 (Doors) came")
    before = len(daemon.asked)
    result = GONE | {"cue": {"number": "2", "label": "", "take": None}}
    written = {
        "ok": True,
        "topic": "cue/write",
        "result": {"show": "short", "cues": 4, "warnings": ["see where it is"]},
    }
    went = {"ok": True, "topic": "cue/go", "result": result}
    for topic, payload in (("outcome", written), stands("2", "3", False), ("outcome", went)):
        await daemon.client.publish(f"ptzd/{topic}", json.dumps(payload), qos=1)
    async with asyncio.timeout(10):
        while len(daemon.asked) == before:
            await asyncio.sleep(0.02)
    assert [topic for topic, _ in daemon.asked[before:]] == ["cue/standby"]
    terminal.press(b"q")
    assert await terminal.end() == 1
    assert "1 time as taken" in terminal.shown
    assert "See where it is." in terminal.shown
    shown = " ".join(terminal.shown.split())
    assert (
        "The show was changed meanwhile: cues were written or taken out, which the copy does not have; cue 2" in shown
    )
    assert tomllib.loads(copy.read_text())["cue"][0]["after"] != 10.0


async def test_a_cue_whose_camera_was_not_ready_is_told_at_the_end_and_is_no_success(rehearsing: Rehearsing) -> None:
    terminal, daemon, copy = rehearsing
    unready = {"camera": "gallery", "position": None, "code": "locked", "sentence": "camera gallery is locked"}
    result = GONE | {"unready": [unready], "cue": {"number": "1", "label": "Doors", "take": "gallery"}}
    daemon.answers["cue/go"] = [FIRST_GO, ("outcome", {"ok": True, "result": result})]  # type: ignore[index]
    terminal.press(b"\r")
    await terminal.until("cue 1 (Doors) came")
    terminal.press(b"q")
    assert await terminal.end() == 1
    assert "Cue 1 did not come about as written: camera gallery is locked." in terminal.shown
    assert copy.is_file()


@pytest.mark.parametrize("meanwhile", ["left", "the file is read anew", "the daemon goes"])
async def test_what_was_not_begun_or_is_another_show_by_then_moves_nothing(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor, tmp_path: Path, meanwhile: str
) -> None:
    written = write_files(tmp_path, broker)
    runner = Runner()
    async with stand_in(broker, runner.answers) as daemon:
        topic, state = stands(None, "1", False)
        await daemon.client.publish(f"ptzd/{topic}", json.dumps(state), qos=1, retain=True)
        terminal = await on_a_terminal(*written)
        await terminal.until("Enter begins")
        if meanwhile == "left":
            terminal.press(b"q")
        elif meanwhile == "the daemon goes":
            await daemon.say_offline()
        else:
            runner.answers["cue/list"] = Runner(SHOW.replace("expected = 20.0", "expected = 30.0")).answers["cue/list"]
            await asyncio.sleep(HELD_SECONDS)
            terminal.press(b"\r")
        assert await terminal.end() == 1
    said = {"left": "It was not begun", "the daemon goes": "No daemon is online"}.get(
        meanwhile, "loaded short otherwise"
    )
    assert said in " ".join(terminal.shown.split())
    assert {topic for topic, _ in daemon.asked} == {"cue/list"}


async def test_what_the_daemon_has_loaded_otherwise_than_the_file_has_it_moves_nothing(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor, tmp_path: Path
) -> None:
    written = write_files(tmp_path, broker)
    async with stand_in(broker, Runner(SHOW.replace("expected = 20.0", "expected = 30.0")).answers) as daemon:
        topic, state = stands(None, "1", False)
        await daemon.client.publish(f"ptzd/{topic}", json.dumps(state), qos=1, retain=True)
        terminal = await on_a_terminal(*written)
        assert await terminal.end() == 1
    assert "loaded short otherwise than it is in" in " ".join(terminal.shown.split())
    assert [topic for topic, _ in daemon.asked] == ["cue/list"]


async def test_the_times_are_kept_when_the_daemon_goes_away(rehearsing: Rehearsing) -> None:
    terminal, daemon, copy = rehearsing
    terminal.press(b"\r")
    await terminal.until("cue 1 (Doors) came")
    await daemon.say_offline()
    assert await terminal.end() == 1
    assert "1 time as taken" in terminal.shown
    assert "No daemon is online" in terminal.shown
    assert tomllib.loads(copy.read_text())["cue"][0]["after"] != 10.0


async def test_without_a_go_nothing_is_written_and_that_is_said(rehearsing: Rehearsing) -> None:
    terminal, _, copy = rehearsing
    terminal.press(b"q")
    assert await terminal.end() == 1
    assert "no times to keep" in terminal.shown
    assert not copy.exists()
