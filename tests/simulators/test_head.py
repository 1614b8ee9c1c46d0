"""The head in motion: by its own speeds, from where it is, to where it was sent, and then it swings.

Times are held against the trapezoidal profile of any machine-design handbook, `t = d/v + v/a` if `d ≥ v²/a`, else
`2·sqrt(d/a)`, for the speeds that [D] prints. [B] and [D] are the sources of protocol.md: the SRG-300H technical
manual, "Execution command list (4/4)"; the TLC-700-S user manual, "speed value".
"""

from __future__ import annotations

import math
import random
from typing import Any

import pytest
from ptzsim import MOUNTS, Head, draw_stranger, draw_truth, mount_named
from ptzsim.axis import Stop
from ptzsim.latency import Latency

from ptzd.visca import Dialect, dialect_names, load_dialect

KIND_DEG_PER_S2 = 120.0  # the simulated kind's acceleration, which no manual prints
DEVIATION = 0.05  # what the simulator declares: each unit's speeds and accelerations are within 5 % of its kind's

# [D], "speed value": pan steps 1 to 24, degrees per second.
PAN_D = "1 1.5 2.2 2.4 2.6 2.8 3 3.2 3.4 3.8 4.5 6 9 15 19 25 32 38 45 58 75 88 105 120"
PAN_DEG_PER_S = [float(speed) for speed in PAN_D.split()]


def handbook_seconds(distance: float, top_speed: float, acceleration: float) -> float:
    if distance >= top_speed**2 / acceleration:
        return distance / top_speed + top_speed / acceleration
    return 2 * math.sqrt(distance / acceleration)


def head_of(dialect: Dialect, seed: int, mount: str = "tripod") -> Head:
    truth = draw_truth(dialect, random.Random(seed))
    head = Head(dialect, truth, mount_named(mount), random.Random(seed))
    head.wake_at_home(0.0)
    return head


@pytest.mark.parametrize("name", dialect_names())
def test_a_pan_takes_the_handbooks_time_within_the_declared_deviation(name: str) -> None:
    dialect = load_dialect(name)
    rng = random.Random(name)
    for seed in range(40):
        head = head_of(dialect, seed)
        target, step = rng.uniform(-170.0, 170.0), rng.randint(1, 24)
        head.go_to(0.0, target, 0.0, step, 1)
        top_speed = PAN_DEG_PER_S[step - 1]
        quickest = handbook_seconds(abs(target), top_speed * (1 + DEVIATION), KIND_DEG_PER_S2 * (1 + DEVIATION))
        slowest = handbook_seconds(abs(target), top_speed * (1 - DEVIATION), KIND_DEG_PER_S2 * (1 - DEVIATION))
        assert quickest <= head.ends_at <= slowest
        assert head.pan_counts(head.ends_at + 30.0) == round(target * dialect.pan.counts_per_degree)


def test_pan_and_tilt_move_at_once_each_at_its_own_step() -> None:
    head = head_of(load_dialect("nibble4-14"), 3)
    head.go_to(0.0, 90.0, 60.0, 24, 1)  # 120°/s against 1°/s [D]
    assert head.pan_deg(2.5) == 90.0
    assert 1.0 < head.tilt_deg(2.5) < 4.0
    assert 55.0 < head.ends_at < 65.0


def test_units_of_a_kind_differ_and_the_same_seed_brings_the_same_unit() -> None:
    dialect = load_dialect("nibble4-51")
    truths = [draw_truth(dialect, random.Random(seed)) for seed in range(200)]
    assert len({truth.pan_speed for truth in truths}) == 200
    assert truths[7] == draw_truth(dialect, random.Random(7))
    for truth in truths:
        for share in (truth.pan_speed, truth.tilt_speed, truth.zoom_speed, truth.focus_speed):
            assert 0.95 <= share <= 1.05
        for acceleration in (truth.pan_acceleration_deg_per_s2, truth.tilt_acceleration_deg_per_s2):
            assert 0.95 * KIND_DEG_PER_S2 <= acceleration <= 1.05 * KIND_DEG_PER_S2


def test_a_stop_in_full_flight_ends_at_the_heads_own_deceleration() -> None:
    head = head_of(load_dialect("nibble4-51"), 5)
    head.drive(0.0, 1, 0, 24, 1)
    speed, place = head.pan_deg_per_s(1.3), head.pan_deg(1.3)
    assert 114.0 <= speed <= 126.0  # 120°/s ± 5 % [D]
    head.stop(1.3)
    seconds = head.ends_at - 1.3
    assert 1 / 1.11 <= seconds / (120 / KIND_DEG_PER_S2) <= 1.11  # v/a, either of them ±5 %
    assert head.pan_deg(9.0) == pytest.approx(place + speed * seconds / 2)
    assert head.pan_deg_per_s(head.ends_at) == 0.0


