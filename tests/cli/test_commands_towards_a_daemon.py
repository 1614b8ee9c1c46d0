"""What the client commands send, and what they make of the answers."""

from __future__ import annotations

import asyncio
import json
import signal
from asyncio.subprocess import Process
from pathlib import Path

import aiomqtt
import pytest
from brokers import MosquittoBroker
from commands import Ptzd, StandInFor, StartPtzd
from forking import Forked

MOVE = "camera/gallery/move"
RECALL = "camera/gallery/recall"
ACCEPTED = (MOVE, {"phase": "accepted", "position": "choir-wide", "predicted_seconds": 3.1})
SLEWING = (MOVE, {"phase": "slewing", "position": "choir-wide", "predicted_seconds": 3.1})
LANDING = {"pan_counts": 1, "tilt_counts": 0, "zoom_counts": 0, "focus_counts": None, "pan_deg": 0.02, "tilt_deg": 0.0}
SETTLED = (
    MOVE,
    {
        "phase": "settled",
        "position": "choir-wide",
        "predicted_seconds": 3.1,
        "measured_seconds": 3.28,
        "landing": LANDING,
    },
)
SAID = {which: {"link": "up", "show": which} for which in ("old", "new")}
OTHERS = (MOVE, {"phase": "failed", "position": "soloist", "sentence": "not ours", "id": "somebody-elses"})


def ending(phase: str, **more: object) -> tuple[str, dict[str, object]]:
    return MOVE, {"phase": phase, "position": "choir-wide", **more}


async def test_a_recall_ends_with_0_when_the_camera_has_settled(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {RECALL: [ACCEPTED, SLEWING, SETTLED]}) as daemon:
        ended = await ptzd("recall", "gallery", "choir-wide", "--seconds", "4", "--broker", broker)
    assert (ended.code, ended.err) == (0, "")
    assert "settled on choir-wide" in ended.out
    assert "3.28" in ended.out, "how long it took"
    assert "3.10" in ended.out, "how long it was to take"
    assert "pan +1" in ended.out, "how far off it landed"
    [(topic, asked)] = daemon.asked
    assert topic == RECALL
    assert (asked["position"], asked["seconds"]) == ("choir-wide", 4)
    assert "speed" not in asked
    assert "on_air" not in asked, "nothing is said that was not asked for"


async def test_a_recall_says_when_it_was_sent_so_that_a_late_one_is_refused(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {RECALL: [SETTLED]}) as daemon:
        await ptzd("recall", "gallery", "choir-wide", "--on-air", "--broker", broker)
    [(_, asked)] = daemon.asked
    assert asked["on_air"] is True
    assert asked["sent_at"].endswith("+00:00")


