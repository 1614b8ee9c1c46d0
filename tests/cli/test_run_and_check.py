"""The daemon as a process, with simulated cameras: what it tells the service manager, how it ends, what a check says.

"From start to rest in 5 s" is what the systemd unit allows.
"""

from __future__ import annotations

import asyncio
import json
import signal
import socket
from collections.abc import Callable, Coroutine, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from commands import Ended, Ptzd, StartPtzd, until_up
from ptzsim import SimulatedCamera

from ptzd import links
from ptzd.cameras.reading import read_framing
from ptzd.line import Line
from ptzd.links import LinkAddress
from ptzd.positions import PositionStore
from ptzd.visca import load_dialect

ServiceManager = tuple[Path, Callable[[], Coroutine[Any, Any, str]]]

POSITIONS = """
[positions.left.near]
pan_counts = 100
tilt_counts = 50
zoom_counts = 0
focus_counts = 8192
focus_mode = "auto"
dialect = "nibble4-51"

[positions.left.far-off]
pan_counts = 8000
tilt_counts = 50
zoom_counts = 0
focus_counts = 8192
focus_mode = "auto"
dialect = "nibble4-51"
"""


@pytest.fixture
def config(config: Path) -> Path:
    config.write_text(config.read_text() + "overhead = true\n")
    return config


@pytest.fixture
def service_manager(tmp_path: Path) -> Iterator[ServiceManager]:
    """The socket on which a service manager listens; its second half receives one state."""
    path = tmp_path / "notify"
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(path))
    listener.setblocking(False)

    async def state() -> str:
        return (await asyncio.wait_for(asyncio.get_running_loop().sock_recv(listener, 100), 30)).decode()

    yield path, state
    listener.close()


async def pan_counts(port: int) -> int:
    async with links.open(LinkAddress("127.0.0.1", port)) as link:
        line = Line(link, load_dialect("nibble4-51"), on_restart=lambda: None)
        carrying = asyncio.create_task(line.run())
        line.restart()
        framing = await read_framing(line, "auto")
        carrying.cancel()
        await asyncio.wait([carrying])
        return framing.pan_counts


async def test_sigterm_brings_a_moving_camera_to_rest_within_5_seconds(
    ptzd: Ptzd, config: Path, cameras: int, broker: str, service_manager: ServiceManager, start_ptzd: StartPtzd
) -> None:
    path, state = service_manager
    daemon = await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    await until_up(broker, daemon)
    imported = await ptzd("positions", "import", "-", "--broker", broker, stdin=POSITIONS)
    assert (imported.code, imported.out) == (0, "2 positions are new, 0 replaced, 0 unchanged.\n")
    going = await ptzd("recall", "left", "far-off", "--speed", "14", "--no-wait", "--json", "--broker", broker)
    assert going.json()["predicted_seconds"] > 8, "step 14 is 15°/s [D], and it is 156° away"
    await asyncio.sleep(1.0)

    loop = asyncio.get_running_loop()
    began = loop.time()
    daemon.send_signal(signal.SIGTERM)
    _, log = await asyncio.wait_for(daemon.communicate(), 10)
    assert loop.time() - began < 5
    assert await state() == "STOPPING=1"
    assert daemon.returncode == 0
    assert b"Traceback" not in log, log.decode()
    assert log.startswith(b"{"), "where no terminal is, the log is JSON"

    rest = await pan_counts(cameras)
    assert 0 < rest < 8000, "it was on its way"
    await asyncio.sleep(0.3)
    assert await pan_counts(cameras) == rest
    watched = await ptzd("stop", "--broker", broker)
    assert "No daemon is online" in watched.err


@pytest.mark.parametrize("answers", [True, False], ids=["serving", "frozen"])
async def test_a_halt_beside_a_daemon_makes_that_end_its_moves_too(
    ptzd: Ptzd,
    config: Path,
    simulated: Mapping[int, SimulatedCamera],
    broker: str,
    start_ptzd: StartPtzd,
    answers: bool,
) -> None:
    """A daemon would send on what it did not stop; one that is frozen hears of it as soon as it goes on."""
    loop, camera = asyncio.get_running_loop(), simulated[min(simulated)]
    daemon = await start_ptzd("run", "--config", str(config))
    await until_up(broker, daemon)
    await ptzd("positions", "import", "-", "--broker", broker, stdin=POSITIONS)
    host, port = broker.split(":")
    async with aiomqtt.Client(host, int(port)) as mixer:
        await mixer.publish("ptzd/camera/left/tally", "program", qos=1)
    going = await ptzd("recall", "left", "far-off", "--seconds", "30", "--on-air", "--no-wait", "--broker", broker)
    assert going.code == 0, going.err
    await asyncio.sleep(3.0)
    assert camera.head.moving(loop.time())
    if not answers:
        daemon.send_signal(signal.SIGSTOP)
    halted = await ptzd("halt", "--config", str(config))
    daemon.send_signal(signal.SIGCONT)
    stood = camera.head.pan_counts(loop.time())
    told = f"the daemon on this computer (process {daemon.pid}) stops them too: left, gallery\n"
    assert (told in halted.out) is answers
    assert (halted.code, halted.err) == (0, "")
    assert "camera left: stands still after" in halted.out
    await asyncio.sleep(4.0)
    assert camera.head.pan_counts(loop.time()) == stood < 8000