def test_a_new_target_in_full_flight_is_reached_without_a_jump() -> None:
    head = head_of(load_dialect("nibble4-51"), 5)
    head.go_to(0.0, 120.0, 0.0, 24, 23)
    before = head.pan_deg_per_s(1.0)
    head.go_to(1.0, -30.0, 20.0, 24, 23)
    assert head.pan_deg_per_s(1.0) == pytest.approx(before)
    assert head.pan_deg(1.2) > head.pan_deg(1.0)  # it can't turn on the spot
    assert head.pan_counts(20.0) == round(-30 * 51.2)
    assert head.tilt_counts(20.0) == round(20 * 51.2)


def test_a_drive_ends_by_itself_at_the_end_of_the_range() -> None:
    head = head_of(load_dialect("nibble4-51"), 1)
    head.drive(0.0, 1, -1, 24, 23)
    assert not head.moving(10.0)
    assert (head.pan_counts(10.0), head.tilt_counts(10.0)) == (0x2200, 0xFC00 - 0x10000)  # [B]
    assert head.at_ends(10.0) == (False, True, False, True)


def test_counts_are_whole_and_the_nearest_to_where_the_shaft_is() -> None:
    head = head_of(load_dialect("nibble4-14"), 2)
    head.go_to(0.0, 50.0, 10.0, 12, 9)
    for at in range(60):
        now = at / 10
        assert abs(head.pan_counts(now) - head.pan_deg(now) * 14.4) <= 0.5 + 1e-9


def test_the_play_of_the_gear_is_less_than_a_count_and_depends_on_the_side_it_came_from() -> None:
    for seed in range(20):
        dialect = load_dialect("nibble4-51")
        head = head_of(dialect, seed)
        head.go_to(0.0, 20.0, 0.0, 24, 23)
        assert head.pan_counts(60.0) == 20 * 51.2
        from_left = head.picture_pan_deg(60.0)
        head.go_to(60.0, 40.0, 0.0, 24, 23)
        head.go_to(120.0, 20.0, 0.0, 24, 23)
        from_right = head.picture_pan_deg(180.0)
        assert head.pan_counts(180.0) == 20 * 51.2
        assert 0.1 < (from_right - from_left) * 51.2 < 1.0


@pytest.mark.parametrize("name", list(MOUNTS))
def test_two_percent_of_the_swing_is_left_after_four_time_constants(name: str) -> None:
    # A·exp(−ζωt)·cos(ω√(1−ζ²)·t): 2 % of A is left after about 4/(ζω) (common practice).
    mount = MOUNTS[name]
    stop = Stop(at=10.0, direction=1, speed=120.0, deceleration=120.0)
    first = mount.swing_deg(stop, 10.0)
    assert first > 0
    assert mount.swing_deg(stop, 9.99) == 0.0
    settled = 4 / (mount.damping * 2 * math.pi * mount.frequency_hz)
    later = [abs(mount.swing_deg(stop, 10.0 + settled + at / 1000)) for at in range(3000)]
    assert max(later) <= 0.02 * first
    earlier = [abs(mount.swing_deg(stop, 10.0 + settled * at / 1000)) for at in range(250, 500)]
    assert max(earlier) > 0.05 * first


def test_the_picture_swings_about_where_it_will_come_to_rest() -> None:
    head = head_of(load_dialect("nibble4-51"), 4, "balcony-rail")
    head.go_to(0.0, 60.0, 0.0, 24, 23)
    end = head.ends_at
    at_rest = head.picture_pan_deg(end + 60.0)
    offsets = [head.picture_pan_deg(end + at / 100) - at_rest for at in range(200)]
    assert max(offsets) > 0.01 and min(offsets) < -0.01
    assert abs(offsets[-1]) < 0.1 * max(offsets)


def test_a_rail_on_a_balcony_swings_longer_than_a_tripod_on_a_floor() -> None:
    def still_after(mount: str) -> float:
        head = head_of(load_dialect("nibble4-51"), 4, mount)
        head.go_to(0.0, 60.0, 0.0, 24, 23)
        at_rest = head.picture_pan_deg(1000.0)
        swings = [at for at in range(6000) if abs(head.picture_pan_deg(head.ends_at + at / 1000) - at_rest) > 0.005]
        return max(swings) / 1000

    assert still_after("balcony-rail") > 2 * still_after("tripod")


