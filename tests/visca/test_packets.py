"""The envelope of VISCA over IP.

[A] SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import MESSAGE_ABNORMAL, RESET, SEQUENCE_ABNORMAL, Packet, PacketError, PayloadType
from ptzd.visca.packets import following


@pytest.mark.parametrize(
    ("packet", "datagram"),
    [
        (Packet(PayloadType.COMMAND, 1, bytes.fromhex("8101060401FF")), "0100 0006 00000001 8101060401FF"),
        (Packet(PayloadType.INQUIRY, 2, bytes.fromhex("81090612FF")), "0110 0005 00000002 81090612FF"),
        (Packet(PayloadType.REPLY, 0x01020304, bytes.fromhex("9041FF")), "0111 0003 01020304 9041FF"),
        (
            Packet(PayloadType.DEVICE_SETTING, 3, bytes.fromhex("81010001FF")),
            "0120 0005 00000003 81010001FF",
        ),
        (Packet(PayloadType.CONTROL, 0, RESET), "0200 0001 00000000 01"),
        (Packet(PayloadType.CONTROL_REPLY, 0, RESET), "0201 0001 00000000 01"),
        (Packet(PayloadType.CONTROL, 0xFFFFFFFF, SEQUENCE_ABNORMAL), "0200 0002 FFFFFFFF 0F01"),
        (Packet(PayloadType.CONTROL, 7, MESSAGE_ABNORMAL), "0200 0002 00000007 0F02"),
    ],
)
def test_a_packet_is_type_length_number_and_payload_in_big_endian(packet: Packet, datagram: str) -> None:
    wire = bytes.fromhex(datagram)  # [A]
    assert packet.encode() == wire
    assert Packet.decode(wire) == packet


@pytest.mark.parametrize(
    ("datagram", "complaint"),
    [
        ("", "too few"),
        ("0111", "too few"),
        ("0111 0000 00000001", "too few"),
        ("0112 0003 00000001 9041FF", "no payload type 0112"),
        ("0000 0003 00000001 9041FF", "no payload type 0000"),
        ("0111 0003 00000001 9041", "promises 3"),
        ("0111 0003 00000001 9041FF00", "promises 3"),
        ("0111 FFFF 00000001 9041FF", "promises 65535"),
        ("0111 0011 00000001" + "90" * 17, "too long"),
    ],
)
def test_a_datagram_that_is_no_packet_is_refused_with_the_reason(datagram: str, complaint: str) -> None:
    with pytest.raises(PacketError, match=complaint):
        Packet.decode(bytes.fromhex(datagram))


def test_a_payload_has_1_to_16_bytes() -> None:  # [A]
    longest = Packet(PayloadType.COMMAND, 1, bytes(16))
    assert Packet.decode(longest.encode()) == longest
    for size in (0, 17):
        with pytest.raises(ValueError, match="1 to 16 bytes"):
            Packet(PayloadType.COMMAND, 1, bytes(size)).encode()


@pytest.mark.parametrize("number", [-1, 1 << 32])
def test_a_number_has_four_bytes(number: int) -> None:  # [A]
    with pytest.raises(ValueError, match="sequence number"):
        Packet(PayloadType.COMMAND, number, b"\x01").encode()


def test_after_the_greatest_number_comes_0() -> None:  # [A]
    assert following(0) == 1
    assert following(0xFFFFFFFE) == 0xFFFFFFFF
    assert following(0xFFFFFFFF) == 0


@given(st.sampled_from(PayloadType), st.integers(min_value=0, max_value=0xFFFFFFFF), st.binary(min_size=1, max_size=16))
def test_every_packet_comes_back_as_it_was_sent(kind: PayloadType, number: int, payload: bytes) -> None:
    packet = Packet(kind, number, payload)
    assert Packet.decode(packet.encode()) == packet


@given(st.binary(max_size=40))
def test_any_bytes_are_a_packet_or_are_refused(datagram: bytes) -> None:
    try:
        packet = Packet.decode(datagram)
    except PacketError:
        return
    assert packet.encode() == datagram