@pytest.mark.parametrize("phase", ["refused", "superseded", "stopped", "failed"])
async def test_a_recall_that_ends_otherwise_ends_with_1_and_the_daemons_sentence(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, phase: str
) -> None:
    said = "camera gallery is locked by the rigger; unlock it when it is safe to move"
    async with stand_in(broker, {RECALL: [ACCEPTED, ending(phase, code="x", sentence=said)]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--broker", broker)
    assert (ended.code, ended.out) == (1, "gallery goes to choir-wide, about 3.1 s\n")
    assert ended.err == f"C{said[1:]}.\n"


async def test_a_recall_tells_its_promise_as_it_leaves_and_every_warning_once(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    seen = "camera gallery went on air while it moves"
    phases = [
        (MOVE, ACCEPTED[1] | {"least_seconds": 2.8, "most_seconds": 3.9, "warning": "too fast to watch"}),
        (MOVE, SLEWING[1] | {"warning": "too fast to watch"}),
        (MOVE, SLEWING[1] | {"warning": seen}),
        (MOVE, SETTLED[1] | {"warning": seen}),
    ]
    async with stand_in(broker, {RECALL: phases}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--broker", broker)
    first, second, last = ended.out.splitlines()
    assert first == "gallery goes to choir-wide, about 3.1 s (2.8 to 3.9); too fast to watch"
    assert second == f"gallery: {seen}"
    assert last.startswith("gallery settled on choir-wide")


async def test_what_happens_to_other_moves_is_not_mistaken_for_ours(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {RECALL: [OTHERS, ACCEPTED, OTHERS, SETTLED]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--json", "--broker", broker)
    assert ended.code == 0
    assert ended.json()["phase"] == "settled"


async def test_no_wait_returns_at_the_acceptance(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {RECALL: [ACCEPTED]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--no-wait", "--broker", broker)
    assert ended.code == 0
    assert ended.out == "gallery goes to choir-wide, about 3.1 s\n"


async def test_a_nudge_by_counts_asks_for_numbers(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"camera/gallery/nudge": [ACCEPTED]}) as daemon:
        await ptzd("nudge", "gallery", "--zoom-counts", "-40", "--focus-counts", "7", "--no-wait", "--broker", broker)
    [(_, asked)] = daemon.asked
    assert (asked["zoom_counts"], asked["focus_counts"]) == (-40, 7)


async def test_the_range_of_the_prediction_and_a_warning_are_passed_on(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    more = {"least_seconds": 2.8, "most_seconds": 3.9, "head_measured": False, "warning": "viewers see it move"}
    async with stand_in(broker, {RECALL: [(MOVE, ACCEPTED[1] | more)]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--no-wait", "--broker", broker)
    assert ended.out == "gallery goes to choir-wide, about 3.1 s (2.8 to 3.9, not measured); viewers see it move\n"


async def test_a_recall_that_the_daemon_could_not_read_ends_with_1(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    answer = ("outcome", {"ok": False, "code": "invalid", "sentence": "speed is 30: it must be 1 to 24"})
    async with stand_in(broker, {RECALL: [answer]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--broker", broker)
    assert (ended.code, ended.err) == (1, "Speed is 30: it must be 1 to 24.\n")


async def test_a_move_that_takes_too_long_is_told_with_what_to_do(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {RECALL: [ACCEPTED]}):
        ended = await ptzd("recall", "gallery", "choir-wide", "--timeout", "0.5", "--broker", broker)
    assert ended.code == 1
    assert "may still be moving" in ended.err
    assert "ptzd stop gallery" in ended.err


async def test_who_stops_waiting_is_told_that_the_move_goes_on(
    start_ptzd: StartPtzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {RECALL: [ACCEPTED]}) as daemon:
        waiting = await start_ptzd("recall", "gallery", "choir-wide", "--broker", broker)
        async with asyncio.timeout(10):
            while not daemon.asked:
                await asyncio.sleep(0.02)
        waiting.send_signal(signal.SIGINT)
        out, err = await waiting.communicate()
    assert (waiting.returncode, out) == (1, b"")
    assert err == b"No longer waiting; a move that was accepted goes on: `ptzd stop gallery` ends it.\n"


async def test_a_camera_that_the_daemon_does_not_have_is_named_with_those_it_has(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"camera/balcony/recall": []}) as daemon:
        ended = await ptzd("recall", "balcony", "choir-wide", "--broker", broker)
        near = await ptzd("recall", "galery", "choir-wide", "--broker", broker)
    assert ended.code == 1
    assert ended.err == "There is no camera balcony; the daemon has gallery, left.\n"
    assert near.err == "There is no camera galery; did you mean gallery?\n"
    assert daemon.asked == [], "nothing was sent"


async def test_without_a_broker_a_command_says_what_to_start(ptzd: Ptzd, free_port: int) -> None:
    ended = await ptzd("stop", "--broker", f"127.0.0.1:{free_port}")
    assert ended.code == 1
    assert ended.err.startswith(f"No broker answers at 127.0.0.1:{free_port} (connection refused)")
    assert "--broker HOST:PORT" in ended.err
    assert ended.err.count("\n") == 1


async def test_without_a_daemon_a_command_says_what_to_start(ptzd: Ptzd, broker: str) -> None:
    ended = await ptzd("unlock", "left", "--broker", broker)
    assert ended.code == 1
    assert ended.err == (
        f"No daemon is online at {broker} below the topic ptzd; "
        "start it with `ptzd run --config FILE`, or try `ptzd demo`.\n"
    )


@pytest.mark.parametrize("watch", [("watch",), ("cue", "watch")])
async def test_a_watch_too_short_to_miss_a_daemon_still_says_that_none_is_there(
    ptzd: Ptzd, broker: str, watch: tuple[str, ...]
) -> None:
    ended = await ptzd(*watch, "--for", "0.1", "--broker", broker)
    assert (ended.code, ended.out) == (1, "")
    assert "No daemon is online" in ended.err


WATCHES = pytest.mark.parametrize(
    ("watch", "topic"), [(("watch",), "camera/left/state"), (("cue", "watch"), "cue/state")]
)


async def complaint(watching: Process | Forked) -> str:
    assert watching.stderr is not None
    return (await asyncio.wait_for(watching.stderr.readline(), 20)).decode()


async def told(watching: Process | Forked) -> dict[str, object]:
    """The next that a watch tells of those things that these tests say."""
    assert watching.stdout is not None
    while True:
        line = json.loads(await asyncio.wait_for(watching.stdout.readline(), 20))
        said: dict[str, object] = line.get("payload", line)
        if said in SAID.values():
            return said


@pytest.mark.parametrize("early", [False, True], ids=["once-it-is-online", "before-it-says-so"])
@WATCHES
async def test_a_watch_waits_for_a_daemon_and_shows_nothing_of_one_that_is_gone(
    broker: str, stand_in: StandInFor, start_ptzd: StartPtzd, watch: tuple[str, ...], topic: str, early: bool
) -> None:
    async with stand_in(broker, {}) as daemon:
        await daemon.client.publish(f"ptzd/{topic}", json.dumps(SAID["old"]), qos=1, retain=True)
    watching = await start_ptzd(*watch, "--json", "--broker", broker)
    waits = await complaint(watching)
    assert waits.startswith("No daemon is online") and waits.endswith("Waiting for one.\n")
    await asyncio.sleep(0.5)  # for it to show what it should not
    host, port = broker.split(":")
    if early:
        async with aiomqtt.Client(host, int(port)) as coming:
            await coming.publish(f"ptzd/{topic}", json.dumps(SAID["new"]), qos=1)
    async with stand_in(broker, {}) as daemon:
        if not early:
            await daemon.client.publish(f"ptzd/{topic}", json.dumps(SAID["new"]), qos=1, retain=True)
        assert await told(watching) == SAID["new"]


@pytest.mark.mosquitto
@WATCHES
async def test_a_watch_survives_a_broker_that_restarts(
    mosquitto_broker: MosquittoBroker, start_ptzd: StartPtzd, watch: tuple[str, ...], topic: str
) -> None:
    async def say(which: str) -> None:
        async with aiomqtt.Client(mosquitto_broker.host, mosquitto_broker.port) as client:
            await client.publish("ptzd/status", '{"state": "online"}', qos=1, retain=True)
            await client.publish(f"ptzd/{topic}", json.dumps(SAID[which]), qos=1, retain=True)

    await say("old")
    watching = await start_ptzd(*watch, "--json", "--broker", f"{mosquitto_broker.host}:{mosquitto_broker.port}")
    assert await told(watching) == SAID["old"]
    mosquitto_broker.stop()
    lost = await complaint(watching)
    assert "ended the connection" in lost and lost.endswith("Trying again.\n")
    mosquitto_broker.start()
    await say("new")
    assert await told(watching) == SAID["new"]


async def test_a_daemon_that_is_only_kept_by_the_broker_holds_no_lock_and_is_watched_as_silent(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {}) as daemon:
        state = {"locks": [{"by": "rigger", "reason": "lens", "since": "2026-06-20T17:00:00Z", "kept": True}]}
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(state), qos=1, retain=True)
        listed, watched = await asyncio.gather(
            ptzd("locks", "--broker", broker), ptzd("watch", "--for", "8", "--broker", broker)
        )
        async with daemon.saying_that_it_lives():
            alive = await ptzd("locks", "--broker", broker)
    assert (listed.code, listed.out) == (1, "") and "has said nothing for 5 s" in listed.err
    assert "daemon online when it was last heard; is it still?" in watched.out
    assert "daemon silent: what it said before is old" in watched.out
    assert alive.code == 0 and "locked by rigger" in alive.out


async def test_a_daemon_that_has_gone_offline_is_no_daemon(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {}):
        pass
    ended = await ptzd("lock", "gallery", "--reason", "lens", "--broker", broker)
    assert ended.code == 1
    assert "No daemon is online" in ended.err


async def test_a_stop_goes_out_whatever_is_known_of_the_daemon(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"all/stop": [("outcome", {"ok": True})]}) as daemon:
        await daemon.forget_status()
        ended = await ptzd("stop", "--broker", broker)
    assert ended.code == 0
    async with stand_in(broker, {"all/stop": []}) as daemon:
        await daemon.say_offline()
        ended = await ptzd("stop", "--broker", broker)
        assert [topic for topic, _ in daemon.asked] == ["all/stop"]
    assert ended.code == 1
    assert "No daemon is online" in ended.err


async def test_the_broker_can_be_named_in_the_environment(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"all/stop": [("outcome", {"ok": True})]}) as daemon:
        ended = await ptzd("stop", PTZD_BROKER=broker)
    assert (ended.code, ended.out) == (0, "Every camera was told to stop.\n")
    assert [topic for topic, _ in daemon.asked] == ["all/stop"]


async def test_the_broker_can_be_named_by_the_daemons_configuration(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, tmp_path: Path
) -> None:
    port = broker.split(":")[1]
    config = tmp_path / "granary.toml"
    config.write_text(
        f'[broker]\nport = {port}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n[tally]\nsource = "none"\n'
        '[camera.gallery]\nlink = "udp://127.0.0.1:52381"\ndialect = "nibble4-51"\n'
    )
    async with stand_in(broker, {"camera/gallery/stop": [("outcome", {"ok": True})]}):
        ended = await ptzd("stop", "gallery", "--config", str(config), PTZD_BROKER="127.0.0.1:9")
    assert (ended.code, ended.err) == (0, "")


async def test_a_store_sends_what_it_was_given(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"camera/left/store": [("outcome", {"ok": True})]}) as daemon:
        ended = await ptzd(
            *("store", "left", "soloist", "--speed", "6", "--note", "second row", "--replace", "--broker", broker)
        )
    assert ended.code == 0
    [(_, asked)] = daemon.asked
    del asked["id"]
    assert asked == {"position": "soloist", "speed": 6, "note": "second row", "replace": True}


async def test_a_refused_store_ends_with_1(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    answer = ("outcome", {"ok": False, "code": "exists", "sentence": "there is a soloist; store with replace"})
    async with stand_in(broker, {"camera/left/store": [answer]}):
        ended = await ptzd("store", "left", "soloist", "--broker", broker)
    assert (ended.code, ended.err) == (1, "There is a soloist; store with replace.\n")


async def test_a_lock_carries_who_and_why(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"camera/left/lock": [("outcome", {"ok": True})]}) as daemon:
        ended = await ptzd(
            *("lock", "left", "--by", "rigger", "--reason", "changing the lens", "--json", "--broker", broker)
        )
    assert ended.code == 0
    assert ended.json()["ok"] is True
    [(_, asked)] = daemon.asked
    assert (asked["by"], asked["reason"]) == ("rigger", "changing the lens")


async def test_a_daemon_that_does_not_answer_is_not_waited_for_without_end(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"camera/left/unlock": []}):
        ended = await ptzd("unlock", "left", "--broker", broker)
    assert ended.code == 1
    assert "did not answer" in ended.err
    assert "ptzd watch" in ended.err


@pytest.mark.parametrize(
    ("said", "topic", "asked"),
    [
        (("power", "gallery", "on"), "camera/gallery/power", {"power": "on"}),
        (("power", "gallery", "standby"), "camera/gallery/power", {"power": "standby"}),
        (("reset", "gallery"), "camera/gallery/reset", {}),
    ],
)
async def test_what_may_sweep_a_head_is_asked_for_as_clear_only_with_a_yes(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, said: tuple[str, ...], topic: str, asked: dict[str, object]
) -> None:
    caution = 'camera gallery would sweep its whole range; see that no hand is near it, and then send "clear": true'
    refusal = {"ok": False, "code": "not-clear", "sentence": caution, "hint": 'send "clear": true'}
    async with stand_in(broker, {topic: [("outcome", refusal)]}) as daemon:
        ended = await ptzd(*said, "--broker", broker)
        assert (ended.code, ended.out) == (1, "")
        assert ended.err.endswith("no hand is near it, and then add --yes.\n")
        [(_, sent)] = daemon.asked
        assert {key: sent[key] for key in sent if key not in ("id", "sent_at")} == asked
    async with stand_in(broker, {topic: [("outcome", {"ok": True})]}) as daemon:
        ended = await ptzd(*said, "--yes", "--broker", broker)
        assert (ended.code, ended.err) == (0, "")
        assert "gallery" in ended.out
        [(_, sent)] = daemon.asked
        assert {key: sent[key] for key in sent if key not in ("id", "sent_at")} == asked | {"clear": True}


async def test_letting_go_of_a_restore_stops_the_camera(
    start_ptzd: StartPtzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"camera/gallery/restore": [], "camera/gallery/stop": []}) as daemon:
        going_on = await start_ptzd("positions", "restore", "gallery", "--yes", "--broker", broker)
        async with asyncio.timeout(10):
            while not daemon.asked:
                await asyncio.sleep(0.02)
            await asyncio.sleep(0.2)
            going_on.send_signal(signal.SIGINT)
            out, err = await going_on.communicate()
            while len(daemon.asked) < 2:
                await asyncio.sleep(0.02)
    assert (going_on.returncode, out) == (1, b"")
    assert [topic for topic, _ in daemon.asked] == ["camera/gallery/restore", "camera/gallery/stop"]
    assert err.decode() == "Camera gallery was told to stop; not all of its memories are set.\n"


async def test_a_restore_that_leaves_some_out_ends_with_1(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    result = {"restored": ["house"], "left": ["soloist: it did not settle there"]}
    async with stand_in(broker, {"camera/gallery/restore": [("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("positions", "restore", "gallery", "--yes", "--broker", broker)
    assert ended.code == 1
    assert "holds in its own memories: house." in ended.out
    assert ended.err == "soloist: it did not settle there.\n"


@pytest.mark.parametrize("camera", [(), ("gallery",)])
@pytest.mark.parametrize("some", [True, False])
async def test_that_no_positions_are_stored_is_not_said_of_a_store_that_was_not_all_read(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, camera: tuple[str, ...], some: bool
) -> None:
    position = {"name": "wide", "speed": None, "seconds": None, "note": "", "focus_mode": "auto", "focus_counts": 0}
    position |= {"pan_counts": 0, "tilt_counts": 0, "zoom_counts": 0}
    status = {"state": "online", "cameras": ["gallery"], "troubles": ["the store show.db is damaged: keep a copy"]}
    kept = {"status": status, "camera/gallery/positions": {"positions": [position] if some else []}}
    async with stand_in(broker, {}) as daemon:
        for topic, payload in kept.items():
            await daemon.client.publish(f"ptzd/{topic}", json.dumps(payload), qos=1, retain=True)
        ended = await ptzd("positions", "list", *camera, "--broker", broker)
    assert "show.db is damaged" in ended.err
    assert "No positions are stored" not in ended.out + ended.err
    assert (ended.code, "wide" in ended.out) == ((0, True) if some else (1, False))