async def test_one_camera_under_two_names_of_its_host_is_refused(
    ptzd: Ptzd, config: Path, cameras: int, start_ptzd: StartPtzd
) -> None:
    """Else the lock of the one would not hold the other, which is the same head."""
    config.write_text(config.read_text().replace(f"127.0.0.1:{cameras + 1}", f"localhost:{cameras}"))
    daemon = await start_ptzd("run", "--config", str(config))
    _, told = await asyncio.wait_for(daemon.communicate(), 20)
    assert daemon.returncode != 0
    assert b"camera left" in told and b"camera gallery" in told and b"one and the same place" in told
    checked = (await ptzd("check", "--config", str(config), "--seconds", "0.3", "--json")).json()
    assert [each["state"] for each in checked["findings"] if each["what"] == "links"] == ["failed"]


async def test_positions_are_stored_listed_renamed_brought_back_and_kept_as_text(
    ptzd: Ptzd, config: Path, broker: str, service_manager: ServiceManager, tmp_path: Path, start_ptzd: StartPtzd
) -> None:
    path, state = service_manager
    daemon = await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    await until_up(broker, daemon)

    async def positions(*arguments: str, code: int = 0) -> Ended:
        ended = await ptzd("positions", *arguments, "--broker", broker)
        assert ended.code == code, ended.err
        return ended

    assert (await positions()).out == "No positions are stored; store one with `ptzd store`.\n"
    stored = await ptzd("store", "left", "here", "--note", "where it woke up", "--broker", broker)
    assert (stored.code, stored.out, stored.err) == (0, "Camera left has stored here.\n", "")
    again = await ptzd("store", "left", "here", "--broker", broker)
    assert again.code == 1
    assert "already has a position" in again.err

    show = tmp_path / "show.toml"
    show.write_text(POSITIONS)
    await positions("import", str(show))
    arrived = await ptzd("recall", "left", "near", "--broker", broker)
    assert (arrived.code, arrived.err) == (0, "")
    assert arrived.out.splitlines()[-1].startswith("left settled on near")
    replaced = await ptzd("store", "left", "here", "--replace", "--json", "--broker", broker)
    assert replaced.json()["ok"] is True

    history = (await positions("history", "left", "here", "--json")).json()
    pans = {entry["number"]: entry["position"]["pan_counts"] for entry in history["entries"]}
    assert abs(pans[1]) <= 1, "it woke up straight ahead"
    assert abs(pans[2] - 100) <= 1
    await positions("revert", "left", "here", "1")
    await positions("rename", "left", "here", "there")
    await positions("delete", "left", "near")
    listed = (await positions("left", "--json")).json()
    assert [position["name"] for position in listed["left"]] == ["far-off", "there"]
    assert listed["left"][1]["pan_counts"] == pans[1]

    exported = tmp_path / "exported.toml"
    await positions("export", str(exported))
    assert exported.read_text() == (await positions("export")).out
    assert (await positions("import", str(exported))).out == "0 positions are new, 0 replaced, 2 unchanged.\n"
    show.write_text(
        POSITIONS.replace("pan_counts = 8000", 'pan_counts = "east"').replace("zoom_counts = 0", "zoom = 0")
    )
    wrong = await positions("import", str(show), code=1)
    assert "pan_counts" in wrong.err
    assert "zoom" in wrong.err, "every mistake at once"


