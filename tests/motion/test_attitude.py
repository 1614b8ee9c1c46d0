"""How a head stands, from what it sees: held against scipy's rotations and its `align_vectors`, which share nothing."""

from __future__ import annotations

import itertools
import random

import numpy as np
import pytest
from drawn_knocks import COUNTS_PER_DEGREE, Knock, ahead, apart_deg, offs
from scipy.spatial.transform import Rotation

from ptzd.motion import Lens, attitude
from ptzd.motion.attitude import Sighted, UntoldError, find_attitude, find_offsets, unfit
from ptzd.motion.slipped import larger_by, slipped_counts

NOISE_DEG = 1 / 51.2
FAR_APART = ((-40.0, -5.0), (35.0, 10.0), (0.0, 25.0), (20.0, -10.0))


def sightings(knock: Knock, places: tuple[tuple[float, float], ...], **wrong: float) -> list[Sighted]:
    """What is seen of these places now; `at2=1.5` has that with the number 2 1.5 degrees further up."""
    found = []
    for index, place in enumerate(places):
        pan, tilt = knock.now(place)
        found.append(Sighted(place, (pan, tilt + wrong.get(f"at{index}", 0.0)), 0.2))
    return found


@pytest.mark.parametrize("count", [2, 3, 6])
def test_the_rotation_is_scipys_for_random_attitudes_and_noise(count: int) -> None:
    rng = random.Random(count)
    for _ in range(50):
        knock = Knock.draw(rng)
        seen = []
        for _ in range(count):
            place = rng.uniform(-170, 170), rng.uniform(-30, 85)
            pan, tilt = knock.now(place)
            seen.append(Sighted(place, (pan + rng.uniform(-0.3, 0.3), tilt + rng.uniform(-0.3, 0.3)), 1.0))
        theirs, _ = Rotation.align_vectors([ahead(each.now) for each in seen], [ahead(each.before) for each in seen])
        assert find_attitude(seen, NOISE_DEG).rotation == pytest.approx(theirs.as_matrix(), abs=1e-9)


def test_how_a_head_is_turned_and_how_its_pictures_lean_is_told() -> None:
    knock = Knock(2.0, -0.5, 3.0)
    found = find_attitude(sightings(knock, FAR_APART), NOISE_DEG)
    assert found.turned_deg == pytest.approx((2.0, -0.5, 3.0), abs=1e-6)
    for place in FAR_APART:
        # what is to the right in the old picture, as the head that is turned has it in its own
        camera = knock.head * Rotation.from_euler("YX", [found.now(place)[0], -found.now(place)[1]], degrees=True)
        before = Rotation.from_euler("YX", [place[0], -place[1]], degrees=True)
        right, up, _ = camera.inv().apply(before.apply([1.0, 0.0, 0.0]))
        assert found.leans_deg(place) == pytest.approx(-np.degrees(np.arctan2(up, right)), abs=1e-6)


def test_what_is_uncertain_is_as_large_as_what_noise_makes_of_it() -> None:
    rng = np.random.default_rng(1)
    knock, places, elsewhere = Knock(2.0, 1.0, -3.0), FAR_APART[:2], ((0.0, 0.0), (80.0, 40.0), (-120.0, 5.0))
    told = find_attitude(sightings(knock, places), NOISE_DEG)
    off: list[list[float]] = [[] for _ in elsewhere]
    for _ in range(400):
        seen = []
        for each in sightings(knock, places):
            pan, tilt = each.now
            noise = rng.normal(0.0, NOISE_DEG, 2)
            seen.append(Sighted(each.before, (pan + noise[0] / np.cos(np.radians(tilt)), tilt + noise[1]), 1.0))
        found = find_attitude(seen, NOISE_DEG)
        for index, place in enumerate(elsewhere):
            off[index].append(apart_deg(found.now(place), knock.now(place)))
    for index, place in enumerate(elsewhere):
        assert told.uncertain_deg(place) == pytest.approx(np.sqrt(np.mean(np.square(off[index]))), rel=0.12)


