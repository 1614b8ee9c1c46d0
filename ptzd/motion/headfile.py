"""The model of a learned head as a file that people can read, and back.

TOML. Beside each measured figure stands its spread, one standard deviation relative to it (0.01 is 1 %). A file is
read strictly: a field that is missing, unknown or impossible is an error that names it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from ptzd import toml

from .head import AxisModel, HeadModel, Renewal, SettleModel, SlowMode, Spread, ZoomModel

FORMAT = 1


class HeadFileError(ValueError):
    """A head file that can't be read, in one sentence."""


@dataclass(frozen=True, slots=True)
class Measured:
    """How far to trust each figure of a learned head: one standard deviation, relative to the figure."""

    pan_steps: tuple[float, ...]
    pan_acceleration: float
    tilt_steps: tuple[float, ...]
    tilt_acceleration: float
    zoom_direct: float
    zoom_drive: tuple[float, ...]
    zoom_acceleration: float
    focus: float
    latency: float
    settling: float
    not_reached: tuple[str, ...] = ()  # such as "pan step 24": told by its neighbours, the range was too small for it
    slow_pan_steps: tuple[float, ...] = ()  # in slow mode; none where that was not measured
    slow_tilt_steps: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class LearnedHead:
    """A head as it was measured."""

    model: HeadModel
    measured: Measured
    dialect: str  # the name of the dialect in whose counts and steps it was measured
    learned_at: datetime


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Steps = Annotated[tuple[Positive, ...], Field(min_length=1, max_length=24)]
Eight = Annotated[tuple[Positive, ...], Field(min_length=8, max_length=8)]


class _Axis(_Strict):
    steps_deg_per_s: Steps
    steps_spread: tuple[NotNegative, ...]
    acceleration_deg_per_s2: Positive
    acceleration_spread: NotNegative
    braking_deg_per_s2: Positive | None = None
    s_share: Annotated[float, Field(ge=0, le=1)] = 0.0

    def model(self, steps_deg_per_s: tuple[float, ...]) -> AxisModel:
        return AxisModel(steps_deg_per_s, self.acceleration_deg_per_s2, self.braking_deg_per_s2, self.s_share)


class _SlowMode(_Strict):
    pan_steps_deg_per_s: Steps
    pan_steps_spread: tuple[NotNegative, ...]
    tilt_steps_deg_per_s: Steps
    tilt_steps_spread: tuple[NotNegative, ...]
    spread: NotNegative


class _Zoom(_Strict):
    direct_counts_per_s: Positive
    direct_spread: NotNegative
    drive_counts_per_s: Eight
    drive_spread: tuple[NotNegative, ...]
    acceleration_counts_per_s2: Positive
    acceleration_spread: NotNegative


class _Focus(_Strict):
    counts_per_s: Positive
    acceleration_counts_per_s2: Positive | None = None
    spread: NotNegative


class _Delays(_Strict):
    latency_seconds: NotNegative
    latency_spread: NotNegative
    lens_delay_seconds: NotNegative
    lens_waits: bool = False


class _Swing(_Strict):
    swing_deg_per_deg_per_s: NotNegative
    most_swing_deg: Positive | None = None
    damping_ratio: Annotated[float, Field(gt=0, lt=1)]
    natural_rad_per_s: Positive
    tolerance_deg: Positive


class _Settling(_Swing):
    base_seconds: NotNegative
    spread: NotNegative
    reading_seconds: NotNegative
    whole_reading_seconds: NotNegative = 0.0  # in older files; no sum needs it
    told_seconds: NotNegative = 0.0
    still_seconds: NotNegative
    tilt: _Swing | None = None


class _Trust(_Strict):
    speed: NotNegative
    acceleration: NotNegative
    lens: NotNegative
    latency: NotNegative
    settling: NotNegative


class _File(_Strict):
    format: Literal[1]
    origin: Literal["learned"]
    learned_at: AwareDatetime
    dialect: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]
    shared_speed: bool
    renewal: Renewal = "unknown"
    not_reached: tuple[str, ...] = ()
    pan: _Axis
    tilt: _Axis
    slow_mode: _SlowMode | None = None
    zoom: _Zoom
    focus: _Focus
    delays: _Delays
    settling: _Settling
    spread: _Trust


