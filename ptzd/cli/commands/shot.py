"""`ptzd shot`: which focal length brings a shot, what is seen with it, how fine and how fast it can be framed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from math import inf
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.table import Table

from ptzd.cli.configuration import read_configuration
from ptzd.cli.console import Console, print_table
from ptzd.cli.output import Misuse, say, say_json
from ptzd.cli.sentences import capital
from ptzd.cli.values import TEXT_FILE, FiniteRange, OneOf, advice, name
from ptzd.config import CameraConfig
from ptzd.daemon import camera_settings
from ptzd.motion import (
    HeadFileError,
    Lens,
    Sensor,
    Shot,
    focal_length_for_picture_mm,
    focal_length_for_shot_mm,
    lens_between,
)
from ptzd.positions import HeadFiles
from ptzd.visca import Dialect, DialectError, dialect_named

from .shot_sums import Kit, View, mm

DEFAULT_FRAME_RATE = 25.0

VISIBLE_PIXELS = 4.0  # of the picture's width: half of it is seen where two pictures are compared; assumed


def _sensor(text: str) -> Sensor:
    sides = re.fullmatch(r"([0-9.]+) *[x×] *([0-9.]+)", text)
    if sides is None:
        raise click.BadParameter(f"{text!r} is no sensor; write its width and height in mm, such as 35.9x24.")
    return Sensor(*(_number(side, 0.1, 1000.0) for side in sides.groups()))


def _lens_ends(text: str) -> tuple[float, float]:
    ends = re.fullmatch(r"([0-9.]+)(?: *[-–] *([0-9.]+))?", text)
    if ends is None:
        raise click.BadParameter(f"{text!r} is no lens; write its ends in mm, such as 100-400, or one length.")
    wide, tele = (_number(end or ends[1], 0.1, 10000.0) for end in ends.groups())
    if tele < wide:
        raise click.BadParameter(f"a lens's shorter end comes first, so write {tele:g}-{wide:g}.")
    return wide, tele


def _number(text: str, least: float, most: float) -> float:
    try:
        number = float(text)
    except ValueError:
        number = inf
    if not least <= number <= most:
        raise click.BadParameter(f"{text!r} must be a number from {least:g} to {most:g}.")
    return number


@click.command(
    short_help="Tell which focal length brings a shot.",
    epilog="Example: ptzd shot --sensor 35.9x24 --lens 100-400 --distance 28 --shot medium",
)
@click.argument("camera", type=name, required=False)
@click.option(
    "--config",
    "path",
    type=TEXT_FILE,
    help="Take sensor, lens, head and frame rate of CAMERA from this configuration.",
)
@click.option("--sensor", type=_sensor, metavar="MMxMM", help="The sensor, of which a 16:9 picture is taken.")
@click.option("--lens", "ends_mm", type=_lens_ends, metavar="MM-MM", help="Both ends of the zoom, or one focal length.")
@click.option(
    "--distance", "distance_m", type=FiniteRange(0.1, 10000.0), metavar="M", help="From the camera to people."
)
@click.option("--shot", type=OneOf([str(shot) for shot in Shot]), help="How much of a person fills the picture.")
@click.option(
    "--width", "width_m", type=FiniteRange(0.001, 10000.0), metavar="M", help="How wide the picture shall be."
)
@click.option("--focal-length", "focal_length_mm", type=FiniteRange(0.1, 10000.0), metavar="MM", help="What it shows.")
@click.option("--dialect", "dialect_name", metavar="NAME", help="The head's dialect, or a dialect's .toml file.")
@click.option("--frame-rate", type=FiniteRange(10.0, 240.0), metavar="N", help="Pictures a second; 25 if not given.")
@click.option(
    "--picture-width",
    "picture_width_px",
    type=click.IntRange(16, 100000),
    default=3840,
    show_default=True,
    help="In pixels.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON.")
def shot(
    camera: str | None,
    path: Path | None,
    sensor: Sensor | None,
    ends_mm: tuple[float, float] | None,
    distance_m: float | None,
    shot: str | None,
    width_m: float | None,
    focal_length_mm: float | None,
    dialect_name: str | None,
    frame_rate: float | None,
    picture_width_px: int,
    as_json: bool,
) -> None:
    """Tell which focal length brings a shot, what it shows, and how finely and how fast it can be framed.

    Needs no camera and no daemon. Name one of --shot, --width and --focal-length, or none to see all shots and both
    ends of the lens. What is named here goes before what the configuration says. A shot is as high as a person in it:
    full 2.0 m, medium 1.1 m, medium-close 0.75 m, close 0.5 m.
    """
    if sum(wish is not None for wish in (shot, width_m, focal_length_mm)) > 1:
        raise Misuse("A picture is chosen by --shot, --width or --focal-length; keep one of them.")
    if distance_m is None and (shot is not None or width_m is not None):
        raise Misuse("That depends on how far away people are; add --distance, in metres.")
    known, learned = _camera_of(path, camera)
    kit = _kit(camera, known, learned, sensor, ends_mm, dialect_name, frame_rate, picture_width_px)
    views = [*_views(kit, distance_m, Shot(shot) if shot is not None else None, width_m, focal_length_mm)]
    if as_json:
        say_json(_as_json(kit, distance_m, views))
        return
    if len(views) == 1:
        _print_one(views[0])
    else:
        _print_all(views)
    say(*_notes(kit, views))


def _camera_of(path: Path | None, camera: str | None) -> tuple[CameraConfig | None, Path | None]:
    """The camera's table in the configuration, and the file of its head where that was learned."""
    if path is None:
        if camera is not None:
            raise Misuse(f"Camera {camera} is known from a configuration only; add --config, or leave it out.")
        return None, None
    config = read_configuration(path)
    cameras = config.camera
    if camera is None:
        raise Misuse(f"Name one of the cameras in {path}: {', '.join(cameras)}.")
    if camera not in cameras:
        raise Misuse(f"There is no camera {camera} in {path}; {advice(camera, cameras)}")
    return cameras[camera], HeadFiles(config.store.path.parent).path(camera)