@pytest.mark.parametrize("places", [((10.0, 0.0), (11.0, 0.0)), ((-90.0, 0.0), (90.0, 0.0)), ((5.0, 5.0), (5.0, 5.0))])
def test_sightings_on_one_line_or_almost_tell_no_roll_and_are_refused(
    places: tuple[tuple[float, float], ...],
) -> None:
    with pytest.raises(UntoldError, match="can't tell whether the head has rolled"):
        find_attitude(sightings(Knock(1.0, 1.0, 1.0), places), NOISE_DEG)


@pytest.mark.parametrize(
    "count, wrong, named",
    [
        (4, {}, ()),
        (4, {"at2": 2.0}, (2,)),
        (3, {"at0": -1.5}, (0,)),
        (2, {}, ()),
        (2, {"at1": 0.3}, ()),  # each may be off by 0.2
        (2, {"at1": 3.0}, (0, 1)),
        (4, {"at0": 3.0, "at2": -4.0}, (0, 1, 2, 3)),
    ],
)
def test_a_sighting_that_does_not_fit_is_named(count: int, wrong: dict[str, float], named: tuple[int, ...]) -> None:
    assert unfit(sightings(Knock(3.0, -2.0, 5.0), FAR_APART[:count], **wrong), NOISE_DEG) == named


def test_one_sighting_tells_by_how_much_pan_and_tilt_are_off_there() -> None:
    offsets = find_offsets(Sighted((170.0, 5.0), (-179.0, 3.0), 0.2))
    assert offsets.now((100.0, 10.0)) == pytest.approx((111.0, 8.0))


def test_what_is_opposite_is_half_a_turn_apart_however_it_is_rounded() -> None:
    for pan, tilt in itertools.product(range(-180, 0), range(-30, 90, 7)):
        assert attitude.apart_deg((pan, tilt), (pan + 180.0, -tilt)) == pytest.approx(180.0, abs=1e-5)


@pytest.mark.parametrize("counts_per_degree", COUNTS_PER_DEGREE)
def test_two_sightings_with_a_count_of_noise_bring_the_others_back_within_three_counts(
    counts_per_degree: float,
) -> None:
    middle = offs(40, 2, counts_per_degree)["middle"]  # tests/drawn_knocks.py draws more
    assert len(middle.seen) > 200
    assert max(middle.pan + middle.tilt) <= 3.0
    assert np.median(middle.before) > 4 * counts_per_degree, "before, all of them are off by degrees"


@pytest.mark.parametrize(("before", "right"), [(-175.0, 10.0), (175.0, -10.0)])
def test_a_thing_is_looked_for_beyond_the_back_where_it_was_near_it_before(before: float, right: float) -> None:
    knock = Knock(right, 0.0, 0.0)
    found = find_attitude(sightings(knock, FAR_APART), NOISE_DEG)
    assert found.now((before, 20.0)) == pytest.approx((before - right, 20.0))  # and not a whole turn from there


def test_of_sightings_that_differ_that_counts_most_in_which_a_count_shows_most() -> None:
    """1/f falls by 0.0075/mm in 0x4000 counts, so that a count changes the picture by a share that grows with f."""
    lens = Lens(((0, 100.0), (0x4000, 400.0)))
    short, long = (round(0x4000 * (1 / 100 - 1 / focal_mm) / (1 / 100 - 1 / 400)) for focal_mm in (125, 250))
    slipped = slipped_counts(lens, [(short, short + 10), (long, long + 20)])
    assert slipped == pytest.approx((1 * 10 + 4 * 20) / 5, abs=0.1)  # twice the share, four times the weight


def test_a_picture_is_as_wide_as_before_where_the_ring_has_slipped_that_far_and_no_other_way() -> None:
    lens = Lens(((0, 100.0), (0x4000, 400.0)))
    assert larger_by(lens, 500.0, (0x2000, 0x2000 + 500)) == pytest.approx(0.0)
    assert larger_by(lens, 0.0, (0, 0x4000)) == pytest.approx(3.0)
