"""Holding a picture against a still: what was done to drawn pictures is found again, and nothing where it is a guess.

Shifts are held against scikit-image's, everything else against what Pillow or the simulated camera was told to do.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from io import BytesIO

import numpy as np
import pytest
from drawn_drifts import Drawing, tally
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from ptzsim.picture import Eye, View, place_of
from ptzsim.stage import Stage
from skimage.registration import phase_cross_correlation

from ptzd.pictures.comparing import compared_beside
from ptzd.pictures.drift import compared, similarity

PIANO = View(-53.7, -5.2, 128.0, 12.0, 0.0)
EYE = Eye(Stage(), place_of("right"))


def jpeg(picture: Image.Image) -> bytes:
    out = BytesIO()
    picture.save(out, "JPEG", quality=90)
    return out.getvalue()


def grey(picture: Image.Image) -> NDArray[np.float64]:
    return np.asarray(picture.convert("L"), dtype=np.float64)


@pytest.mark.parametrize("right, down", [(2.4, -1.3), (-9.7, 5.2), (41.0, -23.5)])
def test_a_shift_is_what_scikit_image_makes_of_it(right: float, down: float) -> None:
    large = EYE.draw(PIANO).resize((720, 405), Image.Resampling.BICUBIC)
    still, moved = (
        large.transform((600, 340), Image.Transform.AFFINE, (1, 0, 60 - x, 0, 1, 30 - y), Image.Resampling.BICUBIC)
        for x, y in ((0.0, 0.0), (right, down))
    )
    found = similarity(grey(still), grey(moved))
    assert found is not None
    window = np.outer(np.hanning(340), np.hanning(600))
    (down_there, right_there), _, _ = phase_cross_correlation(  # type: ignore[no-untyped-call]
        grey(moved) * window, grey(still) * window, upsample_factor=50
    )
    assert (found.right * 600, -found.up * 340) == pytest.approx((right_there, down_there), abs=0.5)
    assert (found.right * 600, -found.up * 340) == pytest.approx((right, down), abs=0.2)
    assert abs(found.larger) < 0.001
    assert abs(found.roll_deg) < 0.05


@pytest.mark.parametrize("larger", [-0.09, -0.012, 0.012, 0.08])
@pytest.mark.parametrize("roll_deg", [0.0, 2.0])
def test_size_and_roll_are_found_together(larger: float, roll_deg: float) -> None:
    zoomed = View(PIANO.pan_deg, PIANO.tilt_deg, PIANO.focal_length_mm * (1 + larger), PIANO.focus_m, 0.0)
    turned = EYE.draw(zoomed).rotate(-roll_deg, Image.Resampling.BICUBIC)  # Pillow turns the other way round
    found = compared(jpeg(EYE.draw(PIANO)), jpeg(turned))
    assert found is not None
    assert found.larger == pytest.approx(larger, abs=0.003)
    assert found.roll_deg == pytest.approx(roll_deg, abs=0.1)
    assert math.hypot(found.right * 640, found.up * 360) < 1.0


def test_a_darker_and_a_larger_picture_of_the_same_shows_no_drift() -> None:
    picture = EYE.draw(PIANO)
    dark = picture.point(lambda value: value * 0.4).resize((1920, 1080), Image.Resampling.BICUBIC)
    found = compared(jpeg(picture), jpeg(dark))
    assert found is not None
    assert (found.right * 640, found.up * 360, found.larger * 100) == pytest.approx((0.0, 0.0, 0.0), abs=0.3)


def test_nothing_is_told_of_another_view_of_bare_ground_or_of_one_person_who_moved() -> None:
    still = jpeg(EYE.draw(PIANO))
    elsewhere = jpeg(EYE.draw(View(-23.6, -1.5, 140.0, 12.0, 0.0)))
    bare = Image.new("RGB", (640, 360), (60, 60, 60))
    assert compared(still, elsewhere) is None
    assert compared(jpeg(bare), jpeg(bare)) is None
    person = EYE.draw(PIANO).crop((200, 0, 440, 360))
    here, there = bare.copy(), bare.copy()
    here.paste(person, (190, 0))
    there.paste(person, (210, 0))
    assert compared(jpeg(here), jpeg(there)) is None


def test_of_people_who_have_moved_no_alarm_is_made_and_what_is_told_of_cameras_is_right() -> None:
    untouched = tally(12, seed=7, drifted=False)
    assert untouched.alarms == 0
    assert untouched.told >= 2  # rather nothing than what is not so
    drifted = tally(12, seed=8, drifted=True)
    assert drifted.told > 1
    assert drifted.worst_pixels < 1.0
    assert drifted.worst_larger < 0.003


def planks(rng: np.random.Generator) -> NDArray[np.float64]:
    widths = rng.integers(15, 120, 60)
    boards = np.repeat(rng.uniform(50.0, 130.0, 60), widths)
    boards[(np.cumsum(widths) - 1)[:, None] - np.arange(2)] = 15.0  # gaps
    return boards


def curtain(rng: np.random.Generator) -> NDArray[np.float64]:
    folds = [
        rng.uniform(2.0, 14.0) * np.sin(np.arange(1600) / rng.uniform(3.0, 20.0) + rng.uniform(0, 6))
        for _ in "12345678"
    ]
    return np.asarray(90.0 + sum(folds))


def pipes(rng: np.random.Generator) -> NDArray[np.float64]:
    round_ = [np.sqrt(1.0 - np.linspace(-0.99, 0.99, rng.integers(22, 30)) ** 2) for _ in range(60)]
    return np.concatenate([rng.uniform(100.0, 160.0) * one for one in round_])


@pytest.mark.parametrize("drawn", [planks, curtain, pipes])
@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 33.0, 121.0])
def test_of_what_runs_one_way_only_no_shift_is_told_along_it_or_across_it(
    drawn: Callable[[np.random.Generator], NDArray[np.float64]], angle_deg: float
) -> None:
    rng = np.random.default_rng(round(angle_deg))
    across_x, across_y = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    y, x = np.mgrid[0:360, 0:640] - np.array([180, 320])[:, None, None]
    for across, along in ((0.0, 24.0), (0.0, -51.0), (9.0, 0.0), (-6.0, 17.0), (0.0, 0.0)):
        levels, noise = drawn(rng), rng.choice([0.0, 1.0, 4.0])
        jpegs = []
        for moved in (0.0, 1.0):
            right, down = across_x * across - across_y * along, across_y * across + across_x * along
            place = (x - right * moved) * across_x + (y - down * moved) * across_y
            shown = np.interp(place + 500.0, np.arange(len(levels)), levels) + rng.normal(0.0, noise, x.shape)
            jpegs.append(jpeg(Image.fromarray(np.clip(shown, 0.0, 255.0).astype(np.uint8))))
        assert compared(*jpegs) is None, (across, along, noise)


@pytest.mark.parametrize(
    "name, pan, tilt, focal_mm",
    [
        ("centre", 41.0, 2.0, 181.7),
        ("centre", 32.5, 2.8, 100.0),
        ("left", 60.0, 8.0, 250.0),
        ("right", -20.0, 6.0, 200.0),
    ],
)
def test_a_knock_before_a_wall_of_planks_is_told_rightly_or_not_at_all(
    name: str, pan: float, tilt: float, focal_mm: float
) -> None:
    eye = EYE if name == "right" else Eye(Stage(), place_of(name))
    pixels = 640 * focal_mm / 35.9
    still = eye.jpeg(View(pan, tilt, focal_mm, eye.distance_m(pan, tilt), 0.0))
    for turned, raised in ((0.0, 0.6), (0.0, -1.2), (-0.56, 0.0), (0.21, 0.0), (0.2, 0.3)):
        knocked = View(pan + turned, tilt + raised, focal_mm, eye.distance_m(pan, tilt), 0.0)
        found = compared(still, eye.jpeg(knocked))
        if found is not None:
            right, up = (-pixels * math.tan(math.radians(each)) for each in (turned, raised))
            assert (found.right * 640, found.up * 360) == pytest.approx(
                (right * math.cos(math.radians(tilt)), up), abs=2.5
            )


def before_planks(rng: np.random.Generator, upright: bool) -> Image.Image:
    """Two to six textured things before planks, 40 pixels larger than a picture on each side."""
    levels = planks(rng)
    wall = np.tile(levels[:720], (440, 1)) if upright else np.tile(levels[:440, None], (1, 720))
    picture = Image.fromarray(wall.astype(np.uint8))
    for _ in range(rng.integers(2, 7)):
        width, height = (int(each) for each in rng.integers(50, 140, 2))
        cloth = Image.fromarray(rng.uniform(20.0, 230.0, (height // 6, width // 6)).astype(np.uint8))
        place = int(rng.integers(40, 680 - width)), int(rng.integers(40, 400 - height))
        picture.paste(cloth.resize((width, height), Image.Resampling.BICUBIC), place)
    return picture


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("lines", [(290,), (20, 55), (20, 300)])
def test_a_caption_that_stays_hides_no_shift_before_planks(upright: bool, lines: tuple[int, ...]) -> None:
    for seed in range(8):
        rng = np.random.default_rng(seed)
        wall, size = before_planks(rng, upright), int(rng.integers(18, 34))
        far, aside = rng.uniform(3.0, 30.0) * rng.choice([-1, 1]), rng.choice([0.0, rng.uniform(-10.0, 10.0)])
        right, down = (far, aside) if seed % 2 else (aside, far)
        words = ["".join(rng.choice(list("abcdefghijklmno"), 60 - size)) for _ in lines]
        jpegs = []
        for x, y in ((0.0, 0.0), (right, down)):
            crop = (1, 0, 40 - x, 0, 1, 40 - y)
            shown = wall.transform((640, 360), Image.Transform.AFFINE, crop, Image.Resampling.BICUBIC)
            for top, text in zip(lines, words, strict=True):
                ImageDraw.Draw(shown).text((30, top), text, fill=245, font=ImageFont.load_default(size))
            noisy = grey(shown) + rng.normal(0.0, 2.0, (360, 640))
            jpegs.append(jpeg(Image.fromarray(np.clip(noisy, 0.0, 255.0).astype(np.uint8))))
        found = compared(*jpegs)
        if found is not None:
            assert (found.right * 640, -found.up * 360) == pytest.approx((right, down), abs=1.0), seed


async def test_a_process_of_its_own_finds_the_same_and_tells_nothing_of_what_is_no_picture() -> None:
    pair = Drawing(3).pair(drifted=True)
    wanted = compared(pair.still, pair.still)
    assert wanted is not None
    assert await compared_beside(pair.still, pair.still) == wanted
    assert await compared_beside(pair.still, b"no picture") is None


async def test_a_comparison_that_is_given_up_leaves_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[asyncio.subprocess.Process] = []
    start = asyncio.create_subprocess_exec

    async def noted(*command: str, **how: object) -> asyncio.subprocess.Process:
        started.append(await start(*command, **how))  # type: ignore[arg-type]
        return started[-1]

    monkeypatch.setattr(asyncio, "create_subprocess_exec", noted)
    still = jpeg(EYE.draw(PIANO))
    comparing = asyncio.create_task(compared_beside(still, still))
    while not started:
        await asyncio.sleep(0.01)
    comparing.cancel()
    await asyncio.wait([comparing])
    assert started[0].returncode is not None
