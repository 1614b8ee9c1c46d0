"""Numbers as VISCA writes them: one nibble a byte, the highest first, so that no byte can look like FF.

0x1E1B is `01 0E 01 0B`. Pan and tilt are two's complement in as many bits as the field has nibbles times four.
Source: SRG-300H technical manual.
"""

from __future__ import annotations

from collections.abc import Sequence


class MessageError(ValueError):
    """A message that means nothing, with a sentence that says why."""


def to_nibbles(number: int, count: int) -> bytes:
    """Write 0 to 16**count - 1 in `count` nibbles. Raises ValueError for a number that does not fit."""
    if not 0 <= number < 1 << 4 * count:
        raise ValueError(f"{number} does not fit {count} nibbles, which hold 0 to {(1 << 4 * count) - 1}")
    return bytes([number >> shift & 0xF for shift in range(4 * count - 4, -1, -4)])


def to_signed_nibbles(number: int, count: int) -> bytes:
    """Write a number in two's complement. Raises ValueError for a number that does not fit."""
    half = 1 << 4 * count - 1
    if not -half <= number < half:
        raise ValueError(f"{number} does not fit {count} signed nibbles, which hold {-half} to {half - 1}")
    return to_nibbles(number % (2 * half), count)


def from_nibbles(nibbles: Sequence[int]) -> int:
    """Read a number of any length. Raises MessageError for a byte that is no nibble."""
    number = 0
    for nibble in nibbles:
        if nibble > 0xF:
            raise MessageError(f"the byte {nibble:02X} is no nibble, which is 00 to 0F")
        number = number << 4 | nibble
    return number


def from_signed_nibbles(nibbles: Sequence[int]) -> int:
    """Read a number in two's complement. Raises MessageError for a byte that is no nibble."""
    number = from_nibbles(nibbles)
    half = 1 << 4 * len(nibbles) - 1
    return number - 2 * half if number >= half else number
