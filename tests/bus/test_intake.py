"""From messages to requests (design: "The bus"); what can't be one is refused in one sentence that helps."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ptzd.bus import Asked, Incoming, Intake, Reply, Topics
from ptzd.bus.commands import (
    COMMANDS as TABLE,
)
from ptzd.bus.commands import (
    BackCommand,
    Command,
    DeleteCommand,
    DriveCommand,
    ExportCommand,
    GoCommand,
    HistoryCommand,
    HoldCommand,
    ImportCommand,
    JumpCommand,
    LockCommand,
    RecallCommand,
    ReleaseCommand,
    RenameCommand,
    RevertCommand,
    StandbyCommand,
    StopAllCommand,
    StopCommand,
    StoreCommand,
    TallyCommand,
    UnlockCommand,
)
from ptzd.bus.messages import REPORTS as SAID
from ptzd.refusal import Refusal

NOW = datetime(2031, 5, 17, 19, 30, tzinfo=UTC)
INTAKE = Intake(Topics("ptzd"), calendar=lambda: NOW)

COMMANDS = [command.on.replace("NAME", "left") for command in TABLE]
REPORTS = [report.on.replace("NAME", "left") for report in SAID]
STOPS = ["camera/left/stop", "all/stop"]
ANY_SPEED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no mistake


def asked(topic: str, payload: str | bytes = b"", *, retain: bool = False) -> Asked[Command | Refusal]:
    data = payload.encode() if isinstance(payload, str) else payload
    asked = INTAKE.read(Incoming(f"ptzd/{topic}", data, retain))
    assert asked.topic == f"ptzd/{topic}"
    return asked


def read(topic: str, payload: str | bytes = b"", *, retain: bool = False) -> Command | Refusal:
    found = asked(topic, payload, retain=retain)
    if isinstance(found.what, Command):
        assert found.id == found.what.id
        assert found.camera == ("left" if topic.startswith("camera/") else None)
    return found.what


def refusal(topic: str, payload: str | bytes = b"", *, retain: bool = False) -> Refusal:
    found = read(topic, payload, retain=retain)
    assert isinstance(found, Refusal), found
    assert "\n" not in found.sentence
    assert len(found.sentence) < 400
    return found


# What is understood


@pytest.mark.parametrize("text", ["choir-wide", "choir-wide\n", "  choir-wide ", "\ufeffchoir-wide"])
def test_a_recall_takes_the_bare_name(text: str) -> None:
    assert read("camera/left/recall", text) == RecallCommand(position="choir-wide")


def test_a_recall_takes_speed_or_seconds_and_more() -> None:
    got = read(
        "camera/left/recall",
        '{"position": "choir-wide", "speed": 24, "on_air": true, "id": "q12", "sent_at": "2031-05-17T21:30:00+02:00"}',
    )
    assert isinstance(got, RecallCommand)
    assert (got.position, got.speed, got.seconds, got.on_air, got.id) == ("choir-wide", 24, None, True, "q12")
    assert got.sent_at == NOW
    got = read("camera/left/recall", '{"position": "choir-wide", "seconds": 4}')
    assert isinstance(got, RecallCommand)
    assert (got.speed, got.seconds, got.on_air) == (None, 4.0, False)


def test_a_store_takes_the_bare_name_or_an_object() -> None:
    got = read("camera/left/store", "choir-wide")
    assert isinstance(got, StoreCommand)
    assert (got.position, got.note, got.replace) == ("choir-wide", "", False)
    got = read("camera/left/store", '{"position": "a", "seconds": 2.5, "note": "zweite Reihe – nah", "replace": true}')
    assert isinstance(got, StoreCommand)
    assert (got.seconds, got.note, got.replace) == (2.5, "zweite Reihe – nah", True)


def test_a_drive_needs_only_the_axes_that_move() -> None:
    got = read("camera/left/drive", '{"pan": -1, "zoom": 0.25}')
    assert isinstance(got, DriveCommand)
    assert (got.pan, got.tilt, got.zoom, got.focus) == (-1.0, 0.0, 0.25, 0.0)


def test_each_other_command_becomes_its_request() -> None:
    assert read("camera/left/lock", '{"by": "stage", "reason": "rigging"}') == LockCommand(by="stage", reason="rigging")
    assert read("camera/left/unlock", '{"by": "stage", "id": "u"}') == UnlockCommand(by="stage", reason="", id="u")
    assert read("camera/left/rename", '{"position": "a", "to": "b"}') == RenameCommand(position="a", to="b")
    assert read("camera/left/delete", '{"position": "a"}') == DeleteCommand(position="a")
    assert read("camera/left/revert", '{"position": "a", "number": 3}') == RevertCommand(position="a", number=3)
    assert read("camera/left/history", '{"position": "a"}') == HistoryCommand(position="a")
    assert read("show/export", "{}") == read("show/export", "") == ExportCommand()
    assert read("show/import", '{"show": "x = 1", "replace": true}') == ImportCommand(show="x = 1", replace=True)


@pytest.mark.parametrize("tally", ["program", "preview", "off"])
@pytest.mark.parametrize("retain", [False, True])
def test_a_tally_is_one_of_three_words_and_may_be_retained(tally: str, retain: bool) -> None:
    for payload in (tally, f'{{"tally": "{tally}"}}'):
        got = read("camera/left/tally", payload, retain=retain)
        assert isinstance(got, TallyCommand)
        assert got.tally == tally


def test_a_cue_is_called_by_its_number_or_as_the_next() -> None:
    assert read("cue/standby", "12.5") == StandbyCommand(number=Decimal("12.5"))
    assert read("cue/go", "") == GoCommand(number=None)
    assert read("cue/go", '{"number": 7, "id": "g"}') == GoCommand(number=Decimal(7), id="g")
    assert read("cue/go", '{"number": "12.5"}') == GoCommand(number=Decimal("12.5"))
    assert read("cue/go", "12345.678") == GoCommand(number=Decimal("12345.678"))


def test_a_jump_needs_a_number_and_the_other_steps_need_nothing() -> None:
    assert read("cue/jump", "12.5") == JumpCommand(number=Decimal("12.5"))
    assert read("cue/jump", '{"number": 3, "id": "j"}') == JumpCommand(number=Decimal(3), id="j")
    for payload in ("", "{}"):
        assert read("cue/back", payload) == BackCommand()
        assert read("cue/hold", payload) == HoldCommand()
        assert read("cue/release", payload) == ReleaseCommand()


# A stop is a stop, whatever it carries


@pytest.mark.parametrize("payload", [b"", b"now", b"\xff\x00\xfe", b"{", b"x" * 1_000_000, b"[" * 100_000, b'{"a": 1}'])
@pytest.mark.parametrize("topic", STOPS)
def test_a_stop_may_carry_anything(topic: str, payload: bytes) -> None:
    assert read(topic, payload) == (StopAllCommand() if topic == "all/stop" else StopCommand())


def test_a_stop_repeats_its_id() -> None:
    assert asked("all/stop", '{"id": "s1", "why": "cable"}').id == "s1"


# What is refused, with what would be right


@pytest.mark.parametrize(
    ("topic", "payload", "code", "says"),
    [
        ("camera/left/recall", '{"position": "a", "sped": 3}', "unknown-field", "speed?"),
        ("camera/left/frame", '{"box": [0.6, 0.2, 0.1, 0.5]}', "bad-value", "top left and bottom right"),
        ("camera/left/frame", '{"box": [0.1, 0.5, 0.6, 0.2]}', "bad-value", "top left and bottom right"),
        ("camera/left/recall", '{"position": "a", "qqq": 3}', "unknown-field", "position, speed, seconds, on_air"),
        ("camera/left/recall", '{"position": "a", "speed": 0}', "bad-value", "from 1 to 24"),
        ("camera/left/recall", '{"position": "a", "speed": 25}', "bad-value", "from 1 to 24"),
        ("camera/left/recall", '{"position": "a", "speed": 3.5}', "bad-value", "whole number"),
        ("camera/left/recall", '{"position": "a", "speed": "3"}', "bad-value", "whole number"),
        ("camera/left/recall", '{"position": "a", "speed": true}', "bad-value", "whole number"),
        ("camera/left/recall", '{"position": "a", "seconds": -1}', "bad-value", "above 0"),
        ("camera/left/recall", '{"position": "a", "seconds": 0}', "bad-value", "above 0"),
        ("camera/left/recall", '{"position": "a", "seconds": NaN}', "bad-value", "above 0"),
        ("camera/left/recall", '{"position": "a", "seconds": 1e999}', "bad-value", "above 0"),
        ("camera/left/recall", '{"position": "a", "seconds": 2, "speed": 3}', "conflict", "leave one out"),
        ("camera/left/recall", '{"position": "a/b"}', "bad-name", '"a-b"'),
        ("camera/left/recall", "Choir", "bad-name", '"choir"'),
        ("camera/left/recall", "choir/wide", "bad-name", '"choir-wide"'),
        ("camera/left/recall", "x" * 33, "bad-name", "1 to 32"),
        ("camera/left/recall", "x" * 60_000, "bad-name", "60000 characters"),
        ("camera/left/recall", '{"position": 5}', "bad-value", "choir-wide"),
        ("camera/left/recall", "{}", "missing-field", "position is missing"),
        ("camera/left/recall", "", "empty", "choir-wide"),
        ("camera/left/recall", '{"position": "a"', "not-json", "line 1 column"),
        ("camera/left/recall", '{"position": "a"} more', "not-json", "trailing"),
        ("camera/left/recall", "{" * 5000, "not-json", "choir-wide"),
        ("camera/left/recall", '["a"]', "not-json", "no JSON object"),
        ("camera/left/recall", '"a"', "not-json", "no JSON object"),
        ("camera/left/recall", b"\xffhoir", "not-utf-8", "0xff"),
        ("camera/left/recall", b"x" * 1_000_000, "too-large", "65536"),
        ("camera/left/recall", '{"position": "a", "on_air": 1}', "bad-value", "true or false"),
        ("camera/left/recall", '{"position": "a", "sent_at": "tonight"}', "bad-value", "RFC 3339"),
        ("camera/left/recall", '{"position": "a", "sent_at": "2031-05-17T19:30:00"}', "bad-value", "offset"),
        ("camera/left/recall", '{"position": "a", "id": 7}', "bad-value", "64 characters"),
        ("camera/left/recall", f'{{"position": "a", "id": "{"x" * 65}"}}', "bad-value", "64 characters"),
        ("camera/Left/recall", "a", "bad-name", '"left"'),
        ("camera/left/drive", '{"pan": NaN}', "bad-value", "-1 to 1"),
        ("camera/left/drive", '{"pan": Infinity}', "bad-value", "-1 to 1"),
        ("camera/left/drive", '{"tilt": 2.0}', "bad-value", "tilt is 2"),
        ("camera/left/drive", '{"zoom": "in"}', "bad-value", "-1 to 1"),
        ("camera/left/drive", "left", "not-json", '{"pan": 0.5'),
        ("camera/left/unlock", "", "empty", '"by"'),
        ("camera/left/unlock", '{"by": ""}', "bad-value", "says who"),
        ("camera/left/unlock", '{"by": "\\u001b[31m"}', "bad-value", "one line"),
        ("camera/left/tally", "live", "bad-value", "program, preview, off"),
        ("camera/left/tally", '{"tally": "live"}', "bad-value", "program, preview or off"),
        ("camera/left/rename", '{"position": "a", "to": "B"}', "bad-name", '"b"'),
        ("camera/left/revert", '{"position": "a", "number": 0}', "bad-value", "from 1"),
        ("camera/left/learn", '{"pan_deg": [30, -30], "tilt_deg": [0, 9]}', "bad-value", "pan_deg is [30, -30], but"),
        ("camera/left/learn", '{"pan_deg": [30, -30], "tilt_deg": [0, 9]}', "bad-value", "write [-30, 30]"),
        ("camera/left/learn", '{"pan_deg": [5, 5], "tilt_deg": [0, 9]}', "bad-value", "must differ"),
        ("camera/left/learn", '{"pan_deg": [5], "tilt_deg": [0, 9]}', "bad-value", "pan_deg is [5]: it must be two"),
        ("camera/left/learn", '{"pan_deg": [1, 2, 3], "tilt_deg": [0, 9]}', "bad-value", "pan_deg is [1, 2, 3]"),
        ("camera/left/learn", '{"pan_deg": [1, "x"], "tilt_deg": [0, 9]}', "bad-value", "pan_deg has 'x' in it"),
        ("camera/left/learn", '{"pan_deg": [1, 400], "tilt_deg": [0, 9]}', "bad-value", "400 in it"),
        ("camera/left/learn", '{"pan_deg": [[], 4], "tilt_deg": [0, 9]}', "bad-value", "two angles"),
        ("camera/left/learn", '{"tilt_deg": [0, 9]}', "missing-field", "pan_deg is missing"),
        ("camera/left/learn", '{"pan_deg": [0, 9], "tilt_deg": [0, 9], "estimate": 1}', "bad-value", "true or false"),
        (
            "camera/left/store",
            json.dumps({"position": "wide", "note": 90 * "x" + "\x1b[2J"}),
            "bad-value",
            r"note has '\x1b' in it: it must be one line",
        ),
        ("cue/go", "next", "bad-value", "12.5"),
        ("cue/go", '{"number": 1.2345}', "bad-value", "three decimals"),
        ("cue/go", "99999.5", "bad-value", "12.5"),
        ("cue/jump", "", "empty", "12.5"),
        ("cue/jump", "{}", "missing-field", "number"),
        ("cue/back", "1", "not-json", "nothing"),
        ("cue/hold", '{"number": 1}', "unknown-field", "number"),
        ("show/import", b'{"show": "' + b"x" * 5_000_000 + b'"}', "too-large", "5000000"),
        ("camera/left/recal", "a", "unknown-topic", "ptzd/camera/left/recall?"),
        ("kamera/left/recall", "a", "unknown-topic", "ptzd/camera/left/recall?"),
        ("all/stopp", "a", "unknown-topic", "ptzd/all/stop?"),
        ("x/y", "a", "unknown-topic", "ptzd/camera/NAME/recall"),
        ("x" * 60_000, "a", "unknown-topic", "ptzd/camera/NAME/recall"),
        ("camera/left/state", "a", "unknown-topic", "only the daemon"),
    ],
)
def test_what_is_wrong_is_said_with_what_would_be_right(topic: str, payload: str | bytes, code: str, says: str) -> None:
    got = refusal(topic, payload)
    assert got.code == code
    assert says in got.sentence


def test_a_refusal_repeats_the_id_of_what_it_refuses() -> None:
    assert asked("camera/left/recall", '{"position": "a", "speed": 25, "id": "q7"}').id == "q7"
    assert asked("camera/left/recal", '{"id": "q8"}').id == "q8"
    assert asked("camera/left/recall", '{"position": "a", "id": "q9"}', retain=True).id == "q9"


def test_a_show_of_more_than_64_kilobytes_can_be_imported() -> None:
    assert isinstance(read("show/import", b'{"show": "' + b"x" * 4_900_000 + b'"}'), ImportCommand)


@pytest.mark.parametrize("topic", [topic for topic in COMMANDS if not topic.endswith("tally")])
def test_a_retained_command_is_not_carried_out(topic: str) -> None:
    got = refusal(topic, "choir-wide", retain=True)
    assert got.code == "retained"
    assert "without retain" in got.sentence


def test_a_refusal_shows_nothing_that_could_steer_a_terminal() -> None:
    for payload in ("\x1b[2J", '{"position": "a", "\\u001b[2J": 1}', '{"position": "a", "sent_at": "\\u001b[2J"}'):
        assert refusal("camera/left/recall", payload).sentence.isprintable()


# Time


def recall_sent(seconds_ago: float) -> Asked[Command | Refusal]:
    sent_at = (NOW - timedelta(seconds=seconds_ago)).isoformat()
    return asked("camera/left/recall", f'{{"position": "a", "sent_at": "{sent_at}", "id": "q1"}}')


@pytest.mark.parametrize("seconds_ago", [0, 1.9, 2.0, -1.9])
def test_a_recall_is_done_until_two_seconds_after_it_was_sent(seconds_ago: float) -> None:
    assert isinstance(recall_sent(seconds_ago).what, RecallCommand)


def test_a_late_recall_is_refused_so_that_no_camera_jumps_when_a_network_comes_back() -> None:
    got = recall_sent(2.1)
    assert isinstance(got.what, Refusal)
    assert (got.what.code, got.id) == ("late", "q1")
    assert "2.1 s ago" in got.what.sentence


def test_a_recall_from_the_future_is_refused_because_a_clock_is_wrong() -> None:
    got = recall_sent(-3600).what
    assert isinstance(got, Refusal)
    assert got.code == "early"
    assert "clock" in got.sentence


@pytest.mark.parametrize("topic", ["camera/left/drive", "cue/go", "cue/standby", "cue/places", "cue/back"])
def test_whatever_else_moves_a_camera_may_be_late_too(topic: str) -> None:
    assert refusal(topic, '{"sent_at": "2031-05-17T19:29:00Z"}').code == "late"


def test_how_late_is_late_can_be_chosen() -> None:
    patient = Intake(Topics("ptzd"), calendar=lambda: NOW, late_after_seconds=90)
    message = Incoming("ptzd/camera/left/recall", b'{"position": "a", "sent_at": "2031-05-17T19:29:00Z"}')
    assert isinstance(patient.read(message).what, RecallCommand)


# Where MQTT 5 wants its answer (MQTT 5.0, sections 3.3.2.3.5 and 3.3.2.3.6)


def test_a_response_topic_and_its_correlation_are_kept() -> None:
    message = Incoming("ptzd/all/stop", b"", response_topic="panel/answers", correlation=b"\x00\x01")
    assert INTAKE.read(message).reply == Reply("panel/answers", b"\x00\x01")


@pytest.mark.parametrize("topic", ["panel/#", "panel/+", "", "ptzd/all/stop", "ptzd", "$SYS/x", "a\0b", "x" * 2000])
def test_no_answer_goes_where_it_could_do_harm(topic: str) -> None:
    """A response topic must hold no wildcards [MQTT-3.3.2-14]; below the base it could pass for a command."""
    assert INTAKE.read(Incoming("ptzd/all/stop", b"", response_topic=topic)).reply is None


# Noise


@ANY_SPEED
@given(
    topic=st.sampled_from([*COMMANDS, *REPORTS, "camera/left/dance", "camera", ""]),
    payload=st.binary(max_size=200) | st.text().map(lambda text: text.encode()) | st.just(b"\x00" * 1_000_000),
    retain=st.booleans(),
)
def test_noise_on_any_topic_is_refused_in_one_sentence_or_does_what_it_says(
    topic: str, payload: bytes, retain: bool
) -> None:
    got = read(topic, payload, retain=retain)
    if topic in STOPS and not retain:
        assert isinstance(got, StopCommand)
    if isinstance(got, Refusal):
        assert got.sentence
        assert got.sentence.isprintable()
    else:
        assert topic in COMMANDS


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=9), inner, max_size=3),
    max_leaves=8,
)
_FIELDS = st.sampled_from(
    ["id", "position", "speed", "seconds", "sent_at", "on_air", "note", "by", "pan", "tally", "to", "number", "show"]
)


@ANY_SPEED
@given(topic=st.sampled_from(COMMANDS), value=st.dictionaries(_FIELDS | st.text(max_size=9), _JSON, max_size=4))
def test_any_object_is_read_or_refused_in_one_sentence(topic: str, value: dict[str, object]) -> None:
    got = read(topic, json.dumps(value))
    if isinstance(got, Refusal):
        assert got.sentence.isprintable()
        assert len(got.sentence) < 400
