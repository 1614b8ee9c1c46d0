"""The bus over a real broker, mosquitto, spoken to by mosquitto's own clients.

[MQTT5] is OASIS, "MQTT Version 5.0"; [MQTT311] is OASIS, "MQTT Version 3.1.1".
"""

from __future__ import annotations

import asyncio
import gc
import random
import secrets
import signal
import socket
import subprocess
import sys
from asyncio.subprocess import Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import aiomqtt
import pytest
from brokers import MosquittoBroker, Subscriber, free_port, mosquitto_pub, mosquitto_sub, required, running_mosquitto
from waiting import until

from ptzd.bus import BrokerSettings, Bus, HeldElsewhere, Holding, Incoming, Intake, MqttBus, Topics
from ptzd.bus.commands import RecallCommand
from ptzd.refusal import Refusal

pytestmark = pytest.mark.mosquitto

Protocol = Literal["3.1.1", "5"]
STATUS, LEFT, OUTCOME = "ptzd/status", "ptzd/camera/left/state", "ptzd/outcome"
RECALL = "ptzd/camera/left/recall"
EITHER = pytest.mark.parametrize("protocol", ["3.1.1", "5"])


def bus_on(port: int, protocol: Protocol = "5", **more: Any) -> MqttBus:
    settings = BrokerSettings(port=port, protocol=protocol, **more)
    holding = Holding(host="granary", since=datetime.now(UTC), token=secrets.token_hex(8))
    return MqttBus(
        settings, Topics("ptzd"), offline=b"offline", cameras=["left"], rng=random.Random(1), holding=holding
    )


@asynccontextmanager
async def online(port: int, protocol: Protocol = "5", **more: Any) -> AsyncIterator[MqttBus]:
    async with bus_on(port, protocol, **more) as bus:
        await until(lambda: bus.connected, 10.0)
        yield bus


async def incoming(bus: Bus, seconds: float = 5.0) -> Incoming:
    return await asyncio.wait_for(anext(aiter(bus)), seconds)