def _kit(
    camera: str | None,
    known: CameraConfig | None,
    learned: Path | None,
    sensor: Sensor | None,
    ends_mm: tuple[float, float] | None,
    dialect_name: str | None,
    frame_rate: float | None,
    picture_width_px: int,
) -> Kit:
    if sensor is None and known is not None and known.sensor is not None:
        sensor = Sensor(*known.sensor)
    if sensor is None:
        missing = "" if known is None else f", or give camera {camera} a sensor in the configuration"
        raise Misuse(f"All of this depends on the sensor; add --sensor, such as --sensor 35.9x24{missing}.")
    dialect, steps, assumed, slow_steps = _head(camera, known, learned, dialect_name)
    table = None
    if ends_mm is None and known is not None and known.focal_length is not None:
        ends_mm, table = _ends_and_table(known.focal_length)
    lens = table
    if table is None and dialect is not None and ends_mm is not None and ends_mm[0] < ends_mm[1]:
        lens = lens_between(*ends_mm, dialect.zoom.ratios)
    return Kit(
        sensor=sensor.picture,
        ends_mm=ends_mm,
        lens=lens,
        zoom_is_estimated=lens is not None and table is None,
        dialect=dialect,
        steps_deg_per_s=steps,
        steps_are_assumed=assumed,
        slow_steps_deg_per_s=slow_steps,
        frame_rate=frame_rate or (known.frame_rate if known is not None else DEFAULT_FRAME_RATE),
        picture_width_px=picture_width_px,
    )


def _head(
    camera: str | None, known: CameraConfig | None, learned: Path | None, dialect_name: str | None
) -> tuple[Dialect | None, Sequence[float], bool, Sequence[float]]:
    """The dialect, the speeds of its pan steps, whether those are but assumed, and the speeds in slow mode."""
    try:
        if dialect_name is not None:
            dialect = dialect_named(dialect_name)
            return dialect, dialect.pan.steps_deg_per_s, dialect.pan.steps_source.startswith("assumed"), ()
        if known is None or camera is None:
            return None, (), False, ()
        settings = camera_settings(camera, known, learned)
    except (DialectError, HeadFileError) as error:
        raise Misuse(f"{capital(error)}.") from None
    dialect, head = settings.dialect, settings.head
    assumed = head.origin == "published" and dialect.pan.steps_source.startswith("assumed")
    slow_steps = () if head.slow is None else head.slow.pan.steps_deg_per_s
    return dialect, head.pan.steps_deg_per_s, assumed, slow_steps


def _ends_and_table(
    focal_length: tuple[float, float] | tuple[tuple[int, float], ...],
) -> tuple[tuple[float, float], Lens | None]:
    first, last = focal_length[0], focal_length[-1]
    if isinstance(first, tuple) and isinstance(last, tuple):
        return (first[1], last[1]), Lens(tuple(row for row in focal_length if isinstance(row, tuple)))
    assert isinstance(first, float) and isinstance(last, float)
    return (first, last), None


def _views(
    kit: Kit,
    distance_m: float | None,
    shot: Shot | None,
    width_m: float | None,
    focal_length_mm: float | None,
) -> Iterator[View]:
    if focal_length_mm is not None:
        yield View(f"{focal_length_mm:g} mm", kit, focal_length_mm, distance_m)
    elif distance_m is not None and width_m is not None:
        wanted = focal_length_for_picture_mm(kit.sensor.width_mm, distance_m, width_m)
        yield View(f"{width_m:g} m wide", kit, wanted, distance_m)
    elif distance_m is not None and shot is not None:
        yield View(str(shot), kit, focal_length_for_shot_mm(kit.sensor, shot, distance_m), distance_m)
    else:
        if kit.ends_mm is None and distance_m is None:
            raise Misuse("Say what is to be seen: add --distance with --shot or --width, or --focal-length or --lens.")
        zooms = kit.ends_mm is not None and kit.ends_mm[0] < kit.ends_mm[1]
        if kit.ends_mm is not None:
            yield View("wide end" if zooms else mm(kit.ends_mm[0]), kit, kit.ends_mm[0], distance_m)
        if distance_m is not None:
            for each in Shot:
                yield View(str(each), kit, focal_length_for_shot_mm(kit.sensor, each, distance_m), distance_m)
        if kit.ends_mm is not None and zooms:
            yield View("tele end", kit, kit.ends_mm[1], distance_m)


