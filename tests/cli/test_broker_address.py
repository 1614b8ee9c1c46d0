"""Which broker a command speaks to: what its options name, and for all else what the configuration does."""

from __future__ import annotations

import asyncio
import gc
from pathlib import Path

import click
import pytest
from aiomqtt import ProtocolVersion
from click.testing import CliRunner

from ptzd.cli.broker import BrokerAddress, broker_options
from ptzd.cli.client import reach

CONFIG = """
[broker]
host = "10.0.0.7"
port = 1884
base_topic = "granary"
username = "left"
password_file = "kept"
[store]
path = "show.db"
[camera.left]
link = "udp://127.0.0.1:52381"
dialect = "nibble4-51"
"""
CONFIGURED = ("--config", "ptzd.toml")


@pytest.mark.parametrize(
    ("options", "environment", "host", "port", "base", "username", "password"),
    [
        ((), None, "127.0.0.1", 1883, "ptzd", None, None),
        ((), "10.0.0.9:1885", "10.0.0.9", 1885, "ptzd", None, None),
        (("--broker", "10.0.0.8", "--base", "hall"), None, "10.0.0.8", 1883, "hall", None, None),
        (("--username", "me", "--password-file", "mine"), None, "127.0.0.1", 1883, "ptzd", "me", "my own"),
        (CONFIGURED, "10.0.0.9:1885", "10.0.0.7", 1884, "granary", "left", "the daemon's"),
        ((*CONFIGURED, "--broker", "10.0.0.8:1885"), None, "10.0.0.8", 1885, "granary", "left", "the daemon's"),
        ((*CONFIGURED, "--base", "hall", "--username", "me"), None, "10.0.0.7", 1884, "hall", "me", "the daemon's"),
        ((*CONFIGURED, "--password-file", "mine"), None, "10.0.0.7", 1884, "granary", "left", "my own"),
    ],
)
def test_options_go_before_the_configuration_and_that_before_the_environment(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[str, ...],
    environment: str | None,
    host: str,
    port: int,
    base: str,
    username: str | None,
    password: str | None,
) -> None:
    for name, text in (("ptzd.toml", CONFIG), ("kept", "the daemon's\nand a note\n"), ("mine", "my own\n")):
        (tmp_path / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    found: list[BrokerAddress] = []

    @click.command()
    @broker_options
    def command(broker: BrokerAddress) -> None:
        found.append(broker)

    ended = CliRunner().invoke(command, options, env={"PTZD_BROKER": environment}, catch_exceptions=False)
    assert ended.exit_code == 0, ended.output
    (address,) = found
    assert (address.host, address.port, address.base) == (host, port, base)
    assert (address.username, address.password) == (username, password)
    # As the configuration has it, MQTT 5 where it says nothing; and without one what every broker speaks.
    assert address.protocol is (ProtocolVersion.V5 if CONFIGURED[0] in options else ProtocolVersion.V311)


def test_mistakes_in_other_tables_keep_nobody_from_the_broker_and_those_in_its_own_are_told(tmp_path: Path) -> None:
    @click.command()
    @broker_options
    def command(broker: BrokerAddress) -> None:
        click.echo(f"{broker.host}:{broker.port}")

    path = tmp_path / "ptzd.toml"
    path.write_text('[broker]\nport = 1884\n[camera.left]\nlink = "nowhere"\n[page]\nhost = 7\n')
    ended = CliRunner().invoke(command, ("--config", str(path)))
    assert (ended.exit_code, ended.output) == (0, "127.0.0.1:1884\n")
    path.write_text("[broker]\nport = 0\n")
    ended = CliRunner().invoke(command, ("--config", str(path)))
    assert ended.exit_code == 2
    assert "line 2, field broker.port: " in ended.output


async def test_a_broker_that_goes_away_while_nobody_listens_to_it_leaves_no_traceback() -> None:
    accepted = bytes([0x20, 0x02, 0x00, 0x00])  # CONNACK of MQTT 3.1.1, section 3.2

    async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(accepted)
        await asyncio.sleep(0.1)
        writer.close()

    unheeded: list[dict[str, object]] = []
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: unheeded.append(context))
    async with await asyncio.start_server(accept, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with reach(BrokerAddress("127.0.0.1", port, "ptzd", None, None)):
            await asyncio.sleep(0.5)
    gc.collect()
    assert unheeded == []