async def retained(port: int, topic: str = "ptzd/#") -> dict[str, str]:
    """What a broker keeps."""
    process = await asyncio.create_subprocess_exec(
        required("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(port), "-t", topic, "--retained-only", "-W", "1",
        "-F", "%t %p",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    output, _ = await process.communicate()
    return dict(line.split(" ", 1) for line in output.decode().splitlines())


async def lone_daemon(port: int, protocol: Protocol, token: str) -> Process:
    """Start a daemon that only says that it is online, as a process; return when it is."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, str(Path(__file__).parent / "lone_daemon.py"), str(port), protocol, token),
        stdout=asyncio.subprocess.PIPE,
    )
    assert await said_by(process) == "online"
    return process


async def said_by(process: Process) -> str:
    assert process.stdout is not None
    return (await asyncio.wait_for(process.stdout.readline(), 20)).decode().strip()


async def messages_until(heard: Subscriber, topic: str) -> AsyncIterator[dict[str, Any]]:
    while (message := await heard.next())["topic"] != topic:
        yield message


@EITHER
async def test_a_command_arrives_and_the_daemon_does_not_hear_itself(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async with online(mosquitto_broker.port, protocol) as bus:
        bus.publish(LEFT, b"1", retain=True)
        bus.publish(OUTCOME, b"done")
        await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide")
        assert await incoming(bus) == Incoming(RECALL, b"choir-wide")


@EITHER
async def test_what_is_retained_is_there_for_who_comes_later_and_a_goodbye_says_offline(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async with online(mosquitto_broker.port, protocol) as bus:
        bus.publish(STATUS, b"online", retain=True)
        bus.publish(LEFT, b"1", retain=True)
        bus.publish(LEFT, b"2", retain=True)
        bus.publish(OUTCOME, b"done")
        async with mosquitto_sub(mosquitto_broker.port, "ptzd/#") as subscriber:
            assert {(await subscriber.next())["payload"] for _ in range(2)} == {"online", "2"}
            bus.publish(OUTCOME, b"done")
            message = await subscriber.next()
            assert (message["topic"], message["retain"], message["payload"]) == (OUTCOME, 0, "done")
    assert await retained(mosquitto_broker.port) == {STATUS: "offline", LEFT: "2"}


@EITHER
async def test_a_will_of_an_older_connection_that_comes_late_is_contradicted_at_once(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async with online(mosquitto_broker.port, protocol) as bus:
        bus.publish(STATUS, b"online", retain=True)
        async with mosquitto_sub(mosquitto_broker.port, STATUS) as heard:
            assert (await heard.next())["payload"] == "online"
            await mosquitto_pub(mosquitto_broker.port, STATUS, "-r", "-m", "offline")
            assert [(await heard.next())["payload"] for _ in range(2)] == ["offline", "online"]
        assert await retained(mosquitto_broker.port) == {STATUS: "online"}
    assert await retained(mosquitto_broker.port) == {STATUS: "offline"}, "it does not contradict itself"


@EITHER
async def test_the_broker_says_offline_for_a_daemon_that_was_killed(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    """The will: [MQTT5] section 3.1.2.5, [MQTT311] section 3.1.2.5."""
    process = await lone_daemon(mosquitto_broker.port, protocol, "granary")
    async with mosquitto_sub(mosquitto_broker.port, STATUS) as subscriber:
        assert (await subscriber.next())["payload"] == "online granary"
        process.kill()
        await process.communicate()
        message = await subscriber.next()
        assert (message["payload"], message["qos"]) == ("offline", 0)  # it subscribed with QoS 0
    assert await retained(mosquitto_broker.port) == {STATUS: "offline"}


@EITHER
async def test_a_second_daemon_is_refused_and_the_first_goes_on_as_if_nothing_had_been(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    port = mosquitto_broker.port
    async with online(port, protocol) as first:
        first.publish(STATUS, b"online", retain=True)
        await mosquitto_pub(port, "ptzd/camera/balcony/state", "-r", "-m", "of the first")
        async with mosquitto_sub(port, "ptzd/#") as heard:
            assert {(await heard.next())["payload"] for _ in range(2)} == {"online", "of the first"}
            began = asyncio.get_running_loop().time()
            with pytest.raises(HeldElsewhere, match="on the computer granary"):
                async with bus_on(port, protocol) as second:
                    await second.hold()
            assert asyncio.get_running_loop().time() - began < 1.0
            await mosquitto_pub(port, RECALL, "-m", "choir-wide")
            others = [message["topic"] async for message in messages_until(heard, RECALL)]
            assert set(others) == {"ptzd/daemon"}
        assert await incoming(first) == Incoming(RECALL, b"choir-wide")


@EITHER
async def test_of_two_daemons_that_start_at_the_same_moment_one_stays(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async def start() -> bool:
        async with bus_on(mosquitto_broker.port, protocol) as bus:
            try:
                await bus.hold()
            except HeldElsewhere:
                return False
            await asyncio.sleep(1.0)
            return bus.connected

    for _ in range(3):
        assert sorted(await asyncio.gather(start(), start(), start())) == [False, False, True]


async def test_a_daemon_that_was_killed_without_a_will_keeps_nobody_away(mosquitto_broker: MosquittoBroker) -> None:
    await mosquitto_pub(mosquitto_broker.port, STATUS, "-r", "-m", "online")
    began = asyncio.get_running_loop().time()
    async with bus_on(mosquitto_broker.port) as bus:
        await bus.hold()
        assert asyncio.get_running_loop().time() - began < 2.0


@EITHER
async def test_a_daemon_that_was_frozen_while_another_took_its_place_goes(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    port = mosquitto_broker.port
    first = await lone_daemon(port, protocol, "granary")
    first.send_signal(signal.SIGSTOP)
    second = await lone_daemon(port, protocol, "loft")
    await mosquitto_pub(port, RECALL, "-m", "choir-wide")
    first.send_signal(signal.SIGCONT)
    assert "on the computer loft" in await said_by(first)
    await asyncio.wait_for(first.wait(), 5)
    await asyncio.sleep(0.5)
    assert await retained(port) == {STATUS: "online loft"}
    assert second.returncode is None
    second.kill()
    await second.communicate()


@EITHER
async def test_a_daemon_that_was_frozen_alone_goes_on_and_says_anew_what_another_said_meanwhile(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    port = mosquitto_broker.port
    only = await lone_daemon(port, protocol, "granary")
    only.send_signal(signal.SIGSTOP)
    await asyncio.sleep(1.5)
    await mosquitto_pub(port, STATUS, "-r", "-m", "online loft")  # and gone by now
    only.send_signal(signal.SIGCONT)
    await asyncio.sleep(0.5)
    assert await retained(port) == {STATUS: "online loft"}, "it says nothing before it knows that it is alone"
    await asyncio.sleep(1.5)
    assert await retained(port) == {STATUS: "online granary"}
    assert only.returncode is None
    only.kill()
    await only.communicate()


@EITHER
async def test_a_retained_command_is_told_from_one_just_sent(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide", "-r")
    intake = Intake(Topics("ptzd"), calendar=pytest.fail)
    async with online(mosquitto_broker.port, protocol) as bus:
        got = intake.read(await incoming(bus)).what
        assert isinstance(got, Refusal)
        assert got.code == "retained"
        await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide")
        assert isinstance(intake.read(await incoming(bus)).what, RecallCommand)


@EITHER
async def test_noise_and_a_megabyte_do_not_disturb_the_connection(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    noise = random.Random(1).randbytes(1_000_000)
    async with online(mosquitto_broker.port, protocol) as bus:
        for topic in (STATUS, LEFT, OUTCOME, RECALL, "ptzd/camera/left/tally", "ptzd/x", "ptzd/all/stop"):
            await mosquitto_pub(mosquitto_broker.port, topic, "-q", "1", payload=noise)
        arrived: list[Incoming] = []
        while len(arrived) < 4:
            if not (one := await incoming(bus)).again:
                arrived.append(one)
        in_order = [one.topic for one in arrived if one.topic != "ptzd/all/stop"]  # which may come ahead of all
        assert in_order == [RECALL, "ptzd/camera/left/tally", "ptzd/x"]
        assert all(one.payload == noise for one in arrived)
        assert bus.connected


@EITHER
async def test_after_a_restart_of_the_broker_it_comes_back_with_fresh_states(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async with online(mosquitto_broker.port, protocol) as bus:
        bus.publish(STATUS, b"online", retain=True)
        bus.publish("ptzd/camera/left/positions", b"[]", retain=True)
        bus.publish(LEFT, b"1", retain=True)
        mosquitto_broker.stop()
        await until(lambda: not bus.connected, 10.0)
        began_at = asyncio.get_running_loop().time()
        for number in range(2, 1002):
            bus.publish(LEFT, str(number).encode(), retain=True)
        bus.publish(OUTCOME, b"while it was away")
        assert asyncio.get_running_loop().time() - began_at < 0.5  # 1001 messages, and nobody waited for anything
        mosquitto_broker.start()
        async with mosquitto_sub(mosquitto_broker.port, OUTCOME) as subscriber:
            await until(lambda: bus.connected, 10.0)
            bus.publish(OUTCOME, b"back")
            await subscriber.next()
        assert await retained(mosquitto_broker.port) == {
            STATUS: "online",
            "ptzd/camera/left/positions": "[]",
            LEFT: "1001",
        }
        await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide")
        assert (await incoming(bus)).payload == b"choir-wide"


@EITHER
async def test_a_command_sent_while_the_daemon_was_away_is_never_carried_out(
    mosquitto_broker: MosquittoBroker, protocol: Protocol
) -> None:
    async with online(mosquitto_broker.port, protocol):
        pass
    await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide", "-q", "1")
    async with online(mosquitto_broker.port, protocol) as bus:
        with pytest.raises(TimeoutError):
            await incoming(bus, 0.5)


async def test_what_was_retained_of_cameras_that_are_gone_is_cleared(mosquitto_broker: MosquittoBroker) -> None:
    port = mosquitto_broker.port
    for topic in ("ptzd/camera/balcony/state", "ptzd/camera/balcony/positions", LEFT, "elsewhere/camera/x/state"):
        await mosquitto_pub(port, topic, "-m", "old", "-r")
    async with mosquitto_sub(port, "ptzd/camera/balcony/#") as subscriber, online(port) as bus:
        bus.publish(STATUS, b"online", retain=True)
        cleared = [await subscriber.next() for _ in range(4)]  # two retained ones, then the two that clear them
        assert {message["topic"] for message in cleared if message["payloadlen"] == 0} == {
            "ptzd/camera/balcony/state",
            "ptzd/camera/balcony/positions",
        }
        assert await retained(port, "#") == {STATUS: "online", LEFT: "old", "elsewhere/camera/x/state": "old"}


async def test_answers_go_where_mqtt_5_wants_them(mosquitto_broker: MosquittoBroker) -> None:
    """Request and response: [MQTT5] section 4.10."""
    port = mosquitto_broker.port
    intake = Intake(Topics("ptzd"), calendar=pytest.fail)
    async with online(port) as bus, mosquitto_sub(port, "panel/#", "-V", "5") as panel:
        await mosquitto_pub(
            port, RECALL, "-V", "5", "-m", "choir-wide",
            "-D", "publish", "response-topic", "panel/answers", "-D", "publish", "correlation-data", "q 12",
        )  # fmt: skip
        got = intake.read(await incoming(bus))
        assert isinstance(got.what, RecallCommand)
        assert got.reply is not None
        bus.publish(got.reply.topic, b"accepted", correlation=got.reply.correlation)
        answer = await panel.next()
        assert (answer["topic"], answer["payload"]) == ("panel/answers", "accepted")
        assert answer["properties"]["correlation-data"] == "q 12"


async def test_a_message_whose_life_is_over_does_not_arrive(mosquitto_broker: MosquittoBroker) -> None:
    """[MQTT5] section 3.3.2.3.3: a message that has expired must not be delivered [MQTT-3.3.2-5]."""
    tally = "ptzd/camera/left/tally"
    expiring = ("-V", "5", "-r", "-m", "program", "-D", "publish", "message-expiry-interval", "1")
    await mosquitto_pub(mosquitto_broker.port, tally, *expiring)
    await asyncio.sleep(2.1)
    async with online(mosquitto_broker.port) as bus:
        with pytest.raises(TimeoutError):
            await incoming(bus, 0.5)


@EITHER
async def test_a_thousand_events_arrive_in_their_order(mosquitto_broker: MosquittoBroker, protocol: Protocol) -> None:
    async with (
        online(mosquitto_broker.port, protocol) as bus,
        mosquitto_sub(mosquitto_broker.port, OUTCOME, "-q", "1") as subscriber,
    ):
        for number in range(1000):
            bus.publish(OUTCOME, str(number).encode())
        assert [int((await subscriber.next())["payload"]) for _ in range(1000)] == list(range(1000))


@EITHER
async def test_a_stop_overtakes_what_waits_at_the_broker_in_the_stream_and_in_the_daemon(
    tmp_path: Path, protocol: Protocol
) -> None:
    """Of 20 000 recalls sent before it, of which mosquitto keeps some thousands, hardly one is handed out before it."""
    recalls, stop = 20_000, "ptzd/camera/left/stop"
    with running_mosquitto(tmp_path, "allow_anonymous true", "max_queued_messages 0") as broker:
        async with online(broker.port, protocol) as bus:
            await asyncio.sleep(0.5)  # the second connection is there too
            flood = b"".join(b"choir-wide\n" for _ in range(recalls))
            pouring = await asyncio.create_subprocess_exec(
                *(required("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(broker.port), "-t", RECALL, "-l"),
                stdin=asyncio.subprocess.PIPE,
            )
            assert pouring.stdin is not None
            pouring.stdin.write(flood)
            pouring.stdin.close()
            await pouring.wait()  # nobody has taken anything out yet
            await mosquitto_pub(broker.port, stop, "-m", "now", "-q", "1")
            before: list[Incoming] = []
            while (one := await incoming(bus)).topic != stop:
                before.append(one)
            assert not one.again
            after = []
            while (one := await incoming(bus)).topic != stop:
                after.append(one.overtaken)
            assert one.again
            assert len(after) > 1000
            assert len(before) < len(after) / 20
            assert set(after) == {frozenset({"left"})}
            await mosquitto_pub(broker.port, RECALL, "-m", "choir-wide")
            assert await incoming(bus) == Incoming(RECALL, b"choir-wide")


async def test_without_a_second_connection_a_stop_comes_in_its_turn(
    mosquitto_broker: MosquittoBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def refused(bus: MqttBus) -> None:
        await bus._again_and_again(no_connection, lambda reason: None)

    async def no_connection() -> None:
        raise aiomqtt.MqttError("too many connections")

    monkeypatch.setattr(MqttBus, "_stay_ahead", refused)
    async with online(mosquitto_broker.port) as bus:
        await mosquitto_pub(mosquitto_broker.port, RECALL, "-m", "choir-wide", "-q", "1")
        await mosquitto_pub(mosquitto_broker.port, "ptzd/all/stop", "-m", "now", "-q", "1")
        assert await incoming(bus) == Incoming(RECALL, b"choir-wide")
        assert await incoming(bus) == Incoming("ptzd/all/stop", b"now")


# Brokers that are not there, don't let us in or don't answer


async def test_the_daemon_starts_and_ends_without_a_broker() -> None:
    began_at = asyncio.get_running_loop().time()
    async with bus_on(free_port()) as bus:
        bus.publish(STATUS, b"online", retain=True)
        await asyncio.sleep(0.5)
        assert not bus.connected
    assert asyncio.get_running_loop().time() - began_at < 2.0


async def test_a_broker_that_starts_later_is_found(tmp_path: Path) -> None:
    broker = MosquittoBroker(tmp_path)
    async with bus_on(broker.port) as bus:
        bus.publish(STATUS, b"online", retain=True)
        await asyncio.sleep(0.3)
        broker.start()
        try:
            await until(lambda: bus.connected, 10.0)
            async with mosquitto_sub(broker.port, STATUS) as subscriber:
                assert (await subscriber.next())["payload"] == "online"
        finally:
            broker.stop()


@EITHER
async def test_a_broker_that_accepts_but_never_answers_holds_nobody_up(protocol: Protocol) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        began_at = asyncio.get_running_loop().time()
        async with bus_on(silent.getsockname()[1], protocol) as bus:
            await asyncio.sleep(0.3)
            bus.publish(STATUS, b"online", retain=True)
            assert not bus.connected
        assert asyncio.get_running_loop().time() - began_at < 1.0


async def test_a_broker_that_goes_just_when_the_daemon_goes_does_not_keep_it(
    mosquitto_broker: MosquittoBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ptzd.bus.client.GOODBYE_SECONDS", 0)
    async with asyncio.timeout(3):
        async with online(mosquitto_broker.port) as bus:
            bus.publish(STATUS, b"online", retain=True)
            await asyncio.sleep(0.1)
            mosquitto_broker.stop()
    assert not bus.connected


async def test_an_error_of_the_daemon_passes_through_as_it_is(mosquitto_broker: MosquittoBroker) -> None:
    with pytest.raises(ZeroDivisionError):
        async with online(mosquitto_broker.port):
            raise ZeroDivisionError


def password_file(folder: Path) -> Path:
    passwords = folder / "passwords"
    subprocess.run([required("mosquitto_passwd"), "-b", "-c", str(passwords), "daemon", "granary"], check=True)
    return passwords


async def test_a_password_is_given(tmp_path: Path) -> None:
    passwords = password_file(tmp_path)
    with running_mosquitto(tmp_path, "allow_anonymous false", f"password_file {passwords}") as broker:
        async with online(broker.port, username="daemon", password="granary") as bus:
            assert bus.connected
        async with bus_on(broker.port, username="daemon", password="barn") as bus:
            await asyncio.sleep(1)
            assert not bus.connected


def certificate(folder: Path) -> tuple[Path, Path]:
    key, crt = folder / "broker.key", folder / "broker.crt"
    subprocess.run(
        [
            required("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-keyout", str(key), "-out", str(crt), "-days", "2", "-subj", "/CN=granary",
            "-addext", "subjectAltName=IP:127.0.0.1",
        ],
        check=True,
        capture_output=True,
    )  # fmt: skip
    return key, crt


@EITHER
async def test_with_a_ca_file_the_connection_is_encrypted(tmp_path: Path, protocol: Protocol) -> None:
    key, crt = certificate(tmp_path)
    options = ("allow_anonymous true", f"certfile {crt}", f"keyfile {key}")
    with running_mosquitto(tmp_path, *options) as broker:
        async with online(broker.port, protocol, ca_file=crt) as bus:
            bus.publish(LEFT, b"x" * 200_000, retain=True)
            await mosquitto_pub(broker.port, RECALL, "-m", "choir-wide", "--cafile", str(crt))
            assert (await incoming(bus)).payload == b"choir-wide"


# paho-mqtt leaves the sockets of failed handshakes to the garbage collector
@pytest.mark.filterwarnings("ignore:unclosed <ssl:ResourceWarning")
async def test_a_broker_with_another_certificate_is_not_trusted(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    key, crt = certificate(tmp_path)
    _, other = certificate(tmp_path / "other")
    with running_mosquitto(tmp_path, "allow_anonymous true", f"certfile {crt}", f"keyfile {key}") as broker:
        async with bus_on(broker.port, ca_file=other) as bus:
            await asyncio.sleep(1)
            assert not bus.connected
        gc.collect()


async def test_a_ca_file_that_is_none_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    for name in ("ca.pem", "missing.pem"):
        with pytest.raises(ValueError, match="CA certificate in PEM form"):
            bus_on(1883, ca_file=tmp_path / name)
