"""What passes through the guard's pipe arrives whole, however it is cut, and what is no message harms no other one."""

from __future__ import annotations

import pytest

from ptzd.guard.words import LONGEST_LINE_BYTES, Lines, encode

RENEWAL = b'{"renew":"gallery","until":null}\n'
LONG = b'{"halt":"' + b"x" * LONGEST_LINE_BYTES + b'"}\n'


@pytest.mark.parametrize("size", [1, 7, 10_000])
@pytest.mark.parametrize("noise", [b"", b"3\n", b"[]\n", b"null\n", b"\n", b"no message\n", b"\xff\xfe\n", LONG])
def test_messages_arrive_whole_and_noise_between_them_is_skipped(size: int, noise: bytes) -> None:
    data = RENEWAL + noise + RENEWAL
    lines = Lines()
    heard = [each for at in range(0, len(data), size) for each in lines.feed(data[at : at + size])]
    assert heard == 2 * [{"renew": "gallery", "until": None}]


def test_what_a_pipe_may_cut_is_not_said() -> None:
    with pytest.raises(ValueError, match="too long"):
        encode({"halt": "x" * LONGEST_LINE_BYTES})
