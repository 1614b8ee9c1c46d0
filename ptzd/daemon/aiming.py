"""Moves to framings that are not stored: a little further, or to what is seen at a place of the picture."""

from __future__ import annotations

from dataclasses import replace

from ptzd.bus import Asked
from ptzd.bus.commands import FrameCommand, NudgeCommand
from ptzd.cameras import Camera, Recall, pose_wanted
from ptzd.line import Framing, landing
from ptzd.motion import Pose, filling_mm, turned_to
from ptzd.positions import required_optics
from ptzd.refusal import Refusal

from .handling import handles


class Aiming:
    """Each is one order to an absolute framing, exact to the count."""

    def __init__(self) -> None:
        self._nudged: dict[str, tuple[Framing, Pose]] = {}  # where each was sent last, in counts and exactly

    @handles(NudgeCommand)
    def nudge(self, asked: Asked[NudgeCommand], camera: Camera) -> None:
        try:
            self._nudge(asked, camera)
        except Refusal as refusal:
            camera.refuse(None, asked.id, asked.reply, refusal)

    @handles(FrameCommand)
    def frame(self, asked: Asked[FrameCommand], camera: Camera) -> None:
        try:
            self._frame(asked, camera)
        except Refusal as refusal:
            camera.refuse(None, asked.id, asked.reply, refusal)

    def _nudge(self, asked: Asked[NudgeCommand], camera: Camera) -> None:
        """Add to where it goes to, or stands; what is less than a count is kept for the next."""
        wanted, here = asked.what, camera.heading_for()
        settings = camera.settings
        sent, pose = self._nudged.get(camera.name, (here, pose_wanted(settings.dialect, here)))
        if not settings.tolerance.holds(landing(settings.dialect, here, sent)):
            pose = pose_wanted(settings.dialect, here)
        zoom, focus = pose.zoom_counts + wanted.zoom_counts, pose.focus_counts
        pan, tilt = pose.pan_deg + wanted.pan_deg, pose.tilt_deg + wanted.tilt_deg
        if wanted.by_picture:
            optics = required_optics(settings, "nudge by degrees and counts")
            focal_mm, place = optics.lens.focal_length_mm(zoom), (0.5 + wanted.right, 0.5 - wanted.up)
            pan, tilt = turned_to(optics.sensor, focal_mm, pan, tilt, place)
            if wanted.tighter:
                zoom = optics.lens.zoom_counts(focal_mm / (1.0 - wanted.tighter))
        if focus is not None:
            focus += wanted.focus_counts
        elif wanted.focus_counts:
            raise Refusal("focus", f"camera {camera.name} focuses by itself: focus it by hand first")
        pose = Pose(pan, tilt, zoom, focus)
        recall = self._go(asked, camera, here, pose)
        move = camera.activity.move
        if move is not None and move.recall is recall:  # one that was refused does not add up
            self._nudged[camera.name] = recall.framing, pose

    def _frame(self, asked: Asked[FrameCommand], camera: Camera) -> None:
        """Turn to a point, or turn and zoom to a part of the picture."""
        if camera.moving:  # a point of a picture that passes is no place
            raise Refusal("moving", f"camera {camera.name} is moving; point into its picture when it has come to rest")
        wanted, here = asked.what, camera.heading_for()
        pose = pose_wanted(camera.settings.dialect, here)
        optics = required_optics(camera.settings, "drive there by hand")
        warning = None
        sensor, focal_mm = optics.sensor, optics.lens.focal_length_mm(pose.zoom_counts)
        if wanted.point is not None:
            pan, tilt = turned_to(sensor, focal_mm, pose.pan_deg, pose.tilt_deg, wanted.point)
            zoom = pose.zoom_counts
        elif wanted.box is not None:
            box = wanted.box
            pan, tilt, focal_mm = filling_mm(sensor, focal_mm, pose.pan_deg, pose.tilt_deg, box[:2], box[2:])
            zoom = optics.lens.zoom_counts(focal_mm)
            if focal_mm > (longest_mm := optics.lens.tele_mm):
                warning = (
                    f"the lens ends at {longest_mm:.0f} mm: the part fills {longest_mm / focal_mm:.0%} of the picture"
                )
        self._go(asked, camera, here, Pose(pan, tilt, zoom, pose.focus_counts), warning)

    def _go(
        self,
        asked: Asked[NudgeCommand] | Asked[FrameCommand],
        camera: Camera,
        here: Framing,
        to: Pose,
        warning: str | None = None,
    ) -> Recall:
        dialect = camera.settings.dialect
        framing = replace(
            here,
            pan_counts=dialect.pan.counts(to.pan_deg),
            tilt_counts=dialect.tilt.counts(to.tilt_deg),
            zoom_counts=round(to.zoom_counts),
            focus_counts=here.focus_counts if to.focus_counts is None else round(to.focus_counts),
        )
        wanted = asked.what
        recall = Recall(None, framing, on_air=wanted.on_air, id=asked.id, token=asked.reply, warning=warning)
        camera.recall(recall)
        return recall
