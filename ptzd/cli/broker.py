"""Where the daemon is to be found: the options that every command has that talks to a running daemon."""

from __future__ import annotations

import functools
import logging
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import aiomqtt
import click
from click.core import ParameterSource

from ptzd.names import checked_base

from .output import Misuse
from .values import TEXT_FILE

if TYPE_CHECKING:
    from ptzd.config import BrokerConfig

CONNECT_SECONDS = 5.0

_SAYS_NOTHING = logging.getLogger("ptzd.broker")  # what goes wrong is said once, as a Failure
_SAYS_NOTHING.addHandler(logging.NullHandler())


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """A broker, how to be let in, and the base below which the daemon's topics lie."""

    host: str
    port: int
    base: str
    username: str | None = None
    password: str | None = None
    ca_file: Path | None = None
    protocol: aiomqtt.ProtocolVersion = aiomqtt.ProtocolVersion.V311  # every broker speaks it

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    def connection(self, keepalive_seconds: int = 60, will: str | None = None) -> aiomqtt.Client:
        """Return a client that connects when it is entered, and sees within twice the time that nobody is there.

        Should it be gone without a goodbye, the broker sends an empty command on `will`, a topic below the base.
        Raises Misuse where `ca_file` holds no certificates.
        """
        try:
            tls = None if self.ca_file is None else ssl.create_default_context(cafile=str(self.ca_file))
        except (OSError, ssl.SSLError):
            raise Misuse(f"The file {self.ca_file} holds no certificates; name one in PEM format.") from None
        return aiomqtt.Client(
            self.host,
            self.port,
            username=self.username,
            password=self.password,
            protocol=self.protocol,
            tls_context=tls,
            logger=_SAYS_NOTHING,
            timeout=CONNECT_SECONDS,
            keepalive=keepalive_seconds,
            will=None if will is None else aiomqtt.Will(f"{self.base}/{will}", b"{}", qos=1),
            # Else a command waits 40 ms, until the broker's system acknowledges our confirmation of the status.
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )


def broker_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that name a broker; it gets them as one `broker: BrokerAddress`."""

    @click.option(
        "--broker",
        metavar="HOST:PORT",
        envvar="PTZD_BROKER",
        show_envvar=True,
        default="127.0.0.1:1883",
        show_default=True,
        help="Where the broker listens.",
    )
    @click.option("--base", default="ptzd", show_default=True, help="The topic below which the daemon's lie.")
    @click.option("--username", help="The name to log in to the broker with.")
    @click.option("--password-file", type=TEXT_FILE, help="A file whose first line is the password.")
    @click.option("--config", type=TEXT_FILE, help="The daemon's configuration, for all of this that is not given.")
    @functools.wraps(command)
    def with_broker(
        *,
        broker: str,
        base: str,
        username: str | None,
        password_file: Path | None,
        config: Path | None,
        **rest: Any,
    ) -> Any:
        try:
            address = BrokerAddress(*parse_address(broker), checked_base(base), username)
        except ValueError as error:
            raise Misuse(f"The base {error}.") from None
        if password_file is not None:
            address = replace(address, password=read_password(password_file))
        if config is not None:
            from .configuration import read_broker  # it takes its time, and is rarely needed

            configured = broker_of(read_broker(config), address.password)
            address = _filled_in(address, configured, click.get_current_context())
        if address.password is not None and address.username is None:
            raise Misuse("A password needs a name; give --username beside --password-file.")
        return command(broker=address, **rest)

    return with_broker


def answer_options(help_on_json: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Give a command the options that name a broker and, before these, one to be answered in JSON: `as_json`."""

    def with_answer(command: Callable[..., Any]) -> Callable[..., Any]:
        return click.option("--json", "as_json", is_flag=True, help=help_on_json)(broker_options(command))

    return with_answer


def parse_address(text: str) -> tuple[str, int]:
    """Read `HOST:PORT`; the port may be left out (1883). Raises Misuse with what would be right."""
    host, colon, port = text.rpartition(":")
    if not colon or text.endswith("]"):
        host, port = text, "1883"
    host = host.removeprefix("[").removesuffix("]")
    if not host or not (port.isascii() and port.isdigit()) or not 1 <= int(port) <= 65535:
        raise Misuse(f"The broker {text!r} is not HOST:PORT; write it such as 127.0.0.1:1883.")
    return host, int(port)


def read_password(path: Path) -> str:
    """Return the first line of a file. Raises Misuse where it can't be read."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise Misuse(f"The password file {path} can't be read; name a text file that you may read.") from None
    if not lines:
        raise Misuse(f"The password file {path} is empty; its first line must be the password.")
    return lines[0]


def broker_of(config: BrokerConfig, password: str | None = None) -> BrokerAddress:
    """Return the broker that a configuration names; its password file is read where no `password` is given."""
    if password is None and config.password_file is not None:
        password = read_password(config.password_file)
    return BrokerAddress(
        host=config.host,
        port=config.port,
        base=config.base_topic,
        username=config.username,
        password=password,
        ca_file=config.ca_file,
        protocol=aiomqtt.ProtocolVersion.V5 if config.protocol == "5" else aiomqtt.ProtocolVersion.V311,
    )


def _filled_in(given: BrokerAddress, configured: BrokerAddress, context: click.Context) -> BrokerAddress:
    """Take from the command line what was given there, the rest from the configuration."""

    def on_the_line(option: str) -> bool:
        return context.get_parameter_source(option) is ParameterSource.COMMANDLINE

    host, port = (given.host, given.port) if on_the_line("broker") else (configured.host, configured.port)
    return replace(
        configured,
        host=host,
        port=port,
        base=given.base if on_the_line("base") else configured.base,
        username=given.username or configured.username,
    )
