"""What a message asked for, ready to be done, and what couldn't be done, in one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from ptzd.cameras import Tally

from .bus import Reply
from .messages import OutcomeMessage


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What every request has: the whole topic it came on, its own `id`, and where MQTT 5 wants it answered."""

    topic: str
    id: str | None = None
    reply: Reply | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RecallRequest(Asked):
    """Bring a camera to a stored position, with `speed` (pan step 1..24) or `seconds` or the camera's own pace."""

    camera: str
    position: str
    speed: int | None = None
    seconds: float | None = None
    on_air: bool = False
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreRequest(Asked):
    """Keep where a camera stands under a name."""

    camera: str
    position: str
    speed: int | None = None
    seconds: float | None = None
    note: str = ""
    replace: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveRequest(Asked):
    """Move by hand: each axis from -1 to 1 of its fastest; right, up, tele and far are positive."""

    camera: str
    pan: float = 0.0
    tilt: float = 0.0
    zoom: float = 0.0
    focus: float = 0.0
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRequest(Asked):
    """End motion now, of one camera or (None) of all."""

    camera: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LockRequest(Asked):
    """Let nobody move a camera."""

    camera: str
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnlockRequest(Asked):
    """Let a camera be moved again."""

    camera: str
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyRequest(Asked):
    """Say whether a camera's picture is on air."""

    camera: str
    tally: Tally


@dataclass(frozen=True, slots=True, kw_only=True)
class RenameRequest(Asked):
    """Give a position another name."""

    camera: str
    position: str
    to: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeleteRequest(Asked):
    """Take a position away."""

    camera: str
    position: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RevertRequest(Asked):
    """Bring back framing `number` (from 1, the oldest) of a position's history."""

    camera: str
    position: str
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRequest(Asked):
    """Tell every framing that a position has had."""

    camera: str
    position: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnRequest(Asked):
    """Measure how a head moves, within ranges of pan and tilt in degrees; or (`estimate`) tell how long that takes."""

    camera: str
    pan_deg: tuple[float, float]
    tilt_deg: tuple[float, float]
    near_ends: bool = False
    estimate: bool = False
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportRequest(Asked):
    """Tell the whole show as text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRequest(Asked):
    """Take positions from a show's text."""

    show: str
    replace: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StandbyRequest(Asked):
    """Bring the cameras into the first framings of a cue, the next where `number` is None."""

    number: Decimal | None
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GoRequest(Asked):
    """Run a cue, the next where `number` is None."""

    number: Decimal | None
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BackRequest(Asked):
    """Take back the last `go`."""

    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JumpRequest(Asked):
    """Make a cue the next."""

    number: Decimal
    sent_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRequest(Asked):
    """Let no cue start a move."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseRequest(Asked):
    """End the hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal(Asked):
    """A message that could not become a request.

    Codes: `unknown-topic`, `bad-name`, `retained`, `too-large`, `empty`, `not-utf-8`, `not-json`, `unknown-field`,
    `missing-field`, `bad-value`, `conflict` (speed and seconds), `late`, `early`.
    """

    code: str
    sentence: str

    def outcome(self) -> OutcomeMessage:
        """What is said of it."""
        return OutcomeMessage(topic=self.topic, id=self.id, ok=False, code=self.code, sentence=self.sentence)


CameraRequest = (
    RecallRequest
    | StoreRequest
    | DriveRequest
    | LockRequest
    | UnlockRequest
    | TallyRequest
    | RenameRequest
    | DeleteRequest
    | RevertRequest
    | HistoryRequest
    | LearnRequest
)
CueRequest = StandbyRequest | GoRequest | BackRequest | JumpRequest | HoldRequest | ReleaseRequest
Request = CameraRequest | StopRequest | ExportRequest | ImportRequest | CueRequest
