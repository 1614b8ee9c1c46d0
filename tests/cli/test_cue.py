"""`ptzd cue`: what each key sends, and what is told of where the show stands."""

from __future__ import annotations

import json
from typing import Any

import pytest
from commands import OnATerminal, Ptzd, StandInFor

STATE = "cue/state"
SECOND = {"number": "12.5", "label": "Second verse", "take": "left"}
STANDS = {
    "show": "granary-evening",
    "standing": {"number": "12", "label": "", "take": None},
    "next": SECOND,
    "standby": True,
    "held": False,
    "ready": True,
    "not_ready": [],
}
NOT_READY = {
    "ready": False,
    "not_ready": [
        {"camera": "left", "position": "piano", "code": "moving", "sentence": "camera left is on its way to piano"}
    ],
}
SHOW_CURSOR, HIDE_CURSOR = "\x1b[?25h", "\x1b[?25l"  # DEC private mode 25
OK = ("outcome", {"ok": True})


@pytest.mark.parametrize(
    ("arguments", "sent"),
    [
        ("standby", {}),
        ("standby 12.5", {"number": "12.5"}),
        ("go", {}),
        ("go 7", {"number": "7"}),
        ("back", {}),
        ("jump 12", {"number": "12"}),
        ("hold", {}),
        ("release", {}),
    ],
)
async def test_each_key_sends_its_word_and_a_number_where_there_is_one(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, arguments: str, sent: dict[str, str]
) -> None:
    topic = f"cue/{arguments.split()[0]}"
    async with stand_in(broker, {topic: [(STATE, STANDS), OK]}) as daemon:
        ended = await ptzd("cue", *arguments.split(), "--broker", broker)
    assert (ended.code, ended.err) == (0, "")
    [(asked_topic, asked)] = daemon.asked
    assert asked_topic == topic
    assert {key: value for key, value in asked.items() if key not in ("id", "sent_at")} == sent


@pytest.mark.parametrize("verb", ["standby", "go", "back"])
async def test_what_moves_a_camera_or_the_show_says_when_it_was_sent(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, verb: str
) -> None:
    async with stand_in(broker, {f"cue/{verb}": [(STATE, STANDS), OK]}) as daemon:
        await ptzd("cue", verb, "--broker", broker)
    assert daemon.asked[0][1]["sent_at"].endswith("+00:00")


async def test_a_standby_tells_who_is_not_ready_and_why(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"cue/standby": [(STATE, STANDS | NOT_READY), OK]}):
        ended = await ptzd("cue", "standby", "--broker", broker)
    first, second = ended.out.splitlines()
    assert first == "granary-evening: standing at 12; next is 12.5 (Second verse), which takes left; in standby"
    assert second == "  not ready: camera left is on its way to piano"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "in standby, all ready"),
        ({"standby": False, "held": True}, "on hold"),
        ({"standing": None}, "before the first cue"),
        ({"next": None, "standby": False, "ready": False}, "that was the last"),
    ],
)
async def test_a_go_tells_where_the_show_stands_then(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, change: dict[str, Any], words: str
) -> None:
    async with stand_in(broker, {"cue/go": [(STATE, STANDS | change), OK]}):
        ended = await ptzd("cue", "go", "--broker", broker)
    assert words in ended.out