def _cells(view: View) -> dict[str, str]:
    """One view as people read it; what is not known is left out."""
    wide, high, across = view.angles_deg
    nearest = "" if view.fits is not False else f" ({mm(view.wanted_mm).removesuffix(' mm')} needed)"
    cells = {
        "focal length": f"{mm(view.focal_length_mm)}{nearest}",
        "angle of view": f"{wide:.2f} × {high:.2f}°",
        "across": f"{across:.2f}°",
    }
    if view.picture_m is not None:
        cells["picture"] = "{:.2f} × {:.2f} m".format(*view.picture_m)
    if view.zoom_counts is not None:
        cells["zoom"] = str(view.zoom_counts)
    if view.pixels_per_count is not None:
        pan, tilt = (f"{pixels:.1f}" for pixels in view.pixels_per_count)
        cells["one count"] = f"{pan} px" if pan == tilt else f"{pan} × {tilt} px"
    cells["watchable pan"] = f"{view.panning_limit_deg_per_s:.2f}°/s"
    if view.panning is not None:
        step = view.panning.fastest_watchable_step
        cells["watchable pan"] += ", no step" if step is None else f", step {step}"
        cells["watchable pan"] += " in slow mode" if view.panning.slow_mode else ""
    return cells


def _print_one(view: View) -> None:
    table = Table(box=box.SIMPLE_HEAD, show_header=False)
    for what, value in _cells(view).items():
        table.add_row(what, value)
    Console().print(table)
    if (sentence := view.lens_sentence()) is not None:
        say(sentence)
    if view.panning is not None:
        say(f"Pan: {view.panning.sentence}.")


def _print_all(views: Sequence[View]) -> None:
    rows = [(view.name, _cells(view)) for view in views]
    shown = [heading for heading in rows[0][1] if heading != "across"]  # too much for a terminal's width
    print_table(("", *shown), [(name, *(cells[each] for each in shown)) for name, cells in rows], whole=("",))


def _notes(kit: Kit, views: Sequence[View]) -> Iterator[str]:
    """What some figures rest on."""
    if kit.zoom_is_estimated:
        yield "The zoom counts are estimated from the ends of the lens; a measured table of focal_length is better."
    if kit.dialect is not None and (counts := views[0].focus_counts) is not None:
        assumed = kit.dialect.focus.distances_source.startswith("assumed")
        source = "assumed, as none are published for this head" if assumed else "published"
        yield f"At that distance the focus stands near {counts}; the counts are {source}, and drift with temperature."
    if kit.steps_are_assumed:
        yield "The speeds of the steps are assumed, as none are published for this head."
    if (pixels := views[-1].pixels_per_count) is not None and max(pixels) > VISIBLE_PIXELS:
        yield (
            f"By position a picture comes back within half a count: {max(pixels) / 2:.1f} px, {views[-1].name}; "
            "the camera's own memories may be finer, though nothing is published of them: compare, see memories in "
            "`ptzd schema config`."
        )
    too_fast = any(each.panning is not None and each.panning.fastest_watchable_step is None for each in views)
    if too_fast and kit.dialect is not None and kit.dialect.slow_mode and not kit.slow_steps_deg_per_s:
        yield "This head has a slow mode, and nobody publishes how slow: `ptzd learn` finds out, and it may do."


def _as_json(kit: Kit, distance_m: float | None, views: Sequence[View]) -> dict[str, Any]:
    return {
        "sensor_mm": [kit.sensor.width_mm, kit.sensor.height_mm],
        "lens_mm": kit.ends_mm,
        "distance_m": distance_m,
        "dialect": kit.dialect.name if kit.dialect is not None else None,
        "frame_rate": kit.frame_rate,
        "picture_width_px": kit.picture_width_px,
        "notes": [*_notes(kit, views)],
        "framings": [_view_as_json(view) for view in views],
    }


def _view_as_json(view: View) -> dict[str, Any]:
    panning = view.panning
    return {
        "name": view.name,
        "needed_mm": view.wanted_mm,
        "focal_length_mm": view.focal_length_mm,
        "fits": view.fits,
        "angle_of_view_deg": view.angles_deg,
        "picture_m": view.picture_m,
        "zoom_counts": view.zoom_counts,
        "focus_counts": view.focus_counts,
        "pixels_per_count": view.pixels_per_count,
        "panning_limit_deg_per_s": view.panning_limit_deg_per_s,
        "fastest_watchable_step": panning.fastest_watchable_step if panning is not None else None,
        "in_slow_mode": panning.slow_mode if panning is not None else None,
        "lens_sentence": view.lens_sentence(),
        "panning_sentence": panning.sentence if panning is not None else None,
    }
