"""How a link is written in the configuration, and what is said of one that is none."""

from __future__ import annotations

import pytest

from ptzd.links import Address, LinkAddress, SerialAddress, parse_link


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("udp://127.0.0.1:52390", LinkAddress("127.0.0.1", 52390)),
        ("udp://[::1]:52390", LinkAddress("::1", 52390)),
        ("tcp://gallery.granary:5678", LinkAddress("gallery.granary", 5678, "tcp")),
        ("bare-udp://127.0.0.1:1259", LinkAddress("127.0.0.1", 1259, "bare-udp")),
        ("serial:/dev/ttyUSB0?address=2", SerialAddress("/dev/ttyUSB0", 2)),
        ("serial:/dev/ttyUSB0?address=7&baud=38400", SerialAddress("/dev/ttyUSB0", 7, 38400)),
        ("serial:/dev/ttyUSB0?address=2&cameras=3", SerialAddress("/dev/ttyUSB0", 2, 9600, 3)),
    ],
)
def test_a_link_is_read_as_it_is_written_and_written_as_it_was_read(text: str, address: Address) -> None:
    assert parse_link(text) == address
    assert str(address) == text


def test_what_is_usual_may_be_left_out() -> None:
    assert parse_link("udp://127.0.0.1") == LinkAddress("127.0.0.1", 52381)  # SRG-300H manual, "VISCA over IP"
    assert parse_link("serial:/dev/ttyUSB0") == SerialAddress("/dev/ttyUSB0", 1, 9600)  # the same, "Command list"


@pytest.mark.parametrize(
    ("text", "words", "right"),
    [
        ("udp://127.0.0.1:0", "port 0", "udp://HOST:PORT"),
        ("udp://127.0.0.1:99999", "1 to 65535", "udp://HOST:PORT"),
        ("udp://", "host and a port", "udp://HOST:PORT"),
        ("udp://127.0.0.1:1/x", "host and a port", "udp://HOST:PORT"),
        ("udp://...", "a host that there can't be", "udp://HOST:PORT"),
        ("tcp://127.0.0..1:5678", "a host that there can't be", "udp://HOST:PORT"),
        (f"udp://{64 * 'a'}.example", "a host that there can't be", "udp://HOST:PORT"),
        ("127.0.0.1:1", "no kind of link", "udp://HOST:PORT"),
        ("http://127.0.0.1:1", "no kind of link", "tcp://HOST:PORT"),
        ("tcp:127.0.0.1:1", "no kind of link", "tcp://HOST:PORT"),
        ("tcp://127.0.0.1", "no port", "tcp://127.0.0.1:5678"),
        ("bare-udp://127.0.0.1", "no port", "bare-udp://127.0.0.1:5678"),
        ("serial://dev/ttyUSB0", "whole path", "serial:/dev/ttyUSB0"),
        ("serial:ttyUSB0", "whole path", "serial:/dev/ttyUSB0"),
        ("serial:/dev/ttyUSB0?address=0", "from 1 to 7", "serial:/dev/ttyUSB0?address=1"),
        ("serial:/dev/ttyUSB0?address=8", "from 1 to 7", "serial:/dev/ttyUSB0?address=1"),
        ("serial:/dev/ttyUSB0?address=", "from 1 to 7", "serial:/dev/ttyUSB0?address=1"),
        ("serial:/dev/ttyUSB0?baud=9601", "9600", "serial:/dev/ttyUSB0?address=1"),
        ("serial:/dev/ttyUSB0?address=3&cameras=2", "from its own address 3 to 7", "&cameras=3"),
        ("serial:/dev/ttyUSB0?parity=odd", "parity", "address=1&baud=9600"),
        ("serial:/dev/ttyUSB0?address=1&address=2", "twice", "address=1&baud=9600"),
        ("serial:/dev/ttyUSB0?", "nothing", "address=1&baud=9600"),
    ],
)
def test_a_link_that_is_none_is_answered_with_one_that_is(text: str, words: str, right: str) -> None:
    with pytest.raises(ValueError, match=words) as error:
        parse_link(text)
    assert right in str(error.value)