async def test_a_locked_camera_refuses_until_it_is_unlocked(
    ptzd: Ptzd, config: Path, broker: str, service_manager: ServiceManager, start_ptzd: StartPtzd
) -> None:
    path, state = service_manager
    daemon = await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    await until_up(broker, daemon)
    await ptzd("positions", "import", "-", "--broker", broker, stdin=POSITIONS)
    assert (await ptzd("lock", "left", "--by", "stage", "--broker", broker)).code == 0, (
        "whoever is in a hurry says no more"
    )
    assert "locked by stage;" in (await ptzd("recall", "left", "near", "--broker", broker)).err
    locked = await ptzd("lock", "left", "--by", "rigger", "--reason", "hands on the lens", "--broker", broker)
    assert locked.code == 0
    refused = await ptzd("recall", "left", "near", "--broker", broker)
    assert refused.code == 1
    assert "locked by stage and by rigger (hands on the lens)" in refused.err
    seen = await ptzd("watch", "--for", "0.5", "--broker", broker)
    assert "locked by rigger: hands on the lens" in seen.out
    assert "locked by stage: no reason given" in seen.out
    listed = (await ptzd("locks", "--broker", broker)).out.splitlines()
    assert [line.partition(" (since ")[0] for line in listed] == [
        *("camera left: locked by stage: no reason given", "camera left: locked by rigger: hands on the lens")
    ]
    of_others = await ptzd("unlock", "left", "--by", "director", "--broker", broker)
    assert of_others.code == 1
    assert "name whose lock to take off with --whose." in of_others.err
    one_left = await ptzd("unlock", "left", "--by", "rigger", "--broker", broker)
    assert (one_left.code, one_left.out.splitlines()[0]) == (
        *(0, "The lock of rigger is off, but camera left may not move yet:"),
    )
    assert "locked by stage" in one_left.out
    assert (await ptzd("recall", "left", "near", "--broker", broker)).code == 1
    last = await ptzd("unlock", "left", "--by", "director", "--whose", "stage", "--broker", broker)
    assert (last.code, last.out) == (0, "Camera left may move again.\n")
    assert (await ptzd("locks", "--json", "--broker", broker)).json() == {"gallery": [], "left": []}
    assert (await ptzd("locks", "--broker", broker)).out == "No camera is locked.\n"
    assert (await ptzd("recall", "left", "near", "--broker", broker)).code == 0


async def test_a_store_that_another_daemon_uses_is_told_in_one_sentence_and_as_what_no_restart_mends(
    ptzd: Ptzd, config: Path, service_manager: ServiceManager, start_ptzd: StartPtzd
) -> None:
    path, state = service_manager
    await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    second = await ptzd("run", "--config", str(config))
    assert second.code == 2, "else the service manager would start it for ever, and stop the cameras of the first"
    assert "in use by another process" in second.err.splitlines()[-1]


async def test_a_second_daemon_below_the_same_base_is_refused_whatever_its_store(
    ptzd: Ptzd, config: Path, broker: str, service_manager: ServiceManager, start_ptzd: StartPtzd
) -> None:
    path, state = service_manager
    first = await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    await until_up(broker, first)
    other = config.with_name("other.toml")
    other.write_text(config.read_text().replace("show.db", "other.db"))
    refused = await ptzd("run", "--config", str(other))
    assert refused.code == 2
    last = refused.err.splitlines()[-1]
    assert last.startswith(f"Another daemon runs below the topic ptzd already, on the computer {socket.gethostname()}")
    assert "base_topic" in last
    assert "Traceback" not in refused.err
    assert (await ptzd("stop", "--broker", broker)).code == 0, "the first goes on"


async def test_a_check_asks_everything_and_moves_nothing(ptzd: Ptzd, config: Path, cameras: int) -> None:
    before = await pan_counts(cameras)
    checked = await ptzd("check", "--config", str(config), "--seconds", "0.2", "--json")
    assert (checked.code, checked.err) == (0, "")
    findings = checked.json()["findings"]
    of_gallery = {
        finding["sentence"]: finding["state"] for finding in findings if finding["subject"] == "camera gallery"
    }
    for asked in (
        "vendor",
        "is on",
        "found its ends",
        "fastest steps, 24 and 23",
        "digital zoom",
        "focus",
        "stands at",
    ):
        assert any(asked in sentence for sentence in of_gallery), asked
    [safety] = [finding for finding in findings if finding["what"] == "overhead"]
    assert (safety["subject"], safety["state"]) == ("camera gallery", "caution"), "the other hangs over nobody"
    for caution in ("secondary safety bond", "cables", "nobody is below", "rigger", "local rules"):
        assert caution in safety["sentence"]
    assert {finding["subject"] for finding in findings} == {
        *("configuration", "store", "broker", "camera left", "camera gallery")
    }
    assert await pan_counts(cameras) == before
    assert not (config.parent / "show.db").exists(), "a check leaves nothing behind"


