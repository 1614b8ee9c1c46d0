"""What the daemon says, and the schemas that both sides can check it by."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from bus_document import promised, promised_of

from ptzd.bus import Incoming, Intake, StatusMessage, Topics
from ptzd.bus.commands import COMMANDS
from ptzd.bus.messages import (
    CueStateMessage,
    ExportResult,
    GoResult,
    HistoryResult,
    ImportResult,
    LearnEstimate,
    LearnProgressMessage,
    LearnResult,
    LoadResult,
    LocksResult,
    MoveMessage,
    NamedResult,
    OutcomeMessage,
    PositionsMessage,
    Report,
    Result,
    StateMessage,
)
from ptzd.cameras import ActivityKind, CameraSettings, CameraState, Lock, MoveReport, Optics, Phase
from ptzd.cues import CueState, Gone, ListedCue, NotReady
from ptzd.cues.run import ListedMove
from ptzd.line import Framing, Landing, Tolerance
from ptzd.motion import Lens, Sensor, published_head
from ptzd.positions import HistoryEntry, StoredPosition
from ptzd.refusal import Refusal
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
NOW = datetime(2031, 5, 17, 19, 30, tzinfo=UTC)
FRAMING = Framing(102, -51, 8192, 4096, "manual")
STATE = CameraState(
    camera="gallery",
    link="up",
    power="on",
    phase=Phase.SLEWING,
    framing=FRAMING,
    pan_deg=2.0,
    tilt_deg=-1.0,
    position=None,
    seconds_to_settled=1.25,
    tally="program",
    locks=(Lock("stage left", "rigging", NOW),),
    faults=("digital zoom is on",),
    as_of=NOW,
)
MOVE = MoveReport(
    camera="gallery",
    phase=Phase.SETTLED,
    position="choir-wide",
    id="q12",
    predicted_seconds=2.0,
    measured_seconds=2.1,
    landing=Landing(1, 0, 0, None, 0.02, 0.0),
    code=None,
    sentence=None,
    as_of=NOW,
)
STORED = StoredPosition("gallery", "choir-wide", FRAMING, "nibble4-51", 6, None, "second row", NOW)

CUE = ListedCue(Decimal("12.5"), "Second verse", "left", (ListedMove("left", "choir-wide"),))
CUE_STATE = CueState(
    show="evening",
    standing=None,
    next=CUE,
    standby=True,
    held=False,
    not_ready=(NotReady("left", "choir-wide", "moving", "camera left is on its way to choir-wide"),),
)


def said(payload: bytes) -> dict[str, Any]:
    value: dict[str, Any] = json.loads(payload)
    return value


def test_a_state_has_the_figures_with_their_units_and_the_date_in_rfc_3339() -> None:
    payload = said(StateMessage.of(STATE, None).encode())
    assert payload["pan_deg"] == 2.0
    assert payload["zoom_counts"] == 8192
    assert payload["phase"] == "slewing"
    assert payload["position"] is None
    assert payload["seconds_to_settled"] == 1.25
    lock = {"by": "stage left", "reason": "rigging", "since": "2031-05-17T19:30:00Z"}
    assert payload["locks"] == [lock | {"kept": True}]
    unkept = said(StateMessage.of(STATE, None, {"stage left"}).encode())
    assert unkept["locks"] == [lock | {"kept": False}]
    assert payload["faults"] == ["digital zoom is on"]
    assert payload["activity"] == "at-rest"
    assert payload["as_of"] == "2031-05-17T19:30:00Z"


def test_a_state_tells_that_a_head_is_being_learned() -> None:
    payload = said(StateMessage.of(replace(STATE, phase=Phase.IDLE, activity=ActivityKind.LEARNING), None).encode())
    assert (payload["phase"], payload["activity"]) == ("idle", "learning")


def test_a_camera_that_never_told_its_position_is_said_to_be_nowhere() -> None:
    payload = said(StateMessage.of(replace(STATE, framing=None, pan_deg=None, tilt_deg=None), None).encode())
    assert [payload[field] for field in ("pan_deg", "pan_counts", "zoom_counts", "focus_mode")] == [None] * 4


def test_a_move_tells_its_id_and_how_far_off_it_landed() -> None:
    payload = said(MoveMessage.of(MOVE).encode())
    assert (payload["id"], payload["phase"]) == ("q12", "settled")
    assert payload["landing"]["pan_counts"] == 1
    assert payload["landing"]["focus_counts"] is None


def test_a_shows_state_tells_where_it_stands_and_who_is_not_ready() -> None:
    payload = said(CueStateMessage.of(CUE_STATE, NOW).encode())
    assert payload["standing"] is None
    assert payload["next"] == {"number": "12.5", "label": "Second verse", "take": "left"}
    assert payload["ready"] is False
    assert [one["camera"] for one in payload["not_ready"]] == ["left"]


HEAD = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
OPTICS = Optics(Sensor(35.9, 24.0), Lens(((0, 100.0), (8192, 250.0), (16384, 400.0))), 25.0)
SETTINGS = CameraSettings("gallery", DIALECT, HEAD, 24, Tolerance(), optics=OPTICS)


@pytest.mark.parametrize(
    ("settings", "dialect", "told"),
    [
        # 51.2 counts a degree: SRG-300H technical manual; the lens is the one above
        (SETTINGS, "nibble4-51", [1.992, -0.996, 250.0]),
        (replace(SETTINGS, optics=None), "nibble4-51", [1.992, -0.996, None]),
        (SETTINGS, "nobody-knows", [None, None, None]),
    ],
)
def test_a_position_is_told_in_degrees_and_millimetres_as_far_as_they_are_known(
    settings: CameraSettings, dialect: str, told: list[float | None]
) -> None:
    message = PositionsMessage.of(settings, {"choir-wide": replace(STORED, dialect=dialect)})
    (position,) = said(message.encode())["positions"]
    assert [position[field] for field in ("pan_deg", "tilt_deg", "focal_length_mm")] == told
    assert position["pan_counts"] == 102


SAID: list[Report] = [
    StatusMessage(state="online", version="0.1.0", cameras=["gallery"], since=NOW),
    StatusMessage(state="offline"),
    OutcomeMessage(topic="ptzd/camera/left/store", id=None, ok=True),
    StateMessage.of(STATE, None),
    MoveMessage.of(MOVE),
    PositionsMessage.of(SETTINGS, {"choir-wide": STORED}),
    LearnProgressMessage(camera="left", id="l", done=3, of=40, doing="pan at step 3", seconds_left=61.5),
    CueStateMessage.of(CUE_STATE, NOW),
]
RESULTS: list[tuple[str, Result]] = [
    ("history", HistoryResult.of(SETTINGS, "choir-wide", [HistoryEntry(1, STORED, True)])),
    ("cue-go", GoResult.of(Gone(CUE, counted=True))),
    ("lock", LocksResult.of(STATE, (), answers=True, stands=False)),
    ("unlock", LocksResult(locks=[])),
    ("show-export", ExportResult(show="x = 1")),
    ("show-import", ImportResult(added=1, replaced=2, unchanged=3, warnings=["it can't be sent there"])),
    ("learn", LearnResult(model="format = 1", path="/var/lib/ptzd/left.head.toml", renewal="smooth")),
    ("learn", LearnEstimate(seconds=205.0)),
    ("rename", NamedResult(warning=None)),
    ("delete", NamedResult(warning="the show names it")),
    ("cue-load", LoadResult(show="evening", cues=3, warnings=[])),
]


@pytest.mark.parametrize("report", SAID, ids=lambda report: type(report).__name__)
def test_what_is_said_is_as_the_document_promises(report: Report) -> None:
    promise = promised_of(type(report))
    promise.validate(said(report.encode()))
    assert not promise.is_valid(said(report.encode()) | {"more": 1})


@pytest.mark.parametrize(("command", "result"), RESULTS)
def test_a_result_is_as_the_document_promises_within_its_outcome(command: str, result: Result) -> None:
    outcome = OutcomeMessage(topic="ptzd/topic", id="h", ok=True, result=result.as_result())
    promise = promised(f"{command}-outcome")
    promise.validate(said(outcome.encode()))
    assert not promise.is_valid(said(outcome.encode()) | {"result": {"more": 1}})


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("camera/NAME/recall", {"position": "choir-wide", "speed": 24, "id": "q", "sent_at": "2031-05-17T19:30:00Z"}),
        ("camera/NAME/recall", {"position": "choir-wide", "speed": 25}),
        ("camera/NAME/recall", {"position": "choir-wide", "sped": 2}),
        ("camera/NAME/recall", {"position": "Choir"}),
        ("camera/NAME/recall", {"position": "choir-wide", "seconds": 0}),
        ("camera/NAME/store", {"position": "choir-wide", "note": "one\ntwo"}),
        ("camera/NAME/store", {"position": "choir-wide", "note": "second row", "replace": True}),
        ("camera/NAME/drive", {"pan": 1, "tilt": -1}),
        ("camera/NAME/drive", {"pan": 1.01}),
        ("camera/NAME/lock", {"reason": "rigging"}),
        ("camera/NAME/tally", {"tally": "live"}),
        ("camera/NAME/revert", {"position": "a", "number": 0}),
        ("camera/NAME/learn", {"pan_deg": [-30, 30], "tilt_deg": [-10, 20]}),
        ("camera/NAME/learn", {"pan_deg": [-30, 30], "tilt_deg": [-10]}),
        ("camera/NAME/learn", {"pan_deg": [-30, 361], "tilt_deg": [-10, 20]}),
        ("cue/go", {"number": 12.5}),
        ("cue/go", {"number": -1}),
        ("cue/jump", {}),
        ("cue/jump", {"number": 100000}),
        ("cue/hold", {"id": "h"}),
        ("show/import", {"show": "x", "replace": "yes"}),
    ],
)
def test_the_document_and_the_daemon_agree_on_what_a_command_may_be(topic: str, payload: dict[str, Any]) -> None:
    intake = Intake(Topics("ptzd"), calendar=lambda: NOW)
    asked = intake.read(Incoming(f"ptzd/{topic.replace('NAME', 'left')}", json.dumps(payload).encode()))
    (command,) = (command for command in COMMANDS if command.on == topic)
    understood = asked.complaint is None and not isinstance(asked.what, Refusal)
    assert promised_of(command).is_valid(payload) == understood
