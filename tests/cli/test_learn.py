"""Learning a head from the command line: warned first, watched while it goes on, ended by letting go."""

from __future__ import annotations

import asyncio
import signal
from asyncio.subprocess import Process
from typing import Any

import pytest
from commands import Answering, Ptzd, StandIn, StandInFor, StartPtzd
from forking import Forked

from ptzd.cli.main import cli
from ptzd.cli.output import speak_for

LEARN = "camera/gallery/learn"
PROGRESS = "camera/gallery/learn-progress"
RANGE = ("--pan", "-60", "60", "--tilt", "-10", "30")
FIRST = (PROGRESS, {"done": 0, "of": 120, "doing": "acceleration of pan", "seconds_left": 205.0})
LATER = (PROGRESS, {"done": 60, "of": 120, "doing": "settling", "seconds_left": 90.0, "promised_seconds": 365.0})
OTHERS = (PROGRESS, {"done": 1, "of": 9, "doing": "not ours", "seconds_left": 999.0, "id": "somebody-elses"})
ESTIMATE = ("outcome", {"ok": True, "result": {"seconds": 205.0}})
DONE = (
    "outcome",
    {"ok": True, "result": {"model": "format = 1\n", "path": "/var/lib/ptzd/gallery.head.toml", "renewal": "smooth"}},
)


def learning(*answers: tuple[str, dict[str, Any]]) -> dict[str, Answering]:
    """A daemon that says how long it would take where that is asked, and otherwise does this."""
    return {LEARN: lambda asked: [ESTIMATE] if asked.get("estimate") else answers}


def began(daemon: StandIn) -> list[dict[str, Any]]:
    return [asked for topic, asked in daemon.asked if topic == LEARN and not asked.get("estimate")]


async def test_who_confirms_the_caution_learns_the_head(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, learning(FIRST, OTHERS, LATER, DONE)) as daemon:
        ended = await ptzd("learn", "gallery", *RANGE, "--broker", broker, stdin="y\n")
    assert ended.code == 0
    assert "/var/lib/ptzd/gallery.head.toml" in ended.out
    assert ended.out.splitlines()[-1] == "A new order in mid-move: goes on smoothly."
    for said in ("CAUTION", "pan -60° and 60°", "tilt -10° and 30°", "hands and people clear", "cables", "ptzd stop"):
        assert said in ended.err
    assert "in all it will take 6 min 5 s" in ended.err, "a first look tells more than the estimate before it"
    assert "999" not in ended.err and "16 min" not in ended.err, "another's progress"
    [asked] = began(daemon)
    assert (asked["pan_deg"], asked["tilt_deg"]) == ([-60, 60], [-10, 30])
    assert "near_ends" not in asked, "nothing is said that was not asked for"


@pytest.mark.parametrize("answer", ["n\n", ""])
async def test_who_does_not_confirm_moves_nothing(ptzd: Ptzd, broker: str, stand_in: StandInFor, answer: str) -> None:
    async with stand_in(broker, learning(DONE)) as daemon:
        ended = await ptzd("learn", "gallery", *RANGE, "--broker", broker, stdin=answer)
    assert (ended.code, ended.out) == (1, "")
    assert "about 3 min 25 s" in ended.err, "how long it would take is told before the question"
    assert began(daemon) == []


async def test_what_would_be_refused_is_refused_before_the_question(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    said = "camera gallery is locked by the rigger; unlock it when it is safe to move"
    refusal = ("outcome", {"ok": False, "code": "locked", "sentence": said})
    async with stand_in(broker, {LEARN: [refusal]}) as daemon:
        ended = await ptzd("learn", "gallery", *RANGE, "--broker", broker, stdin="y\n")
    assert (ended.code, ended.err) == (1, f"C{said[1:]}.\n")
    assert began(daemon) == []


async def test_yes_asks_nothing_but_warns_all_the_same(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, learning(FIRST, DONE)) as daemon:
        ended = await ptzd("learn", "gallery", *RANGE, "--near-ends", "--yes", "--json", "--broker", broker)
    assert ended.code == 0
    assert ended.json()["result"]["model"] == "format = 1\n"
    assert "CAUTION" in ended.err
    assert began(daemon)[0]["near_ends"] is True


async def test_a_refusal_is_told_in_the_daemons_sentence(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    said = "camera gallery is locked by the rigger; unlock it when it is safe to move"
    async with stand_in(broker, learning(("outcome", {"ok": False, "code": "locked", "sentence": said}))):
        ended = await ptzd("learn", "gallery", *RANGE, "--yes", "--broker", broker)
    assert (ended.code, ended.out) == (1, "")
    assert ended.err.splitlines()[-1] == f"C{said[1:]}."


async def started(start_ptzd: StartPtzd, broker: str, daemon: StandIn) -> Process | Forked:
    """A learning that has been asked for."""
    going_on = await start_ptzd("learn", "gallery", *RANGE, "--yes", "--broker", broker)
    while not began(daemon):
        await asyncio.sleep(0.02)
    return going_on


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
async def test_letting_go_stops_the_camera(
    start_ptzd: StartPtzd, broker: str, stand_in: StandInFor, number: signal.Signals
) -> None:
    async with stand_in(broker, learning(FIRST) | {"camera/gallery/stop": []}) as daemon:
        async with asyncio.timeout(30):
            going_on = await started(start_ptzd, broker, daemon)
            await asyncio.sleep(0.2)
            going_on.send_signal(number)
            out, err = await going_on.communicate()
            while daemon.asked[-1][0] == LEARN:
                await asyncio.sleep(0.02)
    assert (going_on.returncode, out) == (1, b"")
    assert daemon.asked[-1][0] == "camera/gallery/stop"
    assert err.decode().splitlines()[-1] == "Camera gallery was told to stop; nothing was learned."


async def test_one_that_is_killed_leaves_the_stop_to_the_broker(
    start_ptzd: StartPtzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, learning(FIRST) | {"camera/gallery/stop": []}) as daemon:
        async with asyncio.timeout(30):
            going_on = await started(start_ptzd, broker, daemon)
            going_on.send_signal(signal.SIGKILL)
            await going_on.communicate()
            while daemon.asked[-1][0] == LEARN:
                await asyncio.sleep(0.02)
    assert daemon.asked[-1] == ("camera/gallery/stop", {})


async def test_that_the_daemon_has_gone_is_told_at_once(
    start_ptzd: StartPtzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, learning(FIRST)) as daemon:
        async with asyncio.timeout(30):
            going_on = await started(start_ptzd, broker, daemon)
            await asyncio.sleep(0.2)
            await daemon.say_offline()
            out, err = await going_on.communicate()
    assert (going_on.returncode, out) == (1, b"")
    assert err.decode().splitlines()[-1].startswith("The daemon has gone while camera gallery was learned")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--pan", "60", "-60", "--tilt", "-10", "30", "--yes"), "write the smaller angle first"),
        (("--pan", "-60", "60", "--tilt", "nan", "30", "--yes"), "nan"),
        (("--pan", "-60", "60", "--yes"), "--tilt"),
        (("--pan", "-60", "60", "--tilt", "-10", "30", "--json"), "--yes"),
    ],
)
def test_a_misuse_is_told_before_anything_is_sent(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], says: str
) -> None:
    assert speak_for(cli, ["learn", "gallery", *arguments, "--broker", "127.0.0.1:1"]) == 2
    assert says in capsys.readouterr().err
