"""`ptzd aim`: where cameras will have to look, from a stage plan, before anything hangs."""

from __future__ import annotations

from datetime import UTC, datetime
from math import isinf
from pathlib import Path
from typing import Any

import click

from ptzd.cameras import CameraSettings
from ptzd.cli.configuration import mistakes_told, read_configuration
from ptzd.cli.console import print_table
from ptzd.cli.output import FAILED, Misuse, complain, say, say_json
from ptzd.cli.sentences import capital
from ptzd.cli.values import TEXT_FILE, advice
from ptzd.cli.writing import require_no_source, write_text
from ptzd.daemon import camera_settings
from ptzd.files import StagePlan, read_stage_plan
from ptzd.motion import HeadFileError
from ptzd.positions.text import written_show
from ptzd.visca import DialectError

from .aim_sums import Aimed
from .aim_sums import aim as aimed
from .shot_sums import mm

NOT_RECKONED = "Who stands in front of whom is not reckoned; go and look."


@click.command(
    short_help="Reckon positions from a stage plan.",
    epilog="Example: ptzd aim configs/granary-plan.toml --config configs/granary.toml --write aimed.toml",
)
@click.argument("file", metavar="PLAN", type=TEXT_FILE)
@click.option(
    "--config",
    "path",
    type=TEXT_FILE,
    required=True,
    help="The configuration: each camera's dialect, sensor, lens and window.",
)
@click.option(
    "--write",
    "positions_path",
    type=TEXT_FILE,
    metavar="FILE",
    help="Write the positions, provisional, for `ptzd positions import`.",
)
@click.option("--drawing", type=TEXT_FILE, metavar="FILE", help="Draw the plan, as SVG.")
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def aim(file: Path, path: Path, positions_path: Path | None, drawing: Path | None, as_json: bool) -> int:
    """Reckon pan, tilt and focal length of each shot in PLAN, whether they can be had, and what is sharp then.

    Needs no camera and no daemon. A shot is as high as a person in it: full 2.0 m, medium 1.1 m, medium-close 0.75 m,
    close 0.5 m. What is written is provisional: once the cameras hang, import it, frame two or three of the marks anew,
    and `ptzd align` brings the others right. Ends with 1 where a head can't look where it should.
    """
    with mistakes_told(file):
        plan = read_stage_plan(file)
    for out in (positions_path, drawing):
        require_no_source(out, file, path)
    settings = _settings(plan, path)
    found = [_aimed(plan, index, settings) for index in range(len(plan.shot))]
    if drawing is not None:
        from ptzd.report import DrawnShot, drawn_plan

        shots = [
            DrawnShot(one.shot.camera, one.shot.position, one.eye, one.thing, one.focal_length_mm, one.view_deg[0])
            for one in found
        ]
        eyes = {name: (place.place_m, place.facing_deg) for name, place in plan.camera.items()}
        marks = {name: mark.place_m for name, mark in plan.mark.items()}
        write_text(drawing, drawn_plan(plan.plan.label or plan.plan.name, eyes, marks, shots))
    if positions_path is not None:
        now = datetime.now(UTC)
        kept = [one.position(plan, settings[one.shot.camera], now) for one in found if one.beyond is None]
        write_text(positions_path, written_show(sorted(kept, key=lambda one: (one.camera, one.name))))
    if as_json:
        say_json({"plan": plan.plan.name, "note": NOT_RECKONED, "shots": [_as_json(one) for one in found]})
    else:
        _print(found)
        if positions_path is not None:
            say(f"The positions are in {positions_path}, provisional: `ptzd positions import {positions_path}`.")
        if drawing is not None:
            say(f"The plan is drawn in {drawing}.")
    return FAILED if any(one.beyond is not None for one in found) else 0


def _settings(plan: StagePlan, path: Path) -> dict[str, CameraSettings]:
    """What the configuration says of the cameras of a plan."""
    config = read_configuration(path)
    found = {}
    for name in plan.camera:
        if name not in config.camera:
            raise Misuse(f"There is no camera {name} in {path}; {advice(name, config.camera)}")
        try:
            found[name] = camera_settings(name, config.camera[name])
        except (DialectError, HeadFileError) as error:
            raise Misuse(f"{capital(error)}.") from None
        if found[name].optics is None:
            raise Misuse(f"Camera {name} needs a sensor and the focal_length of its zoom in {path}.")
    return found


def _aimed(plan: StagePlan, index: int, settings: dict[str, CameraSettings]) -> Aimed:
    shot = plan.shot[index]
    own = settings[shot.camera]
    assert own.optics is not None
    try:
        return aimed(plan, shot, own, own.optics)
    except ValueError as error:
        raise Misuse(f"Shot {index + 1}: {error}.") from None


def _print(found: list[Aimed]) -> None:
    sharp = any(one.sharp_m is not None for one in found)
    headings = ("camera", "position", "shot", "away", "pan", "tilt", "lens", "view", *(("sharp",) if sharp else ()))
    rows = [
        (
            one.shot.camera,
            one.shot.position,
            f"{one.seen}, {one.shot.mark}",
            f"{one.distance_m:.1f} m",
            f"{one.pan_deg:.1f}°",
            f"{one.tilt_deg:.1f}°",
            mm(one.focal_length_mm),
            f"{one.view_deg[0]:.1f}°",
            *((_sharp(one),) if sharp else ()),
        )
        for one in found
    ]
    print_table(headings, rows, figures=headings[3:], whole=headings[:2])
    say(NOT_RECKONED)
    for one in found:
        if one.sentence is not None:
            complain(f"Camera {one.shot.camera}, {one.shot.position}: {one.sentence}.")


def _sharp(one: Aimed) -> str:
    if one.sharp_m is None:
        return ""
    near, far = one.sharp_m
    return f"from {near:.1f} m" if isinf(far) else f"{near:.1f} to {far:.1f} m"


def _as_json(one: Aimed) -> dict[str, Any]:
    near, far = one.sharp_m or (None, None)
    return {
        "camera": one.shot.camera,
        "position": one.shot.position,
        "mark": one.shot.mark,
        "shot": one.seen,
        "distance_m": round(one.distance_m, 3),
        "pan_deg": round(one.pan_deg, 3),
        "tilt_deg": round(one.tilt_deg, 3),
        "needed_mm": round(one.wanted_mm, 2),
        "focal_length_mm": round(one.focal_length_mm, 2),
        "view_width_deg": round(one.view_deg[0], 2),
        "view_height_deg": round(one.view_deg[1], 2),
        "sharp_from_m": None if near is None else round(near, 3),
        "sharp_to_m": None if far is None or isinf(far) else round(far, 3),  # null, too, where there is no end
        "hyperfocal_m": None if one.hyperfocal_m is None else round(one.hyperfocal_m, 2),
        "within_reach": one.beyond is None,
        "lens_fits": one.fits,
        "sentence": one.sentence,
    }
