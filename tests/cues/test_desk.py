"""Cues at work: who is sent where, who is not, and what is said of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.cameras.reports import ActivityKind, CameraState, Lock, MoveReport, Phase
from ptzd.cues import CueDesk, CueState, CueToken, ListedCue, Placed
from ptzd.cues.run import ListedMove
from ptzd.line import Framing
from ptzd.positions import CuePlace
from ptzd.refusal import Refusal

NOW = datetime(2031, 5, 24, 19, 30, tzinfo=UTC)
LOCK = Lock("the rigger", "hands at the head", NOW)
CUES = (
    ListedCue(Decimal(1), "Doors", "gallery", (ListedMove("gallery", "choir-wide"), ListedMove("left", "soloist"))),
    ListedCue(Decimal(2), "Solo", "left", (ListedMove("right", "hands", speed=6), ListedMove("left", "piano"))),
    ListedCue(
        Decimal(3),
        "Slow pan",
        None,
        (
            ListedMove("left", "choir-wide", seconds=8.0, on_air=True),
            ListedMove("right", "piano", on_air=True, after_seconds=2.0),
        ),
    ),
    ListedCue(Decimal(4), "Bows", "gallery"),
)


# The same, with moves off air that wait: 20 s after the start or the cue before.
LATER = (
    replace(CUES[0], moves=(ListedMove("gallery", "choir-wide"), ListedMove("left", "soloist", after_seconds=20.0))),
    replace(CUES[1], moves=(ListedMove("right", "hands", after_seconds=20.0), ListedMove("left", "piano"))),
    CUES[2],
    replace(
        CUES[3],
        moves=(ListedMove("left", "wide", after_seconds=20.0), ListedMove("gallery", "organ", after_seconds=20.0)),
    ),
)


class Timer:
    def __init__(self, due: float, do: Callable[[], None]) -> None:
        self.due = due
        self.do = do
        self.cancelled = False

    def cancel(self) -> None:
        self.cancelled = True


class Stage:
    """Three cameras that do what they are told when a test says so, and a desk."""

    def __init__(
        self,
        place: CuePlace | None = None,
        cues: Sequence[ListedCue] = CUES,
        start: dict[str, str] | None = None,
        once_within_seconds: float = 0.3,
    ) -> None:
        self.now = 100.0
        self.states = {
            name: CameraState(
                name, "up", "on", Phase.IDLE, Framing(0, 0, 0, 0, "manual"), 0, 0, None, None, "off", (), (), NOW
            )
            for name in ("left", "right", "gallery")
        }
        self.recalls: list[tuple[str, str, int | None, float | None, bool]] = []
        self.seen: list[tuple[str, str, bool]] = []  # by the same recalls, whether they are made as for viewers
        self.tokens: dict[str, CueToken] = {}
        self.said: list[CueState] = []
        self.kept: list[CuePlace] = []
        self.on_air: list[frozenset[str]] = []
        self.timers: list[tuple[float, Timer]] = []
        self.doubles: dict[str, str] = {}  # positions that are the framing of another one
        self.refusing: dict[str, str] = {}  # cameras that refuse a recall, and in which sentence
        self.refusals: dict[tuple[str, str], Refusal] = {}  # what a camera's move on air would meet
        self.desk = CueDesk(
            "evening",
            cues,
            place=place,
            recall=self._recall,
            foresee=lambda state, move: self.refusals.get((state.camera, move.position)),
            is_in=lambda state, name: state.position in (name, self.doubles.get(name, name)),
            state=self.states.get,
            say=self.said.append,
            on_air=self.on_air.append,
            keep=self.kept.append,
            later=self._later,
            start=start or {},
            once_within_seconds=once_within_seconds,
        )

    def _later(self, seconds: float, do: Callable[[], None]) -> Timer:
        timer = Timer(self.now + seconds, do)
        self.timers.append((seconds, timer))
        return timer

    def after(self, seconds: float) -> None:
        """Let time pass, and happen what falls into it."""
        end = self.now + seconds
        while due := [timer for _, timer in self.timers if not timer.cancelled and timer.due <= end]:
            first = min(due, key=lambda timer: timer.due)
            self.now, first.cancelled = max(self.now, first.due), True
            first.do()
        self.now = end

    def standby(self, number: int | None = None) -> None:
        self.desk.stand_by(None if number is None else Decimal(number), self.now)

    def go(self, number: int | None = None) -> dict[str, str]:
        """Press go; return what became of those who still waited, by camera."""
        gone = self.desk.go(None if number is None else Decimal(number), self.now)
        return {one.camera: one.code for one in gone.overtaken}

    @property
    def sent(self) -> list[tuple[str, str]]:
        return [recall[:2] for recall in self.recalls]

    def _recall(self, move: ListedMove, seen: bool, token: CueToken) -> None:
        camera, position = move.camera, move.position
        self.recalls.append((camera, position, move.speed, move.seconds, move.on_air))
        self.seen.append((camera, position, seen))
        self.tokens[camera] = token
        if camera not in self.states:
            return
        if self.states[camera].link == "down":
            sentence = f"camera {camera} does not answer"
            self.report(camera, Phase.REFUSED, position, code="unreachable", sentence=sentence)
        elif camera in self.refusing:
            self.report(camera, Phase.REFUSED, position, sentence=self.refusing[camera])
        else:
            self.report(camera, Phase.ACCEPTED, position)
            self.camera(camera, phase=Phase.SLEWING, position=None)

    def report(self, camera: str, phase: Phase, position: str, token: object = None, **more: str) -> None:
        self.desk.heard(
            MoveReport(
                camera,
                phase,
                position,
                None,
                2.0,
                1.0,
                None,
                more.get("code"),
                more.get("sentence"),
                NOW,
                token=token or self.tokens[camera],
            )
        )

    def camera(self, name: str, **change: object) -> None:
        self.states[name] = replace(self.states[name], **change)  # type: ignore[arg-type]
        self.desk.heard(self.states[name])

    def settle(self, name: str, position: str, told_as: str | None = None) -> None:
        self.report(name, Phase.SETTLED, position)
        self.camera(name, phase=Phase.IDLE, position=told_as or position)

    @property
    def unready(self) -> dict[str, str]:
        return {one.camera: one.code for one in self.desk.state().not_ready}

    def sentence(self, camera: str) -> str:
        return next(one.sentence for one in self.desk.state().not_ready if one.camera == camera)


def test_after_a_start_nothing_moves_and_who_is_not_in_place_is_told() -> None:
    stage = Stage()
    stage.desk.say_state()
    stage.camera("left", faults=("the tilt motor is hot",))
    assert stage.recalls == []
    [first] = stage.said
    assert (first.standing, first.next) == (None, CUES[0])
    assert stage.unready == {"gallery": "not-asked", "left": "not-asked"}
    assert "ask for standby" in stage.sentence("left")


def test_a_standby_sends_each_camera_of_the_cue_at_its_own_pace() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.standby()
    assert stage.recalls == [("right", "hands", 6, None, False), ("left", "piano", None, None, False)]
    assert stage.unready == {"right": "moving", "left": "moving"}


def test_the_next_cue_is_ready_once_all_have_settled_and_not_before() -> None:
    stage = Stage()
    stage.standby()
    stage.settle("gallery", "choir-wide")
    assert stage.unready == {"left": "moving"}
    assert not stage.said[-1].ready
    stage.settle("left", "soloist")
    assert stage.said[-1].ready


def test_a_camera_that_has_just_settled_is_not_said_to_be_elsewhere_before_it_tells_where_it_stands() -> None:
    stage = Stage()
    stage.standby()
    stage.report("left", Phase.SETTLED, "soloist")
    assert stage.unready["left"] == "moving"
    stage.camera("left", phase=Phase.IDLE, position="soloist")
    assert "left" not in stage.unready


def test_a_standby_makes_one_statement_not_one_a_camera() -> None:
    stage = Stage()
    stage.standby()
    assert len(stage.said) == 1


def test_a_camera_that_stands_there_already_is_not_sent() -> None:
    stage = Stage()
    stage.camera("gallery", position="choir-wide")
    stage.standby()
    assert [recall[0] for recall in stage.recalls] == ["left"]


def test_a_second_standby_leaves_a_camera_alone_that_is_on_its_way() -> None:
    stage = Stage()
    stage.standby()
    stage.standby()
    assert len(stage.recalls) == 2
    stage.settle("left", "soloist")
    stage.settle("gallery", "choir-wide")
    assert stage.desk.state().ready


def test_a_position_with_a_double_is_there_under_either_name_until_the_camera_leaves() -> None:
    stage = Stage()
    stage.doubles["choir-wide"] = "choir-again"
    stage.standby()
    stage.settle("gallery", "choir-wide", told_as="choir-again")
    assert "gallery" not in stage.unready
    stage.camera("gallery", position=None, phase=Phase.SLEWING)
    stage.camera("gallery", position="organ", phase=Phase.IDLE)
    assert stage.unready["gallery"] == "elsewhere"


def test_a_camera_on_air_is_not_moved_before_it_is_off() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.camera("left", tally="program")
    stage.standby()
    assert [recall[0] for recall in stage.recalls] == ["right"]
    assert stage.unready["left"] == "on-air"
    stage.camera("left", tally="preview")
    assert [recall[0] for recall in stage.recalls] == ["right", "left"]
    assert stage.unready["left"] == "moving"


def test_a_camera_that_waits_to_be_off_air_is_not_sent_after_a_go_a_hold_a_stop_or_a_drive() -> None:
    ends: tuple[Callable[[CueDesk], object], ...] = (
        lambda desk: desk.go(None, 0.0),
        lambda desk: desk.hold(),
        lambda desk: desk.stopped(None),
        lambda desk: desk.stopped("left"),
        lambda desk: desk.driven("left"),
        lambda desk: desk.back(),
    )
    for end in ends:
        stage = Stage(CuePlace(Decimal(1), Decimal(2)))
        stage.camera("left", tally="program")
        stage.standby()
        end(stage.desk)
        stage.camera("left", tally="off")
        assert [recall[0] for recall in stage.recalls] == ["right"]


def test_a_stop_a_drive_or_the_learning_of_another_camera_calls_nothing_off() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.camera("left", tally="program")
    stage.standby()
    stage.desk.stopped("right")
    stage.desk.driven("right")
    stage.camera("right", activity=ActivityKind.LEARNING)
    stage.report("left", Phase.SETTLED, "soloist", token="by hand, before the standby")
    stage.camera("left", tally="off")
    assert [recall[0] for recall in stage.recalls] == ["right", "left"]


def test_a_locked_camera_is_not_sent_not_even_when_it_is_unlocked() -> None:
    stage = Stage()
    stage.camera("left", locks=(LOCK,))
    stage.standby()
    assert [recall[0] for recall in stage.recalls] == ["gallery"]
    assert stage.unready["left"] == "locked"
    assert "locked by the rigger (hands at the head)" in stage.sentence("left")
    stage.camera("left", locks=())
    assert [recall[0] for recall in stage.recalls] == ["gallery"]
    assert "standby again" in stage.sentence("left")
    stage.standby()
    assert [recall[0] for recall in stage.recalls] == ["gallery", "left"]


def test_a_camera_that_is_locked_while_it_waits_to_be_off_air_stays() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.camera("left", tally="program")
    stage.standby()
    stage.camera("left", tally="off", locks=(LOCK,))
    assert [recall[0] for recall in stage.recalls] == ["right"]


def test_a_camera_that_does_not_answer_is_told_of_with_what_to_do() -> None:
    stage = Stage()
    stage.camera("gallery", link="down")
    stage.standby()
    assert stage.unready["gallery"] == "unreachable"
    assert "network" in stage.sentence("gallery")


def test_a_move_that_failed_is_told_of_in_the_cameras_own_words() -> None:
    stage = Stage()
    stage.standby()
    stage.report("left", Phase.FAILED, "soloist", code="off-position", sentence="camera left did not come to rest")
    stage.camera("left", phase=Phase.IDLE)
    assert stage.unready["left"] == "off-position"
    assert stage.sentence("left") == "camera left did not come to rest; ask for standby again"


def test_what_kept_a_move_from_beginning_is_not_told_as_though_it_still_were_so() -> None:
    stage = Stage()
    stage.standby()
    stage.report("left", Phase.REFUSED, "soloist", code="initialising", sentence="camera left is still starting up")
    stage.camera("left", phase=Phase.IDLE)
    told = (
        "camera left was not sent to soloist, since at that moment: camera left is still starting up; ask for standby"
    )
    assert stage.sentence("left").startswith(told)


def test_reports_of_somebody_elses_move_are_not_taken_for_the_cues() -> None:
    stage = Stage()
    stage.standby()
    stage.report("left", Phase.SETTLED, "soloist", token=CueToken(Decimal(1), "left"))
    assert stage.unready["left"] == "moving"


def test_a_camera_that_the_cue_only_takes_must_be_there_and_still() -> None:
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", position="choir-wide")
    assert stage.unready == {}
    stage.camera("gallery", phase=Phase.SLEWING, activity=ActivityKind.DIRECT)
    assert stage.unready == {"gallery": "moving"}
    for activity in (ActivityKind.SHAPED, ActivityKind.BY_HAND, ActivityKind.HALTING, None):
        stage.camera("gallery", phase=Phase.IDLE, activity=activity, tally="program")
        assert stage.unready == {"gallery": "moving"}, "on air, too"
    stage.camera("gallery", phase=Phase.IDLE, tally="off", locks=(LOCK,))
    assert stage.unready == {"gallery": "locked"}


def test_a_camera_that_refuses_to_tell_what_a_move_needs_is_not_ready_for_that_reason() -> None:
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", power="unknown")
    assert stage.unready == {"gallery": "starting"}
    stage.camera("gallery", faults=("it refuses to tell where its zoom stands",))
    assert stage.unready == {"gallery": "fault"}
    assert stage.sentence("gallery") == "camera gallery: it refuses to tell where its zoom stands"


def test_a_camera_that_the_cue_only_takes_must_stand_where_the_cues_before_have_sent_it() -> None:
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", position="organ")
    assert stage.unready == {"gallery": "elsewhere"}
    assert stage.sentence("gallery") == (
        "camera gallery stands in organ; it should be in choir-wide, where cue 1 sends it, when cue 4 takes it; "
        "ask for places, or recall it there"
    )
    stage.refusals["gallery", "choir-wide"] = Refusal("unknown-position", "camera gallery has no position choir-wide")
    stage.camera("gallery", position=None)
    assert "stands in no stored position" in stage.sentence("gallery")
    assert stage.sentence("gallery").endswith("when cue 4 takes it; camera gallery has no position choir-wide")
    stage.camera("gallery", position="choir-wide")
    assert stage.unready == {}


def test_a_camera_that_no_cue_has_sent_anywhere_must_stand_where_the_show_starts() -> None:
    stage = Stage(cues=CUES[3:], start={"gallery": "organ"})
    assert stage.unready == {"gallery": "elsewhere"}
    assert "it should be in organ, where the show starts, when cue 4 takes it" in stage.sentence("gallery")
    stage.camera("gallery", position="organ")
    assert stage.unready == {}
    assert Stage(cues=CUES[3:], start={"left": "organ"}).unready == {}, "of the gallery nothing is said"


def test_a_camera_that_the_cue_moves_on_air_must_begin_where_the_cues_before_have_sent_it() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left", position="soloist")
    stage.camera("right", position="hands")
    assert stage.unready == {"left": "elsewhere"}
    assert "stands in soloist; it should be in piano" in stage.sentence("left")
    stage.camera("left", position=None, phase=Phase.SLEWING, activity=ActivityKind.DIRECT)
    assert stage.unready == {"left": "moving"}
    stage.camera("left", position="piano", phase=Phase.IDLE, activity=ActivityKind.AT_REST)
    assert stage.unready == {}


def test_a_move_on_air_that_would_be_refused_is_told_before_the_go() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left", position="piano")
    stage.refusals["left", "choir-wide"] = Refusal("unknown-position", "there is no position choir-wide")
    stage.camera("right", position="hands")
    assert stage.unready == {"left": "unknown-position"}
    assert stage.sentence("left") == "cue 3 could not move camera left on air: there is no position choir-wide"


@pytest.mark.parametrize(
    ("told", "code"),
    [
        ({"power": "standby"}, "standby"),
        ({"power": "starting"}, "starting"),
        ({"power": "unknown"}, "starting"),
        ({"link": "down"}, "unreachable"),
        ({"locks": (LOCK,)}, "locked"),
        ({"activity": ActivityKind.LEARNING}, "learning"),
        ({"faults": ("digital zoom is on",)}, "fault"),
    ],
)
def test_what_keeps_a_camera_from_its_part_is_told_of_whatever_that_part_is(told: dict[str, object], code: str) -> None:
    for standing, following, camera, position in (
        (1, 2, "right", "hands"),
        (2, 3, "left", "piano"),
        (3, 4, "gallery", "choir-wide"),
    ):
        stage = Stage(CuePlace(Decimal(standing), Decimal(following)))
        stage.camera(camera, position=position)
        assert camera not in stage.unready
        stage.camera(camera, **told)
        assert stage.unready[camera] == code
        assert f"camera {camera}" in stage.sentence(camera)


def test_a_camera_that_the_daemon_does_not_have_is_named() -> None:
    stage = Stage()
    del stage.states["left"]
    assert stage.unready["left"] == "unknown-camera"


def test_a_go_moves_those_on_air_and_no_others() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.desk.go(None, 0.0)
    assert stage.recalls == [], "cue 2 has moves off air alone, and they belong to its standby"
    gone = stage.desk.go(None, 5.0)
    assert (gone.cue, gone.counted) == (CUES[2], True)
    assert stage.recalls == [("left", "choir-wide", None, 8.0, True)]
    [(seconds, timer)] = stage.timers
    assert seconds == 2.0
    timer.do()
    assert stage.recalls[1:] == [("right", "piano", None, None, True)]


# What tells that a camera restarts, is to be switched on, or did either unseen.
RESTARTS: tuple[dict[str, object], ...] = ({"power": "starting"}, {"power": "standby"}, {"was_in": "piano"})


@pytest.mark.parametrize("end", ["back", "jump", "hold", "stop", "drive", "learn", "recall", *RESTARTS])
def test_a_move_that_leaves_after_its_go_is_called_off_by_whatever_puts_it_in_doubt(
    end: str | dict[str, object],
) -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.desk.go(None, 0.0)
    match end:
        case dict():
            stage.camera("right", **end)
        case "stop":
            stage.desk.stopped("right")
        case "jump":
            stage.desk.jump(Decimal(1))
        case "drive":
            stage.desk.driven("right")
        case "learn":
            stage.camera("right", activity=ActivityKind.LEARNING)
        case "recall":
            stage.report("right", Phase.ACCEPTED, "hands", token="somebody's")
        case _:
            getattr(stage.desk, end)()
    assert [timer.cancelled for _, timer in stage.timers] == [True]
    assert stage.said[-1].waiting == ()


# A cue that moves left on air 12 s later; one that shows gallery; one that frames left off air and shows it; and one
# that moves left on air.
HELD_BACK = (
    ListedCue(Decimal(1), "Doors", "left", (ListedMove("left", "conductor", on_air=True, after_seconds=12.0),)),
    ListedCue(Decimal(2), "Wide", "gallery"),
    ListedCue(Decimal(3), "Altos", "left", (ListedMove("left", "altos"),)),
    ListedCue(Decimal(4), "All", None, (ListedMove("left", "choir", on_air=True),)),
)


def held_back(shown_next: bool = True) -> Stage:
    """Two seconds into the first cue, with left on air in altos, or with gallery shown by the second."""
    stage = Stage(cues=HELD_BACK)
    stage.camera("left", position="altos")
    stage.go()
    stage.camera("left", tally="program")
    stage.after(2.0)
    if shown_next:
        stage.go()
        stage.camera("left", tally="off")
    return stage


def test_what_is_still_to_leave_by_itself_on_air_is_told_until_it_has_left() -> None:
    stage = held_back(shown_next=False)
    (told,) = stage.said[-1].waiting
    assert (told.camera, told.position, told.code) == ("left", "conductor", "waiting")
    assert told.sentence == "camera left is still to move to conductor by itself, 12 s after cue 1"
    stage.after(10.0)
    assert stage.sent == [("left", "conductor")]
    assert stage.said[-1].waiting == ()


def test_a_camera_that_a_later_standby_frames_stays_there_whatever_a_cue_before_held_back() -> None:
    stage = held_back()
    stage.camera("left", position="choir")
    stage.standby()
    stage.settle("left", "altos")
    assert stage.desk.state().ready
    stage.after(60.0)
    assert stage.sent == [("left", "altos")]


def test_a_camera_that_stands_in_the_framing_of_a_standby_stays_there_though_it_was_still_to_leave() -> None:
    stage = held_back()
    assert stage.unready == {"left": "waiting"}  # it stands in altos, and for ten seconds
    stage.standby()
    assert stage.unready == {}
    stage.after(60.0)
    assert stage.sent == []


def test_a_camera_on_air_moves_as_its_cue_had_it_though_the_next_cue_that_frames_it_is_in_standby() -> None:
    stage = Stage(cues=(HELD_BACK[0], replace(HELD_BACK[2], take="gallery")))
    stage.camera("left", position="altos")
    stage.go()
    stage.camera("left", tally="program")
    stage.standby()
    stage.after(12.0)
    assert stage.sent == [("left", "conductor")]
    stage.settle("left", "conductor")
    assert stage.unready == {"left": "on-air"}
    stage.camera("left", tally="off")
    assert stage.sent == [("left", "conductor"), ("left", "altos")]


def test_a_camera_on_air_that_is_off_before_its_time_stays_in_the_framing_that_the_standby_has_asked_for() -> None:
    stage = Stage(cues=(HELD_BACK[0], replace(HELD_BACK[2], take="gallery")))
    stage.camera("left", position="altos")
    stage.go()
    stage.camera("left", tally="program")
    stage.standby()
    stage.camera("left", tally="off")
    stage.after(60.0)
    assert stage.sent == [] and stage.unready == {}


@pytest.mark.parametrize("number", [3, 4])
def test_a_cue_that_shows_a_camera_anew_or_moves_it_calls_off_what_one_before_held_back_and_says_so(
    number: int,
) -> None:
    stage = held_back()
    stage.after(1.0)
    gone = stage.desk.go(Decimal(number), stage.now)
    does = "takes it" if number == 3 else "moves it"
    assert (
        "left-behind",
        f"camera left was still to move to conductor for cue 1, and does not: cue {number} {does}",
    ) in [(one.code, one.sentence) for one in gone.overtaken]
    stage.after(60.0)
    assert ("left", "conductor") not in stage.sent


@pytest.mark.parametrize("stands", ["soloist", "choir"])
def test_a_cue_that_frames_a_camera_off_air_calls_off_what_one_before_held_back_though_it_comes_early(
    stands: str,
) -> None:
    later = ListedCue(Decimal(3), "Solo", "right", (ListedMove("left", "soloist", after_seconds=6.0),))
    stage = Stage(cues=(*HELD_BACK[:2], later))
    stage.camera("left", position=stands)
    for _ in range(2):
        stage.go()
        stage.after(1.0)
    stage.standby()
    stage.go()
    stage.after(60.0)
    assert stage.sent == ([] if stands == "soloist" else [("left", "soloist")])


def test_a_go_does_not_say_of_a_camera_that_stands_there_that_it_is_not_sent() -> None:
    """A mixer tells only after the go that it is off air, so the standby has waited for that."""
    stage = Stage(cues=(HELD_BACK[0], ListedCue(Decimal(2), "Solo", "right", (ListedMove("left", "soloist"),))))
    stage.camera("left", position="soloist")
    stage.go()
    stage.camera("left", tally="program")
    stage.after(1.0)
    stage.standby()
    gone = stage.desk.go(None, stage.now)
    assert [one.sentence for one in gone.overtaken] == [
        "camera left was still to move to conductor for cue 1, and does not: cue 2 moves it"
    ]
    stage.camera("left", tally="off")
    stage.after(60.0)
    assert stage.sent == []


@pytest.mark.parametrize("fault", [{"link": "down"}, {"power": "unknown"}, {"power": "standby"}])
def test_what_a_go_refuses_is_not_held_back_to_leave_by_itself(fault: dict[str, object]) -> None:
    stage = Stage(cues=HELD_BACK)
    stage.camera("left", **fault)
    gone = stage.desk.go(None, stage.now)
    assert [one.camera for one in gone.refused] == ["left"]
    assert stage.desk.state().waiting == ()
    stage.camera("left", link="up", power="on")
    stage.after(60.0)
    assert stage.sent == []


def test_a_camera_that_was_on_before_its_cue_switches_it_on_restarts_as_any_other() -> None:
    stage = Stage(cues=(ListedCue(Decimal(0), "Doors", switch_on=("left",)), *HELD_BACK))
    for _ in range(2):
        stage.go()
        stage.after(1.0)
    assert stage.desk.state().waiting != ()
    stage.camera("left", power="starting")
    stage.camera("left", power="on")
    stage.after(60.0)
    assert stage.sent == []


def test_a_cue_that_is_run_again_holds_its_move_back_anew() -> None:
    stage = held_back(shown_next=False)
    stage.after(3.0)
    stage.go(1)
    assert len(stage.desk.state().waiting) == 1
    stage.after(11.0)
    assert stage.sent == []
    stage.after(1.0)
    assert stage.sent == [("left", "conductor")]


def test_nobody_is_asked_to_recall_a_camera_to_where_it_is_still_to_go_by_itself() -> None:
    stage = Stage(cues=(*HELD_BACK[:2], ListedCue(Decimal(3), "Left", "left")))
    stage.camera("left", position="altos")
    for _ in range(2):
        stage.go()
        stage.after(1.0)
    assert stage.sentence("left") == "camera left is still to move to conductor by itself, 12 s after cue 1"


def test_a_cue_that_goes_on_showing_a_camera_leaves_its_later_move_as_it_was() -> None:
    stage = Stage(cues=(HELD_BACK[0], replace(HELD_BACK[1], take="left")))
    stage.go()
    stage.after(2.0)
    assert stage.go() == {}
    stage.after(10.0)
    assert stage.sent == [("left", "conductor")]


@pytest.mark.parametrize(("after", "sent"), [(5.0, ["choir"]), (20.0, ["conductor", "choir"])])
def test_of_two_cues_that_hold_a_camera_back_the_later_has_the_last_word(after: float, sent: list[str]) -> None:
    later = ListedCue(Decimal(2), "All", None, (ListedMove("left", "choir", on_air=True, after_seconds=after),))
    stage = Stage(cues=(HELD_BACK[0], later))
    stage.go()
    stage.after(1.0)
    stage.go()
    stage.after(60.0)
    assert [position for _, position in stage.sent] == sent


@pytest.mark.parametrize(
    ("change", "leaves"), [("gone", False), ("elsewhere", False), ("later", False), ("renumbered", True)]
)
def test_what_a_cue_held_back_that_is_gone_or_another_does_not_leave_any_more(change: str, leaves: bool) -> None:
    stage = held_back()
    first = HELD_BACK[0]
    now = {
        "gone": [],
        "later": [replace(first, moves=(replace(first.moves[0], after_seconds=60.0),))],
        "elsewhere": [replace(first, moves=(replace(first.moves[0], position="organ"),))],
        "renumbered": [replace(first, number=Decimal("0.5"))],
    }
    said = stage.desk.take_up([*now[change], *HELD_BACK[1:]], start={}, begins_with=None)
    assert bool(said.waiting) is leaves
    stage.after(60.0)
    assert bool(stage.sent) is leaves


def test_places_keeps_a_camera_where_the_show_wants_it_though_it_was_still_to_leave() -> None:
    stage = Stage(cues=(*HELD_BACK[:2], replace(HELD_BACK[2], take=None), HELD_BACK[3]))
    stage.camera("left", position="altos")
    for _ in range(3):
        stage.go()
        stage.after(1.0)
    assert [(one.camera, one.position) for one in stage.desk.places().standing] == [("left", "altos")]
    stage.after(60.0)
    assert stage.sent == []


def test_a_move_on_air_is_made_as_for_viewers_of_a_camera_that_the_cues_show_whatever_its_tally_says() -> None:
    """A vision mixer may take the camera a moment after the go; a camera that this cue lets go is off air by then."""
    cues = (
        ListedCue(
            Decimal(1),
            "Solo",
            "left",
            (
                ListedMove("left", "wide", on_air=True),
                ListedMove("right", "piano", on_air=True),
                ListedMove("gallery", "organ"),
            ),
        ),
    )
    stage = Stage(cues=cues)
    stage.standby()
    stage.go()
    assert stage.seen == [("gallery", "organ", False), ("left", "wide", True), ("right", "piano", False)]


def test_a_camera_that_is_sent_elsewhere_after_it_has_settled_is_not_on_its_way_to_where_it_was() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.standby()
    stage.settle("left", "piano")
    stage.camera("left", phase=Phase.SLEWING, position=None)
    assert stage.sentence("left") == "camera left has left piano; ask for standby again"


def test_a_position_that_was_stored_anew_under_way_is_not_told_as_one_that_the_camera_has_left() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.standby()
    stage.report("left", Phase.SETTLED, "piano")
    stage.camera("left", phase=Phase.IDLE, position=None)
    assert stage.sentence("left") == "camera left settled where piano was when it set out; ask for standby again"


def test_who_is_on_air_by_the_cues_is_told_at_the_start_and_whenever_the_show_stands_elsewhere() -> None:
    """A cue shows the camera that it takes. After a step back nobody has told which of both is seen: both are."""
    stage = Stage()
    stage.desk.say_on_air()
    stage.go()
    stage.after(5.0)
    stage.go()
    stage.desk.back()
    stage.desk.jump(Decimal(1))
    told = [set(), {"gallery"}, {"left"}, {"gallery", "left"}, set()]
    assert stage.on_air == [frozenset(cameras) for cameras in told]


def test_a_go_obeys_a_lock() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left", locks=(LOCK,))
    assert stage.unready["left"] == "locked"
    stage.desk.go(None, 0.0)
    assert stage.recalls == []


def test_a_go_names_who_would_not_move_on_air() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left", link="down")
    stage.camera("right", locks=(LOCK,))
    gone = stage.desk.go(None, 0.0)
    assert {one.camera: one.code for one in gone.refused} == {"left": "unreachable", "right": "locked"}
    assert all(f"camera {one.camera}" in one.sentence for one in gone.refused)
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    del stage.states["left"]
    assert [one.code for one in stage.desk.go(None, 0.0).refused] == ["unknown-camera"]
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left")
    stage.states["left"] = replace(stage.states["left"], link="down")  # which only who sends it finds out
    [refused] = stage.desk.go(None, 0.0).refused
    assert (refused.camera, refused.code, refused.sentence) == ("left", "unreachable", "camera left does not answer")
    assert Stage(CuePlace(Decimal(2), Decimal(3))).desk.go(None, 0.0).refused == ()


def test_a_go_pressed_twice_moves_once_and_says_that_it_counted_once() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.desk.go(None, 10.0)
    again = stage.desk.go(None, 10.2)
    assert (again.cue, again.counted) == (CUES[2], False)
    assert len(stage.recalls) == 1


def test_how_close_two_presses_may_be_is_what_the_show_says() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)), once_within_seconds=2.0)
    stage.desk.go(None, 10.0)
    assert not stage.desk.go(None, 11.5).counted


def test_every_step_is_kept_and_a_standby_for_the_next_cue_is_no_step() -> None:
    stage = Stage()
    stage.standby()
    assert stage.kept == []
    stage.desk.go(None, 0.0)
    stage.desk.hold()
    stage.desk.release()
    stage.desk.jump(Decimal(4))
    gallery = frozenset({"gallery"})
    assert stage.kept == [
        CuePlace(Decimal(1), Decimal(2), on_air=gallery),
        CuePlace(Decimal(1), Decimal(2), held=True, on_air=gallery),
        CuePlace(Decimal(1), Decimal(2), on_air=gallery),
        CuePlace(Decimal(3), Decimal(4), on_air=gallery | {"left"}),  # cue 2 takes left
    ]
    assert stage.said[-1].next == CUES[3]


def test_what_is_refused_is_neither_kept_nor_said_and_moves_nothing() -> None:
    stage = Stage()
    stage.desk.hold()
    said, kept = len(stage.said), len(stage.kept)
    with pytest.raises(Refusal):
        stage.standby()
    with pytest.raises(Refusal):
        stage.desk.go(None, 0.0)
    assert (len(stage.said), len(stage.kept), stage.recalls) == (said, kept, [])


def test_back_jump_and_release_move_nothing() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.desk.back()
    stage.desk.jump(Decimal(3))
    stage.desk.hold()
    stage.desk.release()
    assert stage.recalls == []


def test_what_changes_nothing_is_not_said_again() -> None:
    stage = Stage()
    stage.desk.say_state()
    stage.camera("left", pan_deg=3.0)
    stage.camera("right", position="hands")
    assert len(stage.said) == 1
    stage.standby()
    stage.camera("left", pan_deg=4.0)
    assert len(stage.said) == 2


def test_a_move_that_has_an_earliest_leaves_so_long_after_the_cue_before() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.after(8.0)
    stage.standby()
    assert stage.sent == [("left", "piano")]
    assert stage.unready["right"] == "waiting"
    assert stage.sentence("right") == "camera right waits to go to hands: it leaves 20 s after cue 1, its earliest"
    stage.after(11.9)
    assert stage.sent == [("left", "piano")]
    stage.after(0.2)
    assert stage.sent == [("left", "piano"), ("right", "hands")]
    assert stage.unready["right"] == "moving"


def test_a_standby_after_that_time_sends_at_once() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.after(20.0)
    stage.standby()
    assert stage.sent == [("right", "hands"), ("left", "piano")]


@pytest.mark.parametrize("place", [None, CuePlace(Decimal(1), Decimal(2))], ids=["first cue", "restart"])
def test_where_nobody_knows_when_the_cue_before_was_it_is_counted_from_the_first_standby(
    place: CuePlace | None,
) -> None:
    stage = Stage(place, LATER)
    stage.standby()
    waiting = next(camera for camera, code in stage.unready.items() if code == "waiting")
    assert "20 s after the standby" in stage.sentence(waiting)
    stage.after(15.0)
    stage.standby()
    stage.after(4.9)
    assert stage.unready[waiting] == "waiting"
    stage.after(0.2)
    assert stage.unready[waiting] == "moving"


def test_after_a_jump_it_is_counted_from_the_standby_for_the_cue_before_is_not_run() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.after(60.0)
    stage.desk.jump(Decimal(2))
    stage.standby()
    assert stage.unready["right"] == "waiting"
    stage.after(20.0)
    assert ("right", "hands") in stage.sent


def test_a_go_taken_back_leaves_the_cue_before_it_where_it_was_in_time() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.after(15.0)
    stage.go()
    stage.desk.back()
    stage.standby()
    assert stage.unready["right"] == "waiting"
    stage.after(5.0)
    assert ("right", "hands") in stage.sent


def test_a_camera_that_comes_on_air_before_its_time_goes_when_it_is_off_again_and_not_before_its_time() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    stage.camera("right", tally="program")
    stage.camera("right", tally="off")
    assert ("right", "hands") not in stage.sent, "it is off air, but its time has not come"
    stage.camera("right", tally="program")
    stage.after(30.0)
    assert ("right", "hands") not in stage.sent
    assert stage.unready["right"] == "on-air"
    stage.camera("right", tally="off")
    assert ("right", "hands") in stage.sent


def test_what_waits_for_its_time_is_called_off_by_whatever_puts_it_in_doubt() -> None:
    def by_hand(stage: Stage) -> None:
        stage.report("right", Phase.ACCEPTED, "piano", token="somebody's")

    for end in (
        lambda stage: stage.desk.hold(),
        lambda stage: stage.desk.stopped(None),
        lambda stage: stage.desk.stopped("right"),
        lambda stage: stage.desk.driven("right"),
        lambda stage: stage.camera("right", activity=ActivityKind.LEARNING),
        lambda stage: stage.desk.back(),
        lambda stage: stage.desk.jump(Decimal(2)),
        lambda stage: stage.standby(4),
        lambda stage: stage.camera("right", locks=(LOCK,)),
        by_hand,
        *((lambda stage, change=change: stage.camera("right", **change)) for change in RESTARTS),
    ):
        stage = Stage(CuePlace(None, Decimal(1)), LATER)
        stage.go()
        stage.standby()
        end(stage)
        stage.camera("right", locks=(), activity=ActivityKind.AT_REST, power="on")
        stage.after(600.0)
        assert ("right", "hands") not in stage.sent


@pytest.mark.parametrize("switched_on", [True, False])
def test_a_camera_that_starts_up_leaves_later_by_itself_only_where_the_show_has_it_switched_on(
    switched_on: bool,
) -> None:
    first = replace(LATER[0], switch_on=("right",) if switched_on else ())
    stage = Stage(CuePlace(None, Decimal(1)), (first, *LATER[1:]))
    stage.go()
    stage.camera("right", power="starting")
    stage.standby()
    stage.after(10.0)
    assert "ask for standby again" in stage.sentence("right")
    stage.camera("right", power="on")
    assert stage.unready["right"] == ("waiting" if switched_on else "elsewhere")
    stage.after(10.0)
    assert (("right", "hands") in stage.sent) is switched_on


def test_who_drives_or_learns_a_camera_that_waits_is_told_to_ask_for_standby_again() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    stage.desk.driven("right")
    assert {one.camera: one.code for one in stage.said[-1].not_ready}["right"] == "elsewhere"
    assert stage.sentence("right") == "camera right does not stand in hands; ask for standby again"
    stage.standby()
    assert stage.unready["right"] == "waiting"
    stage.camera("right", activity=ActivityKind.LEARNING)
    assert {one.camera: one.code for one in stage.said[-1].not_ready}["right"] == "learning"
    assert "is being learned" in stage.sentence("right") and "ask for standby again" in stage.sentence("right")
    stage.camera("right", activity=ActivityKind.AT_REST)
    assert stage.unready["right"] == "elsewhere"
    stage.standby()
    stage.after(20.0)
    assert ("right", "hands") in stage.sent


def test_a_head_that_is_learned_does_not_leave_later_by_itself_and_who_asks_is_told() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.camera("right", activity=ActivityKind.LEARNING)
    stage.standby()
    assert stage.unready["right"] == "learning"
    stage.after(600.0)
    assert ("right", "hands") not in stage.sent


def test_a_camera_that_the_cue_only_takes_is_not_ready_while_its_head_is_learned() -> None:
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", activity=ActivityKind.LEARNING)
    assert stage.unready == {"gallery": "learning"}


def test_after_a_hold_the_show_is_asked_for_its_standby_again_and_waits_as_before() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    stage.desk.hold()
    stage.desk.release()
    assert stage.unready["right"] == "elsewhere"
    stage.after(10.0)
    stage.standby()
    assert stage.unready["right"] == "waiting"
    stage.after(10.0)
    assert ("right", "hands") in stage.sent


def test_a_camera_that_stands_there_when_its_time_comes_is_left_alone() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    stage.camera("right", position="hands")
    stage.after(30.0)
    assert ("right", "hands") not in stage.sent
    assert "right" not in stage.unready


def test_a_go_before_the_time_sends_what_is_not_seen_and_tells_so() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.after(5.0)
    stage.standby()
    assert stage.go() == {"right": "late"}
    assert stage.sent == [("left", "piano"), ("right", "hands")]
    stage.after(600.0)
    assert len(stage.sent) == 2, "once"


@pytest.mark.parametrize(("on_air", "code"), [("right", "late"), ("left", "left-behind")])
def test_a_go_before_the_time_sends_a_camera_unless_the_cue_moves_that_one_on_air(on_air: str, code: str) -> None:
    waits, seen = ListedMove("left", "soloist", after_seconds=20.0), ListedMove(on_air, "piano", on_air=True)
    stage = Stage(cues=(ListedCue(Decimal(1), moves=(waits, seen)),))
    stage.standby()
    assert stage.go() == {"left": code}


def test_a_go_before_the_time_moves_no_camera_that_it_takes_or_that_is_on_air_and_names_them() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)), LATER)
    stage.go()
    stage.after(5.0)
    stage.standby()
    stage.camera("left", tally="program")
    stage.recalls.clear()
    gone = stage.desk.go(None, stage.now)
    assert {one.camera: one.code for one in gone.overtaken} == {"left": "left-behind", "gallery": "left-behind"}
    said = {one.camera: one.sentence for one in gone.overtaken}
    assert "on air until cue 4" in said["left"]
    assert "cue 4 takes it" in said["gallery"]
    stage.camera("left", tally="off")
    stage.after(600.0)
    assert stage.recalls == []


def test_a_go_without_a_standby_names_the_cameras_that_were_not_sent_and_moves_none_of_them() -> None:
    stage = Stage(CuePlace(None, Decimal(1)))
    off_air = [move for move in CUES[0].moves if not move.on_air]
    assert off_air, "it has somebody to leave behind"
    assert stage.go() == {move.camera: "left-behind" for move in off_air}
    assert not {move.camera for move in off_air} & {camera for camera, _ in stage.sent}


def test_a_go_after_a_hold_leaves_nobody_behind_whom_the_standby_before_it_has_sent() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)), LATER)
    stage.standby()
    assert stage.sent == [("left", "piano")], "right waits for its time"
    stage.desk.hold()
    stage.desk.release()
    assert stage.go() == {"right": "left-behind"}
    assert stage.sent == [("left", "piano")]


def test_a_go_without_a_standby_leaves_nobody_behind_whom_places_has_sent_there() -> None:
    cues = (ListedCue(Decimal(1), "Doors", "gallery", (ListedMove("left", "soloist"),)),)
    stage = Stage(None, cues, start={"left": "soloist", "right": "hands"})
    stage.desk.places()
    assert stage.go() == {}
    assert stage.sent == [("left", "soloist"), ("right", "hands")]


def test_a_go_without_a_standby_leaves_nobody_behind_who_stands_there_already() -> None:
    stage = Stage(CuePlace(None, Decimal(1)))
    for move in CUES[0].moves:
        stage.camera(move.camera, position=move.position)
    assert stage.go() == {}


def test_a_go_takes_a_camera_that_was_not_ready_all_the_same_and_names_it() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.standby()
    stage.settle("left", "piano")
    stage.camera("left", position=None)  # somebody has moved it, or its position is gone
    assert stage.unready == {"right": "moving", "left": "elsewhere"}
    gone = stage.desk.go(None, stage.now)
    assert gone.cue == CUES[1]
    assert stage.on_air[-1] == {"left"}
    [unready] = gone.unready
    assert (unready.camera, unready.code) == ("left", "elsewhere")
    assert "go back and ask" in unready.sentence, "a standby asked for now is that of the cue after it"


@pytest.mark.parametrize(("change", "code"), [({"locks": (LOCK,)}, "locked"), ({"link": "down"}, "unreachable")])
def test_a_go_names_a_camera_that_it_takes_from_where_it_was_before(change: dict[str, object], code: str) -> None:
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", position="choir-wide", **change)
    assert [(one.camera, one.code) for one in stage.desk.go(None, stage.now).unready] == [("gallery", code)]


def test_a_go_for_another_cue_than_the_next_holds_its_cameras_to_where_that_cue_wants_them() -> None:
    stage = Stage()
    stage.camera("gallery", position="choir-wide")
    assert stage.desk.go(Decimal(4), stage.now).unready == ()
    stage.camera("gallery", position="organ")
    assert [one.code for one in stage.desk.go(Decimal(4), stage.now + 5.0).unready] == ["elsewhere"]


def test_a_go_names_a_camera_once_and_none_that_is_ready() -> None:
    gone = Stage(CuePlace(Decimal(1), Decimal(2))).desk.go(None, 100.0)
    assert ([one.camera for one in gone.overtaken], gone.unready) == (["right", "left"], ())
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.camera("left", position="piano")
    stage.standby()
    assert stage.desk.go(None, stage.now).unready == (), "right still moves, and nobody sees it"


def test_a_go_before_the_time_does_not_say_that_a_camera_leaves_that_does_not_answer() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    stage.camera("right", link="down")
    stage.after(1.0)
    assert stage.go() == {"right": "left-behind"}


def test_a_go_of_another_cue_calls_off_what_waited_and_says_for_which_cue_it_was() -> None:
    stage = Stage(CuePlace(None, Decimal(1)), LATER)
    stage.go()
    stage.standby()
    gone = stage.desk.go(Decimal(3), stage.now + 5.0)
    [left_behind] = gone.overtaken
    assert (left_behind.camera, left_behind.code) == ("right", "left-behind")
    assert "the standby was for cue 2" in left_behind.sentence
    stage.after(600.0)
    assert ("right", "hands") not in stage.sent


START = {"left": "wide", "right": "wide", "gallery": "organ"}


def said_of(placed: Placed) -> dict[str, str]:
    """What became of each camera: the position that it is sent to, that it stands in, or why it is not sent."""
    told = {one.camera: f"sent to {one.position}" for one in placed.sent}
    told |= {one.camera: f"in {one.position}" for one in placed.standing}
    told |= {one.camera: one.code for one in placed.not_sent}
    assert len(told) == len(placed.sent) + len(placed.standing) + len(placed.not_sent), "each is told of once"
    return told


@pytest.mark.parametrize(
    ("place", "there"),
    [
        (None, START),
        (CuePlace(Decimal(1), Decimal(2)), {"left": "soloist", "right": "wide", "gallery": "choir-wide"}),
        (CuePlace(Decimal(2), Decimal(3)), {"left": "piano", "right": "hands", "gallery": "choir-wide"}),
        (CuePlace(Decimal(4), None), {"left": "choir-wide", "right": "piano", "gallery": "choir-wide"}),
    ],
    ids=["at the start", "after cue 1", "after cue 2", "at the end"],
)
def test_places_brings_each_camera_to_where_the_cues_before_the_next_have_it(
    place: CuePlace | None, there: dict[str, str]
) -> None:
    stage = Stage(place, start=START)
    assert said_of(stage.desk.places()) == {camera: f"sent to {position}" for camera, position in there.items()}
    assert dict(stage.sent) == there
    assert said_of(stage.desk.places()) == {camera: f"sent to {position}" for camera, position in there.items()}
    assert len(stage.sent) == 3, "those on their way are not sent again"
    for camera, position in there.items():
        stage.settle(camera, position)
    assert said_of(stage.desk.places()) == {camera: f"in {position}" for camera, position in there.items()}
    assert len(stage.sent) == 3
    stage.camera("left", locks=(LOCK,), position=there["left"])
    assert said_of(stage.desk.places())["left"] == f"in {there['left']}", "it is where it should be, locked or not"
    stage.camera("left", locks=(), position=there["left"])
    assert all(code == "not-asked" for code in stage.unready.values()), "whoever only stays there is ready"


def test_places_goes_at_the_pace_of_the_cue_that_sends_a_camera_there_off_air() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)), start=START)
    stage.desk.places()
    assert ("right", "hands", 6, None, False) in stage.recalls
    stage = Stage(CuePlace(Decimal(3), Decimal(4)), start=START)
    stage.desk.places()
    assert ("left", "choir-wide", None, None, False) in stage.recalls, "what is slow to be watched is not so unseen"


def test_a_move_on_air_to_where_a_camera_stands_is_not_sent_and_that_is_told() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.camera("left", tally="program", position="choir-wide")
    gone = stage.desk.go(None, stage.now)
    assert [(one.camera, one.position) for one in gone.standing] == [("left", "choir-wide")]
    assert (stage.sent, gone.refused) == ([], ())
    stage.camera("right", position="piano")
    stage.after(3.0)
    assert stage.sent == [], "nor where it has come there before its time"
    stage.desk.back()
    stage.camera("left", link="down")
    assert stage.desk.go(None, stage.now + 1.0).standing == (), "of a camera that is silent nobody knows it"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"tally": "program"}, "on-air"),
        ({"locks": (LOCK,)}, "locked"),
        ({"activity": ActivityKind.LEARNING}, "learning"),
        ({"activity": ActivityKind.DIRECT, "phase": Phase.SLEWING}, "moving"),
        ({"activity": ActivityKind.BY_HAND}, "moving"),
        ({"activity": ActivityKind.HALTING}, "moving"),
        ({"activity": None}, "moving"),
        ({"link": "down", "position": "wide"}, "unreachable"),
        ({"power": "starting", "position": "wide"}, "starting"),
        ({"power": "standby"}, "standby"),
    ],
)
def test_places_moves_no_camera_that_is_on_air_or_not_free_and_says_why(change: dict[str, object], code: str) -> None:
    stage = Stage(start={"left": "wide", "right": "wide"})
    stage.camera("left", **change)
    assert said_of(stage.desk.places()) == {"left": code, "right": "sent to wide"}
    stage.after(600.0)
    stage.camera("left", tally="off", locks=(), activity=ActivityKind.AT_REST, link="up", power="on", position=None)
    assert stage.sent == [("right", "wide")], "and none goes later by itself"


def test_places_tells_what_a_camera_refuses_and_which_there_is_not() -> None:
    stage = Stage(start={"left": "wide", "organ-loft": "wide"})
    stage.refusing["left"] = "position wide: tilt 95 degrees is out of reach"
    placed = stage.desk.places()
    assert said_of(placed) == {"left": "refused", "organ-loft": "unknown-camera"}
    assert placed.not_sent[0].sentence == stage.refusing["left"]
    del stage.refusing["left"]
    assert said_of(stage.desk.places())["left"] == "sent to wide"


def test_places_leaves_to_the_standby_what_the_standby_has_asked_for() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)), LATER, start={"right": "wide"})
    stage.standby()
    assert stage.unready == {"left": "moving", "right": "waiting"}
    assert said_of(stage.desk.places()) == {
        "gallery": "sent to choir-wide",
        "left": "sent to piano",
        "right": "waiting",
    }
    assert stage.sent == [("left", "piano"), ("gallery", "choir-wide")]
    stage.settle("left", "piano")
    assert said_of(stage.desk.places())["left"] == "in piano"


def test_places_is_refused_on_hold_and_where_the_show_says_nothing() -> None:
    for stage, code in ((Stage(CuePlace(None, Decimal(1), held=True), start=START), "held"), (Stage(), "no-places")):
        with pytest.raises(Refusal) as refused:
            stage.desk.places()
        assert (refused.value.code, stage.sent) == (code, [])


def test_a_move_that_waited_since_its_go_is_not_sent_again_after_places() -> None:
    stage = Stage(CuePlace(Decimal(2), Decimal(3)))
    stage.go()
    stage.camera("left", tally="program")
    assert said_of(stage.desk.places())["right"] == "sent to piano"
    stage.settle("right", "piano")
    stage.after(600.0)
    assert stage.sent.count(("right", "piano")) == 1


def test_a_camera_that_is_switched_on_is_asked_to_stand_nowhere_until_a_cue_sends_it() -> None:
    cues = (
        ListedCue(Decimal(1), "Power", None, (ListedMove("left", "soloist"),), switch_on=("left",)),
        ListedCue(Decimal(2), "Solo", "left"),
        ListedCue(Decimal(3), "Piano", None, (ListedMove("left", "piano"),)),
        ListedCue(Decimal(4), "Bows", "left"),
    )
    stage = Stage(CuePlace(Decimal(1), Decimal(2)), cues, start={"left": "wide"})
    assert stage.unready == {}, "after its sweep it stands in no position, and the show has named none since"
    stage.desk.jump(Decimal(4))
    assert stage.unready == {"left": "elsewhere"}


def test_a_camera_at_rest_that_looks_for_its_focus_is_not_ready_for_its_part_nor_to_be_taken() -> None:
    stage = Stage(CuePlace(Decimal(1), Decimal(2)))
    stage.standby()
    stage.settle("right", "hands")
    stage.settle("left", "piano")
    stage.camera("left", focus_in_doubt=True)
    assert stage.unready == {"left": "focus"}
    stage.camera("left", focus_in_doubt=False)
    assert stage.unready == {}
    stage = Stage(CuePlace(Decimal(3), Decimal(4)))
    stage.camera("gallery", position="choir-wide", focus_in_doubt=True)
    assert stage.unready == {"gallery": "focus"}


KEYS = ("stand_by", "places", "go", "back", "jump", "hold", "release", "stopped")
HAPPENINGS = ("lock", "unlock", "take", "off", "settle", "fail", "drive", "learn", "learned", "restart", "on")
EVENTS = st.lists(st.tuples(st.sampled_from(KEYS + HAPPENINGS), st.sampled_from(["left", "right", "gallery"])))


@given(EVENTS)
def test_whatever_happens_only_a_key_its_time_or_going_off_air_moves_a_camera_and_never_one_that_is_locked(
    events: list[tuple[str, str]],
) -> None:
    stage = Stage(cues=LATER)
    in_hand: set[str] = set()  # taken by somebody since a key was last pressed that may move it
    for number, (what, camera) in enumerate(each for event in events for each in (("wait", ""), event)):
        sent = len(stage.recalls)
        before = stage.desk.state()
        held = before.held
        try:
            match what:
                case "stand_by":
                    stage.standby()
                case "places":
                    stage.desk.places()
                case "go":
                    stage.go()
                case "jump":
                    stage.desk.jump(LATER[number // 2 % 4].number)
                case "stopped":
                    stage.desk.stopped(camera)
                case "lock":
                    stage.camera(camera, locks=(LOCK,))
                case "drive":
                    stage.desk.driven(camera)
                    in_hand.add(camera)
                case "learn":
                    stage.camera(camera, activity=ActivityKind.LEARNING)
                    in_hand.add(camera)
                case "restart":
                    stage.camera(camera, power="starting")
                    in_hand.add(camera)
                case "on":
                    stage.camera(camera, power="on")
                case "learned":
                    stage.camera(camera, activity=ActivityKind.AT_REST)
                case "unlock":
                    stage.camera(camera, locks=())
                case "take":
                    stage.camera(camera, tally="program")
                case "off":
                    stage.camera(camera, tally="off")
                case "settle" | "fail" if camera in stage.tokens:
                    phase = Phase.SETTLED if what == "settle" else Phase.FAILED
                    stage.report(camera, phase, "somewhere")
                    stage.camera(camera, phase=Phase.IDLE, position=None)
                case "wait":
                    stage.after(3.0)
                case "back" | "hold" | "release":
                    getattr(stage.desk, what)()
        except Refusal:
            pass
        if what in ("stand_by", "places", "go"):
            in_hand.clear()
        moved = stage.recalls[sent:]
        told = {one.camera for one in (*before.waiting, *before.not_ready) if one.code == "waiting"}
        assert not moved or (what in ("stand_by", "places", "go", "off", "wait") and not held)
        for moving, _, _, _, on_air in moved:
            assert not stage.states[moving].locks
            assert moving not in in_hand
            assert not on_air or what in ("go", "wait")
            assert what != "wait" or moving in told, "nothing leaves by itself of which nobody was told"
            assert on_air or stage.states[moving].tally != "program"
        state = stage.desk.state()
        assert not stage.said or stage.said[-1] == state, "whatever changes is said"