async def test_a_check_tells_of_which_camera_no_tally_is_kept(
    ptzd: Ptzd, config: Path, cameras: int, broker: str
) -> None:
    port = int(broker.split(":")[1])

    async def said_of_tally() -> list[str]:
        findings = (await ptzd("check", "--config", str(config), "--seconds", "0.1", "--json")).json()["findings"]
        return [f"{each['state']}: {each['sentence']}" for each in findings if each["what"] == "tally"]

    for told in await said_of_tally():
        assert told.startswith("caution: nobody tells whether it is on air: off air until")
    config.write_text(config.read_text().replace('source = "none"', 'source = "messages"'))
    async with aiomqtt.Client("127.0.0.1", port) as mixer:
        await mixer.publish("ptzd/camera/left/tally", "off", retain=True, qos=1)
        await mixer.publish("ptzd/camera/gallery/tally", "on", retain=True, qos=1)
        left, gallery = await said_of_tally()
        assert left == "ok: the broker keeps one: off"
        assert gallery.startswith("caution: none is kept: until one comes, it counts as on air"), gallery
        await mixer.publish("ptzd/camera/gallery/tally", '{"tally": "program"}', retain=True, qos=1)
        assert (await said_of_tally())[1] == "ok: the broker keeps one: program"


async def test_a_check_tells_that_a_learned_head_can_not_be_read(ptzd: Ptzd, config: Path, cameras: int) -> None:
    (config.parent / "left.head.toml").write_text("")
    checked = await ptzd("check", "--config", str(config), "--seconds", "0.1", "--json")
    assert checked.code == 1
    [(whose, sentence)] = [
        (each["subject"], each["sentence"]) for each in checked.json()["findings"] if each["state"] == "failed"
    ]
    assert whose == "camera left"
    assert "left.head.toml" in sentence


async def test_a_check_tells_what_does_not_answer(ptzd: Ptzd, tmp_path: Path, free_port: int) -> None:
    config = tmp_path / "granary.toml"
    config.write_text(
        f'[broker]\nport = {free_port}\n[store]\npath = "show.db"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{free_port}"\ndialect = "nibble4-51"\n'
    )
    checked = await ptzd("check", "--config", str(config))
    assert (checked.code, checked.err) == (1, "")
    said = [" ".join(line.split()) for line in checked.out.splitlines()]
    assert any(line.startswith("failed left answers does not answer; check its power") for line in said)
    assert any(line.startswith("failed broker answers No broker answers at") for line in said)


async def test_a_check_tells_which_positions_were_stored_in_other_figures(
    ptzd: Ptzd, tmp_path: Path, free_port: int
) -> None:
    config = tmp_path / "granary.toml"
    config.write_text(
        f'[broker]\nport = {free_port}\n[store]\npath = "show.db"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{free_port}"\ndialect = "nibble4-51"\n'
    )
    async with PositionStore.open(tmp_path / "show.db", calendar=lambda: datetime.now(UTC)) as store:
        await store.import_(f'{POSITIONS}scales = "pan 45.3333"\n')
    checked = await ptzd("check", "--config", str(config))
    assert checked.code == 1
    assert "camera left can't be sent to far-off" in checked.out
    assert "had other figures (pan 45.3333; now pan 51.2" in checked.out


async def test_how_late_a_recall_may_be_and_which_camera_focuses_by_itself_is_as_configured(
    ptzd: Ptzd, config: Path, broker: str, service_manager: ServiceManager, start_ptzd: StartPtzd
) -> None:
    by_hand = POSITIONS.replace('"auto"', '"manual"')
    config.write_text(
        config.read_text().replace("[camera.left]", '[recall]\nlate_after_seconds = 30\n[camera.left]\nfocus = "auto"')
    )
    path, state = service_manager
    daemon = await start_ptzd("run", "--config", str(config), NOTIFY_SOCKET=str(path))
    assert await state() == "READY=1"
    await until_up(broker, daemon)
    await ptzd("positions", "import", "-", "--broker", broker, stdin=by_hand)
    host, port = broker.split(":")
    ends = {}
    async with aiomqtt.Client(host, int(port)) as client, asyncio.timeout(20):
        await client.subscribe("ptzd/camera/left/move")
        await client.subscribe("ptzd/outcome")
        for id, age in (("in time", 20), ("late", 40)):
            sent_at = (datetime.now(UTC) - timedelta(seconds=age)).isoformat()
            recall = {"position": "near", "id": id, "sent_at": sent_at}
            await client.publish("ptzd/camera/left/recall", json.dumps(recall), qos=1)
        async for message in client.messages:
            said = json.loads(message.payload)
            if said["id"] is not None and said.get("phase") not in ("accepted", "slewing", "settling"):
                ends[said["id"]] = said
            if len(ends) == 2:
                break
    assert ends["late"]["code"] == "late"
    assert ends["in time"]["phase"] == "settled"
    assert ends["in time"]["landing"]["focus_counts"] is None, "the camera focuses by itself"
