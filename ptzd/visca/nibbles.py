"""Numbers as nibbles: 0x1E1B travels as 01 0E 01 0B [A, B]."""

from __future__ import annotations


def to_nibbles(number: int, count: int) -> bytes:
    """Return `count` bytes of one nibble each; a negative number as two's complement. Raises ValueError outside."""
    bits = 4 * count
    if not -(1 << (bits - 1)) <= number < 1 << bits:
        raise ValueError(f"{number} does not fit into {count} nibbles")
    return bytes((number >> shift) & 0xF for shift in range(bits - 4, -1, -4))


def from_nibbles(data: bytes) -> int:
    """Return the unsigned number; the upper half of each byte must be 0. Raises ValueError."""
    number = 0
    for byte in data:
        if byte > 0xF:
            raise ValueError(f"byte {byte:02X} is no nibble")
        number = number << 4 | byte
    return number


def from_signed_nibbles(data: bytes) -> int:
    """Return the number read as two's complement."""
    number = from_nibbles(data)
    return number - (1 << 4 * len(data)) if number >> (4 * len(data) - 1) else number
