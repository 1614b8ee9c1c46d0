"""What holds for every dialect: those in the program's folder, found by themselves, and a newcomer's."""

from __future__ import annotations

import asyncio
import random
from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ptzsim import virtual_time
from rigs import framing, rigged

from ptzd.cameras import Recall
from ptzd.motion import lens_between
from ptzd.visca import (
    Answer,
    Dialect,
    PanTiltAbsolute,
    PanTiltPosition,
    PanTiltPositionInquiry,
    dialect_names,
    load_dialect,
    parse_command,
)


@pytest.mark.parametrize("name", dialect_names())
def test_a_dialect_of_the_program_keeps_its_file_name(name: str) -> None:
    assert load_dialect(name).name == name


def test_every_table_says_where_it_is_from_or_that_it_is_assumed(dialect: Dialect) -> None:
    assert "ratios_source" in dialect.zoom.model_fields_set
    assert "distances_source" in dialect.focus.model_fields_set
    sources = [
        *dialect.sources,
        dialect.pan.steps_source,
        dialect.tilt.steps_source,
        dialect.zoom.ratios_source,
        dialect.focus.distances_source,
    ]
    for source in sources:
        named = any(word in source for word in ("manual", "command list", "reference"))
        assert named or "assumed" in source or "from memory" in source, source


def test_home_lies_within_every_heads_reach(dialect: Dialect) -> None:
    for scale in (dialect.pan, dialect.tilt):
        assert scale.least_counts < 0 < scale.most_counts
        assert -360 < scale.degrees(scale.least_counts) < scale.degrees(scale.most_counts) < 360


@given(data=st.data())
def test_counts_are_the_nearest_there_are(dialect: Dialect, data: st.DataObject) -> None:
    for scale in (dialect.pan, dialect.tilt):
        ends = scale.degrees(scale.least_counts), scale.degrees(scale.most_counts)
        degrees = data.draw(st.floats(*ends))
        assert abs(scale.degrees(scale.counts(degrees)) - degrees) <= 0.5 / scale.counts_per_degree + 1e-9


def test_the_ends_of_a_heads_reach_travel_there_and_back(dialect: Dialect) -> None:
    pan, tilt = dialect.pan, dialect.tilt
    for at_pan, at_tilt in ((pan.least_counts, tilt.most_counts), (pan.most_counts, tilt.least_counts)):
        order = PanTiltAbsolute(at_pan, at_tilt, pan.fastest_step, tilt.fastest_step)
        sent = parse_command(order.encode(dialect), dialect)
        assert isinstance(sent, PanTiltAbsolute)
        assert (sent.pan_counts, sent.tilt_counts) == (at_pan, at_tilt)
        inquiry, there = PanTiltPositionInquiry(), PanTiltPosition(at_pan, at_tilt)
        assert inquiry.read(inquiry.answer(there, dialect), dialect) == there
        assert len(Answer(inquiry.answer(there, dialect)).encode()) <= 16


def test_a_lens_is_as_long_as_the_dialects_zoom_ratios_say(dialect: Dialect) -> None:
    zoom = dialect.zoom
    tele_mm = 4.0 * zoom.ratios[-1][0]
    lens = lens_between(4.0, tele_mm, zoom.ratios)
    for ratio, counts in zoom.ratios:
        assert lens.focal_length_mm(counts) == pytest.approx(4.0 * ratio)
        assert lens.zoom_counts(4.0 * ratio) == counts
    assert (zoom.ratios[0][1], zoom.ratios[-1][1]) == (zoom.wide_counts, zoom.tele_counts)


def test_the_focus_goes_by_the_dialects_distances_and_never_farther_for_what_is_nearer(dialect: Dialect) -> None:
    focus = dialect.focus
    for metres, counts in focus.distances:
        assert focus.counts(metres) == counts
        assert focus.least_counts <= counts <= focus.most_counts
    nearer = [focus.counts(metres) for metres in (inf, 100.0, 30.0, 8.0, 3.0, 1.0, 0.3, 0.1)]
    assert all(before <= after for before, after in pairwise(nearer))


def test_a_dialects_fingerprint_changes_with_each_of_its_scales_and_with_nothing_else(dialect: Dialect) -> None:
    def with_(part: str, **figures: object) -> str:
        figures_now = dialect.model_dump()
        return Dialect.model_validate(figures_now | {part: figures_now[part] | figures}).scales

    others = {
        dialect.scales,
        with_("pan", counts_per_degree=dialect.pan.counts_per_degree * 1.001),
        with_("tilt", counts_per_degree=dialect.tilt.counts_per_degree * 1.001),
        with_("zoom", ratios=(*dialect.zoom.ratios[:-1], (dialect.zoom.ratios[-1][0] + 1, dialect.zoom.tele_counts))),
        with_("focus", distances=(*dialect.focus.distances, (0.001, 0xFFFF))),
        with_("focus", distances=dialect.focus.distances[1:]),
    }
    assert len(others) == 6
    assert with_("pan", steps_source="learned", most_counts=dialect.pan.most_counts - 1) == dialect.scales


def test_a_simulated_head_is_sent_where_it_is_told_and_a_stop_brings_it_to_rest(dialect: Dialect) -> None:
    rng = random.Random(5)
    pan, tilt = dialect.pan, dialect.tilt
    wanted = framing(
        rng.randint(pan.least_counts, pan.most_counts),
        rng.randint(tilt.least_counts, tilt.most_counts),
        rng.randint(dialect.zoom.wide_counts, dialect.zoom.tele_counts),
        rng.randint(dialect.focus.least_counts, dialect.focus.most_counts),
    )

    async def scene() -> None:
        async with rigged(dialect=dialect) as rig:
            await rig.ready()
            end = await rig.recall(Recall("choir-wide", wanted, None, None, False, "1"))
            assert end.phase.value == "settled"
            now = asyncio.get_running_loop().time()
            # Half a count of rounding, and up to 0.6 counts of play in a simulated head.
            assert rig.simulated.head.pan_deg(now) == pytest.approx(
                pan.degrees(wanted.pan_counts), abs=1.6 / pan.counts_per_degree
            )
            assert rig.simulated.head.tilt_deg(now) == pytest.approx(
                tilt.degrees(wanted.tilt_counts), abs=1.6 / tilt.counts_per_degree
            )
            home = framing(0, 0, dialect.zoom.wide_counts, dialect.focus.least_counts)
            rig.camera.recall(Recall("home", home, None, None, False, "2"))
            await rig.until(lambda: rig.speed() > 1.0)
            rig.camera.stop()
            await rig.until(lambda: not rig.camera.moving)
            assert rig.speed() == 0.0

    virtual_time.run(scene())
