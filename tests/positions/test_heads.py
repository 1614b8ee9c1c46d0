"""Where a learned head is kept, and what is said where it can't be."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ptzd.motion import HeadFileError, LearnedHead, Measured, published_head
from ptzd.positions import HeadFiles, read_head_file
from ptzd.refusal import Refusal
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
HEAD = LearnedHead(
    published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s),
    Measured(
        pan_steps=(0.003,) * len(DIALECT.pan.steps_deg_per_s),
        pan_acceleration=0.02,
        tilt_steps=(0.004,) * len(DIALECT.tilt.steps_deg_per_s),
        tilt_acceleration=0.03,
        zoom_direct=0.002,
        zoom_drive=(0.01,) * 8,
        zoom_acceleration=0.1,
        focus=0.01,
        latency=0.2,
        settling=0.15,
    ),
    DIALECT.name,
    datetime(2031, 6, 20, tzinfo=UTC),
)


async def test_whoever_keeps_a_head_is_told_where_and_it_is_read_from_there(tmp_path: Path) -> None:
    kept = await HeadFiles(tmp_path).keep("gallery", HEAD)
    assert kept == tmp_path / "gallery.head.toml"
    found = read_head_file(kept)
    assert found is not None and found.dialect == DIALECT.name
    assert found.model.pan.steps_deg_per_s == pytest.approx(HEAD.model.pan.steps_deg_per_s)
    assert read_head_file(tmp_path / "left.head.toml") is None


async def test_a_head_that_can_not_be_kept_is_a_refusal_that_says_why(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match=r"gallery can't be kept in .*gallery\.head\.toml: No such file or directory"):
        await HeadFiles(tmp_path / "gone").keep("gallery", HEAD)


def test_a_file_of_a_head_that_can_not_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "gallery.head.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(HeadFileError, match=r"gallery\.head\.toml can't be read"):
        read_head_file(tmp_path / "gallery.head.toml")