def write_head(head: LearnedHead) -> str:
    """Return the text of a head file."""
    model, measured = head.model, head.measured
    settle, spread = model.settle, model.spread
    lines = [
        "# A head as `ptzd learn` measured it. A spread is one standard deviation, relative: 0.01 is 1 %.",
        f"format = {FORMAT}",
        'origin = "learned"',
        f"learned_at = {head.learned_at.astimezone(UTC).isoformat(timespec='seconds').replace('+00:00', 'Z')}",
        f'dialect = "{head.dialect}"',
        f"shared_speed = {str(model.shared_speed).lower()}",
        f'renewal = "{model.renewal}"  # a new order in mid-move: "smooth", "stops", "refused", "unknown"',
    ]
    if measured.not_reached:
        lines += [
            "# Too fast for the range that was given; estimated from the steps that were measured:",
            f"not_reached = {json.dumps(measured.not_reached)}",
        ]
    for name, axis, steps_spread, acceleration_spread in (
        ("pan", model.pan, measured.pan_steps, measured.pan_acceleration),
        ("tilt", model.tilt, measured.tilt_steps, measured.tilt_acceleration),
    ):
        lines += [
            "",
            f"[{name}]",
            f"steps_deg_per_s = {_row(axis.steps_deg_per_s)}  # step 1 first",
            f"steps_spread = {_row(steps_spread)}",
            f"acceleration_deg_per_s2 = {_number(axis.acceleration_deg_per_s2)}",
            f"acceleration_spread = {_number(acceleration_spread)}",
            *_given("braking_deg_per_s2", axis.braking_deg_per_s2),
            *([f"s_share = {_number(axis.s_share)}  # of a ramp that is rounded"] if axis.s_share else []),
        ]
    if model.slow is not None:
        lines += [
            "",
            "# While slow mode is on; accelerations are as without it.",
            "[slow_mode]",
            f"pan_steps_deg_per_s = {_row(model.slow.pan.steps_deg_per_s)}  # step 1 first",
            f"pan_steps_spread = {_row(measured.slow_pan_steps)}",
            f"tilt_steps_deg_per_s = {_row(model.slow.tilt.steps_deg_per_s)}",
            f"tilt_steps_spread = {_row(measured.slow_tilt_steps)}",
            f"spread = {_number(model.slow.spread)}  # what a plan allows for",
        ]
    lines += [
        "",
        "[zoom]",
        f"direct_counts_per_s = {_number(model.zoom.direct_counts_per_s)}",
        f"direct_spread = {_number(measured.zoom_direct)}",
        f"drive_counts_per_s = {_row(model.zoom.drive_counts_per_s)}  # speeds 0 to 7",
        f"drive_spread = {_row(measured.zoom_drive)}",
        f"acceleration_counts_per_s2 = {_number(model.zoom.acceleration_counts_per_s2)}",
        f"acceleration_spread = {_number(measured.zoom_acceleration)}",
        "",
        "[focus]",
        f"counts_per_s = {_number(model.focus_counts_per_s)}",
        *_given("acceleration_counts_per_s2", model.focus_acceleration_counts_per_s2),
        f"spread = {_number(measured.focus)}",
        "",
        "[delays]",
        f"latency_seconds = {_number(model.latency_seconds)}  # from the order's leaving to the head's moving",
        f"latency_spread = {_number(measured.latency)}",
        f"lens_delay_seconds = {_number(model.lens_delay_seconds)}  # by which zoom and focus start later",
        *(["lens_waits = true  # until the head has ended, since it takes one order at a time"] * model.lens_waits),
        "",
        "[settling]",
        f"base_seconds = {_number(settle.base_seconds)}  # from the stop until it was read back and seen to be still",
        f"spread = {_number(measured.settling)}",
        *_swing(settle),
        f"reading_seconds = {_number(settle.reading_seconds)}",
        f"told_seconds = {_number(settle.told_seconds)}  # of the base, until the camera tells of its stop",
        f"still_seconds = {_number(settle.still_seconds)}",
        *(["", "[settling.tilt]", *_swing(model.tilt_settle)] if model.tilt_settle is not None else []),
        "",
        "# What a prediction allows for, by kind of figure.",
        "[spread]",
        f"speed = {_number(spread.speed)}",
        f"acceleration = {_number(spread.acceleration)}",
        f"lens = {_number(spread.lens)}",
        f"latency = {_number(spread.latency)}",
        f"settling = {_number(spread.settling)}",
        "",
    ]
    return "\n".join(lines)


def read_head(text: str, where: str = "the head file") -> LearnedHead:
    """Return the head in the text of a file; `where` names it in errors. Raises HeadFileError."""
    try:
        file = _File.model_validate(toml.loads(text))
    except ValidationError as error:
        mistakes = "; ".join(
            f"{'.'.join(map(str, mistake['loc'])) or 'the whole'}: {mistake['msg'].lower()}"
            for mistake in error.errors()
        )
        raise HeadFileError(
            f"{where} is no head file of ptzd's ({mistakes}); move it away, then learn the head again"
        ) from None
    except ValueError as error:  # a ValidationError is one too, hence the order
        raise HeadFileError(f"{where} is not TOML ({error}); move it away, then learn the head again") from None
    try:
        return _head(file)
    except ValueError as error:
        raise HeadFileError(
            f"{where} is no head file of ptzd's ({error}); move it away, then learn the head again"
        ) from None


