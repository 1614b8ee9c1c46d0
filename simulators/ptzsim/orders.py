"""What somebody beside a simulated camera may do to it: a line such as `camera-2 standby` on the standard input."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping

from ptzd.visca import PowerOn, PowerStandby

from .body import Refusal
from .camera import Knock, SimulatedCamera

EVERY = "all"
LONGEST_SECONDS = 86_400.0


def _lose_position(camera: SimulatedCamera, lost: bool) -> None:
    camera.head.pan_fault = camera.head.tilt_fault = lost


def _refuse_stops(camera: SimulatedCamera, until: float) -> None:
    camera.refuses_stops_until = until


def _ignore_stops(camera: SimulatedCamera, until: float) -> None:
    camera.ignores_stops_until = until


def _knocked(camera: SimulatedCamera, *by_deg: float) -> str:
    knock = camera.knocked = Knock(*by_deg)
    turned = f"{knock.right_deg:g}° to the right, {knock.up_deg:g}° up, {knock.clockwise_deg:g}° clockwise"
    return f"stands turned by {turned}"


def _zoom_slipped(camera: SimulatedCamera, by_percent: float) -> str:
    camera.zoom_slipped = by_percent / 100
    return f"shows all {by_percent:g} % larger than its zoom position says"


_AT_ONCE: Mapping[str, tuple[str, Callable[[SimulatedCamera, float], None]]] = {
    "standby": ("is in standby", lambda camera, now: camera.moved_by_another(PowerStandby(), now)),
    "on": ("is on, and starts up where it was not", lambda camera, now: camera.moved_by_another(PowerOn(), now)),
    "power-cut": ("lost its power for a moment, and starts up", lambda camera, now: camera.power_cut(now)),
    "lose-position": ("says that it has lost its position", lambda camera, now: _lose_position(camera, True)),
    "find-position": ("knows its position again", lambda camera, now: _lose_position(camera, False)),
}
_FOR_SECONDS: Mapping[str, tuple[str, Callable[[SimulatedCamera, float], None]]] = {
    "silent": ("neither hears nor answers", SimulatedCamera.fall_silent),
    "unplugged": ("has no cable", lambda camera, until: camera.pull(until)),
    "refuse-stops": ("refuses every stop", _refuse_stops),
    "ignore-stops": ("confirms every stop and moves on", _ignore_stops),
}
_BY_SO_MUCH: Mapping[str, tuple[int, Callable[..., str]]] = {  # by how many numbers at most, and what does and tells it
    "knocked": (3, _knocked),  # to the right, and if wished up and clockwise
    "zoom-slipped": (1, _zoom_slipped),
}
MOST_SO_MUCH = 30.0
HOW = (
    f"{', '.join(_AT_ONCE)}; {', '.join(f'{word} NUMBER' for word in _BY_SO_MUCH)}; "
    "and for so many seconds, 0 to end it: "
    f"{', '.join(f'{word} SECONDS' for word in _FOR_SECONDS)}"
)


def do(line: str, cameras: Mapping[str, SimulatedCamera], now: float) -> list[str]:
    """Do what a line says, and return what has become of each camera. Raises ValueError with what would be right."""
    name, what, *more = line.split() if len(line.split()) > 1 else (line.strip(), "")
    chosen = dict(cameras) if name == EVERY else {name: cameras[name]} if name in cameras else {}
    if not chosen:
        raise ValueError(f"there is no camera {name!r}{_near(name, [*cameras, EVERY])}")
    if what in _AT_ONCE and not more:
        became, begin = _AT_ONCE[what]
        until = now
    elif what in _FOR_SECONDS and len(more) == 1:
        became, begin = _FOR_SECONDS[what]
        until = now + _number(more[0], 0.0, LONGEST_SECONDS, "are no seconds")
        became += f" for {float(more[0]):g} s" if until > now else ": no more"
    elif what in _BY_SO_MUCH and 1 <= len(more) <= _BY_SO_MUCH[what][0]:
        by = [_number(each, -MOST_SO_MUCH, MOST_SO_MUCH, "is not how much") for each in more]
        return [f"{each} {_BY_SO_MUCH[what][1](camera, *by)}" for each, camera in chosen.items()]
    else:
        near = _near(what, [*_AT_ONCE, *_FOR_SECONDS, *_BY_SO_MUCH])
        raise ValueError(f"{' '.join((what, *more))!r} is nothing to do to a camera{near or f'; write {HOW}'}")
    for each, camera in chosen.items():
        try:
            begin(camera, until)
        except Refusal as refusal:
            raise ValueError(f"{each} refuses that: {refusal}") from None
    return [f"{each} {became}" for each in chosen]


def _number(text: str, least: float, most: float, wrong: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not least <= number <= most:
        raise ValueError(f"{text!r} {wrong}: write a number from {least:g} to {most:g}")
    return number


def _near(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, 1)
    return f"; did you mean {near[0]}?" if near else f"; there are {', '.join(known)}" if len(known) < 6 else ""