async def test_a_go_tells_what_becomes_of_cameras_that_still_waited_and_whether_it_counted(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    late = {
        "camera": "right",
        "position": "hands",
        "code": "late",
        "sentence": "camera right leaves for hands only now",
    }
    result = {"cue": SECOND, "counted": True, "overtaken": [late]}
    async with stand_in(broker, {"cue/go": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("cue", "go", "--broker", broker)
        machine = await ptzd("cue", "go", "--json", "--broker", broker)
    assert ended.out.splitlines()[0] == "camera right leaves for hands only now"
    assert ended.code == machine.code == 0, "late, but it goes"
    assert machine.json()["overtaken"] == [late]
    result = {"cue": SECOND, "counted": False, "overtaken": []}
    async with stand_in(broker, {"cue/go": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("cue", "go", "--broker", broker)
    assert "12.5" in ended.out.splitlines()[0] and "did not count" in ended.out.splitlines()[0]


@pytest.mark.parametrize(
    ("which", "code"), [("refused", "locked"), ("overtaken", "left-behind"), ("unready", "elsewhere")]
)
async def test_a_go_that_could_not_do_all_of_it_ends_with_1_and_names_who_would_not_move(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, which: str, code: str
) -> None:
    stays = {"camera": "right", "position": "hands", "code": code, "sentence": "camera right stays"}
    result = {"cue": SECOND, "counted": True, "overtaken": [], "refused": []} | {which: [stays]}
    async with stand_in(broker, {"cue/go": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("cue", "go", "--broker", broker)
        machine = await ptzd("cue", "go", "--json", "--broker", broker)
    assert ended.code == machine.code == 1
    assert ended.out.splitlines()[0] == "camera right stays"
    assert machine.json()[which] == [stays]


async def test_a_load_that_can_not_tell_which_cue_stands_says_so_and_ends_with_1(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    result = {"show": "granary-evening", "cues": 5, "warnings": ["cues have other numbers than before"]}
    async with stand_in(broker, {"cue/load": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("cue", "load", "--broker", broker)
    assert (ended.code, ended.err) == (1, "Cues have other numbers than before.\n")


async def test_places_names_camera_by_camera_what_became_of_it_and_ends_with_1_where_one_was_not_sent(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    stays = {"camera": "right", "position": "hands", "code": "on-air", "sentence": "camera right is on air"}
    result: dict[str, Any] = {
        "sent": [{"camera": "gallery", "position": "wide"}],
        "standing": [{"camera": "left", "position": "piano"}],
        "not_sent": [stays],
    }
    async with stand_in(broker, {"cue/places": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        ended = await ptzd("cue", "places", "--broker", broker)
    assert ended.code == 1
    assert ended.out.splitlines()[:3] == ["gallery is sent to wide", "left stands in piano", "camera right is on air"]
    result = result | {"not_sent": []}
    async with stand_in(broker, {"cue/places": [(STATE, STANDS), ("outcome", {"ok": True, "result": result})]}):
        assert (await ptzd("cue", "places", "--broker", broker)).code == 0


async def test_as_json_it_is_the_daemons_own_message(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    async with stand_in(broker, {"cue/go": [(STATE, STANDS), OK]}):
        ended = await ptzd("cue", "go", "--json", "--broker", broker)
    assert ended.json()["next"] == SECOND


async def test_a_refusal_ends_with_1_and_the_daemons_sentence(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    refused = ("outcome", {"ok": False, "code": "held", "sentence": "the cues are on hold; release them first"})
    async with stand_in(broker, {"cue/go": [refused]}):
        ended = await ptzd("cue", "go", "--broker", broker)
    assert (ended.code, ended.out, ended.err) == (1, "", "The cues are on hold; release them first.\n")


async def test_without_a_daemon_no_cue_is_run(ptzd: Ptzd, broker: str) -> None:
    ended = await ptzd("cue", "go", "--broker", broker)
    assert ended.code == 1
    assert "No daemon is online" in ended.err


async def test_watch_tells_where_the_show_stands_and_ends_when_it_was_told_to(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"cue/hold": [(STATE, STANDS), OK]}) as daemon:
        await daemon.client.publish("ptzd/cue/state", json.dumps(STANDS), qos=1, retain=True)
        lines = await ptzd("cue", "watch", "--for", "1", "--broker", broker)
        machines = await ptzd("cue", "watch", "--for", "1", "--json", "--broker", broker)
    assert (lines.code, machines.code) == (0, 0)
    assert lines.out.startswith("granary-evening: standing at 12;")
    assert machines.json_lines() == [STANDS]


async def test_watch_on_a_terminal_keeps_up_with_the_show_and_leaves_the_terminal_as_it_was(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, {"cue/hold": []}) as daemon:
        await daemon.client.publish("ptzd/cue/state", json.dumps(STANDS), qos=1, retain=True)
        terminal = await on_a_terminal("cue", "watch", "--broker", broker)
        before = terminal.settings()
        await terminal.until("in standby, all ready")
        await daemon.client.publish("ptzd/cue/state", json.dumps(STANDS | NOT_READY), qos=1)
        await terminal.until("camera left is on its way to piano")
        terminal.press(b"\x03")
        assert await terminal.end() == 0
    assert terminal.settings() == before
    assert terminal.shown.rfind(SHOW_CURSOR) > terminal.shown.rfind(HIDE_CURSOR)


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ("jump", "Missing argument 'NUMBER'"),
        ("jump twelve", "'twelve' is not a cue number"),
        ("go -- -1", "'-1' is not a cue number"),
        ("go 1.2345", "three decimals"),
        ("go nan", "'nan' is not a cue number"),
        ("standby 100000", "0 to 99999"),
        ("forward", "No such command 'forward'"),
    ],
)
async def test_used_wrongly_it_ends_with_2_and_one_line(ptzd: Ptzd, arguments: str, what: str) -> None:
    ended = await ptzd("cue", *arguments.split())
    assert (ended.code, ended.out) == (2, "")
    assert what in ended.err
    assert ended.err.count("\n") == 1