def _head(file: _File) -> LearnedHead:
    slow = file.slow_mode
    rows: list[tuple[str, Sequence[float], Sequence[float]]] = [
        ("pan.steps_spread", file.pan.steps_deg_per_s, file.pan.steps_spread),
        ("tilt.steps_spread", file.tilt.steps_deg_per_s, file.tilt.steps_spread),
        ("zoom.drive_spread", file.zoom.drive_counts_per_s, file.zoom.drive_spread),
    ]
    if slow is not None:
        rows += [
            ("slow_mode.pan_steps_spread", slow.pan_steps_deg_per_s, slow.pan_steps_spread),
            ("slow_mode.tilt_steps_spread", slow.tilt_steps_deg_per_s, slow.tilt_steps_spread),
            ("slow_mode.pan_steps_deg_per_s", file.pan.steps_deg_per_s, slow.pan_steps_deg_per_s),
            ("slow_mode.tilt_steps_deg_per_s", file.tilt.steps_deg_per_s, slow.tilt_steps_deg_per_s),
        ]
    for name, figures, others in rows:
        if len(figures) != len(others):
            raise ValueError(f"{name} has {len(others)} entries for {len(figures)} figures")
    settling = file.settling
    settle = SettleModel(
        base_seconds=settling.base_seconds,
        reading_seconds=settling.reading_seconds,
        told_seconds=settling.told_seconds,
        still_seconds=settling.still_seconds,
        **_swing_of(settling),
    )
    model = HeadModel(
        pan=file.pan.model(file.pan.steps_deg_per_s),
        tilt=file.tilt.model(file.tilt.steps_deg_per_s),
        zoom=ZoomModel(
            file.zoom.direct_counts_per_s, file.zoom.drive_counts_per_s, file.zoom.acceleration_counts_per_s2
        ),
        focus_counts_per_s=file.focus.counts_per_s,
        focus_acceleration_counts_per_s2=file.focus.acceleration_counts_per_s2,
        latency_seconds=file.delays.latency_seconds,
        lens_delay_seconds=file.delays.lens_delay_seconds,
        lens_waits=file.delays.lens_waits,
        settle=settle,
        tilt_settle=None if settling.tilt is None else replace(settle, **_swing_of(settling.tilt)),
        origin="learned",
        spread=Spread(**file.spread.model_dump()),
        shared_speed=file.shared_speed,
        renewal=file.renewal,
        slow=None
        if slow is None
        else SlowMode(
            file.pan.model(slow.pan_steps_deg_per_s),
            file.tilt.model(slow.tilt_steps_deg_per_s),
            slow.spread,
        ),
    )
    measured = Measured(
        pan_steps=file.pan.steps_spread,
        pan_acceleration=file.pan.acceleration_spread,
        tilt_steps=file.tilt.steps_spread,
        tilt_acceleration=file.tilt.acceleration_spread,
        zoom_direct=file.zoom.direct_spread,
        zoom_drive=file.zoom.drive_spread,
        zoom_acceleration=file.zoom.acceleration_spread,
        focus=file.focus.spread,
        latency=file.delays.latency_spread,
        settling=file.settling.spread,
        not_reached=file.not_reached,
        slow_pan_steps=() if slow is None else slow.pan_steps_spread,
        slow_tilt_steps=() if slow is None else slow.tilt_steps_spread,
    )
    return LearnedHead(model, measured, file.dialect, file.learned_at)


def _swing_of(swing: _Swing) -> dict[str, Any]:
    return swing.model_dump(include=set(_Swing.model_fields))


def _swing(settle: SettleModel) -> list[str]:
    return [
        f"swing_deg_per_deg_per_s = {_number(settle.swing_deg_per_deg_per_s)}",
        *_given("most_swing_deg", settle.most_swing_deg),
        f"damping_ratio = {_number(settle.damping_ratio)}",
        f"natural_rad_per_s = {_number(settle.natural_rad_per_s)}",
        f"tolerance_deg = {_number(settle.tolerance_deg)}",
    ]


def _given(name: str, value: float | None) -> list[str]:
    return [] if value is None else [f"{name} = {_number(value)}"]


def _row(values: Sequence[float]) -> str:
    return f"[{', '.join(map(_number, values))}]"


def _number(value: float) -> str:
    """Five digits that count: more than any figure is measured to. TOML wants a digit on both sides of a point."""
    text = f"{value:.5g}"
    return f"{float(text)!r}"
