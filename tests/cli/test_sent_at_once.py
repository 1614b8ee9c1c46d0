"""A command leaves at once, whatever the broker has left unacknowledged."""

from __future__ import annotations

import socket

import pytest
from brokers import MosquittoBroker

from ptzd.cli.broker import BrokerAddress


@pytest.mark.mosquitto
async def test_a_command_does_not_wait_for_the_acknowledgement_of_what_was_said_before(
    mosquitto_broker: MosquittoBroker,
) -> None:
    async with BrokerAddress("127.0.0.1", mosquitto_broker.port, "ptzd").connection() as client:
        connection = client._client.socket()
        assert isinstance(connection, socket.socket)
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