def test_the_encoder_shows_a_swing_only_where_it_is_larger_than_a_count() -> None:
    head = head_of(load_dialect("nibble4-51"), 4, "balcony-rail")
    head.go_to(0.0, 60.0, 0.0, 24, 23)
    end, target = head.ends_at, round(60 * 51.2)
    play = head.pan_deg(end + 60.0) - head.picture_pan_deg(end + 60.0)
    shown = 0
    for at in range(4000):
        now = end + at / 1000
        swing_counts = (head.picture_pan_deg(now) - head.pan_deg(now) + play) * 51.2
        off = head.pan_counts(now) - target
        assert abs(off) <= abs(swing_counts) + 1e-6
        if abs(swing_counts) < 1:
            assert off == 0
        shown += off != 0
    assert shown > 100


def test_a_slow_move_hardly_swings() -> None:
    def swing(step: int) -> float:
        head = head_of(load_dialect("nibble4-51"), 4, "truss")
        head.go_to(0.0, 30.0, 0.0, step, 1)
        return abs(head.picture_pan_deg(head.ends_at) - head.picture_pan_deg(head.ends_at + 600.0))

    assert swing(1) < swing(24) / 10


def test_start_up_takes_25_seconds_sweeps_the_whole_range_and_ends_at_home() -> None:
    # That it takes half a minute and sweeps from end to end is common practice; 25 s is what the simulator declares.
    for seed in range(10):
        dialect = load_dialect("nibble4-51")
        head = Head(dialect, draw_truth(dialect, random.Random(seed)), mount_named("tripod"), random.Random(seed))
        head.start_up(0.0)
        assert head.ready_at == pytest.approx(25.0, abs=0.5)
        pans = [head.pan_counts(at / 100) for at in range(2600)]
        tilts = [head.tilt_counts(at / 100) for at in range(2600)]
        assert (min(pans), max(pans)) == (-0x2200, 0x2200)  # [B]
        assert (min(tilts), max(tilts)) == (-0x0400, 0x1200)  # [B]
        assert (pans[-1], tilts[-1]) == (0, 0)
        assert head.starting(24.4) and not head.starting(25.6)


def test_a_head_that_nobody_asks_does_nothing(make_camera: Any) -> None:
    cameras = [make_camera(seed=seed) for seed in range(200)]
    assert all(camera.next_due() is None for camera in cameras)
    assert all(camera.due(86_400.0) == [] for camera in cameras)


def test_a_head_tells_when_its_motors_were_last_driven_without_their_braking() -> None:
    dialect = load_dialect("nibble4-51")
    head = head_of(dialect, 3)
    assert head.driven_until(5.0) == -math.inf
    head.drive(10.0, 1, 0, 24, 1)
    assert head.driven_until(10.5) == 10.5, "it is driven still"
    head.stop(10.6)
    assert head.driven_until(10.7) == 10.7, "it brakes, and nobody knows yet whether to rest"
    assert head.ends_at > 11.0
    assert head.driven_until(20.0) == pytest.approx(10.6)
    head.stop(30.0)
    assert head.driven_until(40.0) == pytest.approx(10.6), "a stop moves nothing"


def test_a_stranger_keeps_to_its_tables_and_differs_in_what_no_document_says() -> None:
    dialect = load_dialect("nibble4-51")
    truths = [draw_stranger(dialect, random.Random(seed)) for seed in range(200)]
    assert truths[7] == draw_stranger(dialect, random.Random(7))
    for truth in truths:
        assert all(0.95 <= share <= 1.05 for share in (*truth.pan_steps, *truth.tilt_steps))
    for least, most, told in (
        (0.6, 1.9, [truth.pan_braking for truth in truths]),
        (4.0, 25.0, [truth.zoom_seconds for truth in truths]),
        (0.02, 0.12, [truth.least_latency_seconds for truth in truths]),
    ):
        assert min(told) < least and max(told) > most
    assert {truth.s_ramps for truth in truths} == {True, False}
    assert len({truth.picture_seconds for truth in truths}) == 4


def test_a_camera_that_waits_for_its_picture_looks_at_messages_when_one_begins() -> None:
    latency = Latency(0.03, 0.04, 0.02, random.Random(1))
    for tick in range(100):
        at = latency.after(0.0073 * tick)
        assert 0.03 <= at - 0.0073 * tick <= 0.04 + 0.02 + 1e-9
        assert at / 0.02 == pytest.approx(round(at / 0.02))
