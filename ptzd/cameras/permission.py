"""What a camera must be like for what is asked of it; each raises Refusal where it is not, and changes nothing."""

from __future__ import annotations

from ptzd.guard import Guard
from ptzd.line import Framing
from ptzd.refusal import Refusal

from .activity import Activity
from .doing import Doing
from .halting import Halting
from .power import Switching
from .reports import locked_by


def require_reachable(camera: Doing) -> Framing:
    """It answers, and is neither in standby nor starting up; return where it stands."""
    name, contact = camera.settings.name, camera.contact
    if not camera.attended or not contact.up or contact.framing is None or contact.refuses:
        raise _unreachable(camera)
    if contact.other_head is not None:
        what = "see which it is, put its own dialect into the configuration, and start the daemon anew"
        raise Refusal("other-head", f"camera {name} {contact.other_head}; {what}")
    if contact.power == "standby":
        raise Refusal("standby", f"camera {name} is in standby; switch it on where its start-up sweep endangers nobody")
    if contact.starting:
        raise Refusal("initialising", f"camera {name} is still starting up; wait until its sweep has ended")
    return contact.framing


def require_ready(camera: Doing) -> Framing:
    """It is reachable, and nobody keeps it still; return where it stands."""
    _require_unlocked(camera)
    return require_reachable(camera)


def require_not_refused_on_air(camera: Doing) -> None:
    """It is off air, or its configuration lets it move all the same."""
    if camera.on_air and camera.settings.on_air_moves == "refuse":
        raise Refusal(*_seen(camera, ", and its on_air_moves says refuse"))


def require_free_to_be_recalled(camera: Doing, *, on_air: bool) -> None:
    """It is off air, or may be moved on air: because it always may, or because whoever asks says so (`on_air`)."""
    require_not_refused_on_air(camera)
    if camera.on_air and camera.settings.on_air_moves == "ask" and not on_air:
        hint = 'send "on_air": true'
        raise Refusal(*_seen(camera, f"; to move it all the same, {hint}"), hint)


def require_free_to_be_learned(camera: Doing) -> Framing:
    """It is ready, off air and at rest; return where it stands."""
    framing = require_ready(camera)
    if camera.on_air:
        raise Refusal(*_seen(camera, "; learn it when nobody watches"))
    if camera.moving:
        raise Refusal("moving", f"camera {camera.settings.name} is moving; learn it when it has come to rest")
    return framing


def _seen(camera: Doing, more: str) -> tuple[str, str]:
    """Code and sentence for a camera that is on air, or of which nobody tells whether it is."""
    name = camera.settings.name
    if camera.tally == "program":
        return "on-air", f"camera {name} is on air{more}"
    return "tally-unknown", (
        f"nobody tells whether camera {name} is on air, so it counts as on air{more}; or let its tally be published, "
        'or, where nobody can, write source = "none" below [tally] in the configuration'
    )


def require_switchable(camera: Doing, switching: Switching, *, on_air: bool) -> None:
    """It answers, nobody keeps it still, nothing moves it, and it is not as it is to become."""
    name, power = camera.settings.name, camera.contact.power
    _require_unlocked(camera)
    if not camera.attended or power == "unknown":
        raise _unreachable(camera)
    require_free_to_be_recalled(camera, on_air=on_air)
    if switching == "reset":
        require_reachable(camera)
    elif (power == "standby") is (switching == "standby"):
        raise Refusal("as-it-is", f"camera {name} is {'in standby' if power == 'standby' else 'on'} already")
    if camera.moving and power == "on":
        raise Refusal("moving", f"camera {name} is moving; stop it first")


def _unreachable(camera: Doing) -> Refusal:
    name, contact = camera.settings.name, camera.contact
    if contact.up and contact.refuses:
        return Refusal("unreachable", f"camera {name} {contact.refuses}; `ptzd check` asks it all that a show needs")
    why = "" if contact.line.trouble is None else f" ({contact.line.trouble})"
    return Refusal("unreachable", f"camera {name} does not answer{why}; check its power and its network")


def _require_unlocked(camera: Doing) -> None:
    if camera.locks:
        raise Refusal(
            "locked",
            f"camera {camera.settings.name} is {locked_by(camera.locks)}; unlock it when it is safe to move",
        )


def require_guarded(camera: Doing, guard: Guard, activity: Activity) -> None:
    """Let nothing begin without an end of its own where nobody could bring that about."""
    if not activity.unended:
        return
    if not guard.watches:
        raise Refusal(
            "no-guard",
            f"the guard that would stop camera {camera.settings.name} if this program failed is not running, so it "
            "makes only moves off air, which end by themselves; the guard is being started again",
        )
    older = camera.activity
    if isinstance(older, Halting) and older.goes_on:
        raise Refusal("halting", f"camera {camera.settings.name} is being stopped: {older.fault}")
