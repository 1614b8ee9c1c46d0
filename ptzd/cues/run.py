"""Where a running show stands in its cues: no clock, no I/O, nothing that moves.

Theory of operation. A show is a list of cues in the order of their numbers. The *standing* cue is the last that was
run; the *next* is the one that `go` runs. Between them lies the moment in which cameras get ready: a *standby* says
that the next cue's framings have been asked for. A *hold* keeps `go` and `standby` from doing anything.

| asked for | standing becomes | next becomes | standby becomes | while held | moves cameras |
|---|---|---|---|---|---|
| `standby` N | as it was | N | N | refused | off air |
| `places` | as it was | as it was | as it was | refused | off air |
| `go` N | N | the one after N | none | refused | on air |
| `back` | the one before it | what was standing | none | done | no |
| `jump` N | the one before N | N | none | done | no |
| `hold`, `release` | as it was | as it was | as it was | done | no |

`places` brings cameras to where the show wants them before the next cue. Without a number, `standby` and `go` mean the
next cue. After a restart the standing and the next cue, a hold and who is on air are as they were, but no cue is in
standby: whoever runs the show looks first, and asks again.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from types import MappingProxyType

from ptzd.files import ShowFile, Stands, cue_times, in_order, number_text
from ptzd.likely import did_you_mean
from ptzd.positions import CuePlace
from ptzd.refusal import Refusal

ONCE_WITHIN_SECONDS = 0.3  # a key that bounces, or a hand that is not sure


@dataclass(frozen=True, slots=True)
class ListedMove:
    """One camera's part in a cue: off air it is to stand there by then, on air it goes there at the `go`.

    `after_seconds` (0 or more) is how long after the `go` of its cue a move on air leaves. A move off air leaves at the
    standby, but not before so many seconds after the `go` of the cue before, as a rehearsal has it.
    """

    camera: str
    position: str
    speed: int | None = None  # pan step 1..24
    seconds: float | None = None
    on_air: bool = False
    after_seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class ListedCue:
    """One line of the running order, as far as running it needs to know."""

    number: Decimal
    label: str = ""
    take: str | None = None  # the camera that is on air from this cue on
    moves: tuple[ListedMove, ...] = ()
    switch_on: tuple[str, ...] = ()  # cameras that sweep their whole range, and stand in no position after that


_ByNumber = Mapping[Decimal, ListedCue]  # in the order of numbers; what each cue is, but for its number
_Numbers = dict[Decimal | None, Decimal | None]  # of cues now, by what they were; None is before and after all


def cue_list(show: ShowFile) -> tuple[ListedCue, ...]:
    """Return a show file's cues as they are run."""
    return tuple(
        ListedCue(
            Decimal(number_text(cue.number)),
            cue.label,
            cue.take,
            tuple(
                ListedMove(
                    move.camera,
                    move.position,
                    move.speed,
                    move.seconds,
                    move.on_air,
                    move.delay_seconds(time.gap_seconds),
                )
                for move in cue.move
            ),
            cue.switch_on,
        )
        for cue, time in zip(show.cue, cue_times(show), strict=True)
    )


class CueRun:
    """A show's place in its cues, and what may be asked of it. Raises Refusal and then changes nothing.

    Codes: `unknown-cue`, `no-cues` (the list is empty), `at-end` (no cue is left), `at-start` (none stands), `held`.
    """

    def __init__(
        self,
        cues: Sequence[ListedCue],
        place: CuePlace | None = None,
        *,
        start: Mapping[str, str] = MappingProxyType({}),
        on_air: str | None = None,
        once_within_seconds: float = ONCE_WITHIN_SECONDS,
    ) -> None:
        """`start` is the position in which the show begins, by camera, and `on_air` the camera that is seen then.

        `place` is where it stood; where its cues are no longer in the list, their neighbours take their part.

        A `go` that comes within `once_within_seconds` of the last, for the same cue or the one after it, does not
        count; with 0 each does. Raises ValueError for two cues of the same number.
        """
        self.cues = tuple(sorted(cues, key=lambda cue: cue.number))  # all, in the order of their numbers
        self._places = {cue.number: index for index, cue in enumerate(self.cues)}
        if len(self._places) != len(self.cues):
            raise ValueError("two cues have the same number; give each a number of its own")
        self._begins_with: frozenset[str] = frozenset() if on_air is None else frozenset({on_air})
        self._stands = [*stands_before_each(self.cues, start)]
        self._once_within_seconds = once_within_seconds
        self._went_at: float | None = None
        self._runs: list[tuple[ListedCue, float]] = []  # each `go` that was not taken back, since the last jump
        self.standing: ListedCue | None = None  # the last cue that was run; None before the first
        self.next: ListedCue | None = self.cues[0] if self.cues else None  # that `go` runs; None after the last
        self.standby = False  # whether the next cue's framings have been asked for
        self.held = False  # whether `go` and `standby` are refused
        if place is not None:
            self._take_up(place)
        # The cameras that are on air, as the cues have it. Where cues were passed over, back or ahead, it is the one
        # that the standing cue would show, and still the one that was taken last: nobody has told which of both is
        # seen. After a jump to the first cue the show begins anew.
        self.on_air = self._shown_by_standing() | (frozenset() if place is None else place.on_air)

    def written_anew(self, cues: Sequence[ListedCue], *, start: Mapping[str, str], on_air: str | None) -> CueRun:
        """Return this run with the show's cues as they are written now; parameters as for a new one.

        What was run and may be seen is as it was, and so is the standby, where the next cue has not changed: it stays
        the next though another was put in before it, since cameras stand ready for it.
        """
        place, sure = self.place_among(cues)
        if not sure and self.standby and self.next is not None and self.next in cues:
            place = replace(place, next=self.next.number)
        anew = CueRun(cues, place, start=start, on_air=on_air, once_within_seconds=self._once_within_seconds)
        anew._runs, anew._went_at = self._runs, self._went_at
        anew.standby = self.standby and anew.next == self.next
        return anew

    @property
    def place(self) -> CuePlace:
        """What is to be kept."""
        return CuePlace(
            None if self.standing is None else self.standing.number,
            None if self.next is None else self.next.number,
            self.held,
            self.on_air,
        )

    @property
    def places(self) -> Mapping[str, tuple[str, ListedCue | None]]:
        """In which position each camera should stand before the next cue, and which cue has sent it there.

        Where none has, it is the position in which the show starts; what the show does not say is not in it.
        """
        return self._stands[-1] if self.next is None else self.places_before(self.next)

    def places_before(self, cue: ListedCue) -> Mapping[str, tuple[str, ListedCue | None]]:
        """The same before any cue of the list."""
        return self._stands[self._places[cue.number]]

    def place_among(self, cues: Sequence[ListedCue]) -> tuple[CuePlace, bool]:
        """Return this place among the show's cues as they are written now, and whether it is surely the same.

        It surely is where one cue was taken out and nothing else changed; and where the standing and the next cue are
        both known in the same way, and the one comes right after the other just when it did before. They are known by
        their order in a list that is the same but for numbers, by their numbers, or by what they are.

        Elsewhere a cue rather runs twice than never. The standing cue is the one that is known, or has its number. The
        next is the one right after that, or the one that was next, if it is known and earlier. Only where the next did
        not come right after the standing one before, it stays the next.
        """
        old = {cue.number: _but_for_its_number(cue) for cue in self.cues}
        new = {cue.number: _but_for_its_number(cue) for cue in sorted(cues, key=lambda cue: cue.number)}
        place = self.place
        if new.items() < old.items() and len(new) == len(old) - 1:
            return place, True
        by_order = _known_by_order(old, new)
        by_number = _known_by_number(old, new)
        by_content = _known_by_content(old, new)
        followed = _after(place.standing, old) == place.next
        for known in (by_order, by_number, by_content):
            if place.standing in known and place.next in known:
                standing, following = known[place.standing], known[place.next]
                ended = place.next is None and known is by_number  # what was added there is the next
                if ended or (_after(standing, new) == following) == followed:
                    return replace(place, standing=standing, next=following), True
        known = by_number | by_content
        standing = known.get(place.standing, place.standing)
        after = _after(standing, new)
        following = known.get(place.next, after if followed else place.next)
        if followed and after is not None and following is not None:
            following = min(after, following)
        return replace(place, standing=standing, next=following), False

    def has(self, cue: ListedCue) -> bool:
        """Whether a cue is in the list, whatever its number, and when its moves off air may leave."""
        return _but_for_its_number(cue, on_air_too=False) in (
            _but_for_its_number(one, on_air_too=False) for one in self.cues
        )

    def before(self, cue: ListedCue) -> ListedCue | None:
        """Return the cue before one of the list's in the order of numbers; None before the first."""
        index = self._places[cue.number]
        return self.cues[index - 1] if index else None

    def ran_at(self, cue: ListedCue) -> float | None:
        """Return when a cue was run, if the last `go` ran it; None otherwise, and after a jump or a restart."""
        if not self._runs or self._runs[-1][0] != cue:
            return None
        return self._runs[-1][1]

    def stand_by(self, number: Decimal | None) -> ListedCue:
        """Return the cue whose framings are to be asked for now: `number`, or the next."""
        self.require_no_hold()
        cue = self._asked_for(number)
        self.next, self.standby = cue, True
        return cue

    def go(self, number: Decimal | None, now: float) -> ListedCue | None:
        """Return the cue that is to run now: `number`, or the next. None for a second press, which does not count."""
        self.require_no_hold()
        if self._pressed_again(number, now):
            return None
        cue = self._asked_for(number)
        self.standing, self.next, self.standby = cue, self._after(cue), False
        self.on_air = self._shown_by_standing() | (self.on_air if cue.take is None else frozenset())
        self._went_at = now
        self._runs.append((cue, now))
        return cue

    def back(self) -> ListedCue:
        """Take back the last `go`; return the cue that is the next again."""
        if self.standing is None:
            raise Refusal("at-start", "no cue has been run yet, so there is none to go back over")
        del self._runs[-1:]
        return self._stand_before(self.standing)

    def jump(self, number: Decimal) -> ListedCue:
        """Make `number` the next cue, as though all before it had been run; return it."""
        cue = self._known(number)
        self._runs.clear()
        self._stand_before(cue)
        if self.standing is None:
            self.on_air = self._begins_with
        return cue

    def hold(self) -> None:
        """Refuse `go` and `standby` from now on."""
        self.held = True

    def release(self) -> None:
        """End the hold."""
        self.held = False

    def _shown_by_standing(self) -> frozenset[str]:
        """The camera that is on air once all cues up to the standing one have been run, or as the show begins."""
        if self.standing is not None:
            for cue in reversed(self.cues[: self._places[self.standing.number] + 1]):
                if cue.take is not None:
                    return frozenset({cue.take})
        return self._begins_with

    def _take_up(self, place: CuePlace) -> None:
        self.held = place.held
        if place.standing is not None:
            earlier = [cue for cue in self.cues if cue.number <= place.standing]
            self.standing = earlier[-1] if earlier else None
        if place.next is not None:
            self.next = next((cue for cue in self.cues if cue.number >= place.next), None)
        elif place.standing is not None:  # it stood at the end: what has been added there since is the next
            self.next = next((cue for cue in self.cues if cue.number > place.standing), None)

    def _stand_before(self, cue: ListedCue) -> ListedCue:
        self.standing = self.before(cue)
        self.next, self.standby = cue, False
        self.on_air = self._shown_by_standing() | self.on_air
        self._went_at = None
        return cue

    def _pressed_again(self, number: Decimal | None, now: float) -> bool:
        if self._went_at is None or now - self._went_at >= self._once_within_seconds:
            return False
        # A page names the cue that it shows as the next, and after a go that is another within a few milliseconds.
        return number in (None, *(cue.number for cue in (self.standing, self.next) if cue is not None))

    def require_no_hold(self) -> None:
        """Raise Refusal while the cues are on hold."""
        if self.held:
            raise Refusal("held", "the cues are on hold; release them first")

    def _asked_for(self, number: Decimal | None) -> ListedCue:
        if number is not None:
            return self._known(number)
        if self.next is None:
            self._require_cues()
            raise Refusal("at-end", f"cue {self.cues[-1].number} was the last; go back, or jump to a number")
        return self.next

    def _known(self, number: Decimal) -> ListedCue:
        index = self._places.get(number)
        if index is not None:
            return self.cues[index]
        self._require_cues()
        between = f"they go from {self.cues[0].number} to {self.cues[-1].number}"
        near = did_you_mean(str(number), (str(cue.number) for cue in self.cues), between)
        raise Refusal("unknown-cue", f"there is no cue {number}; {near}")

    def _require_cues(self) -> None:
        if not self.cues:
            raise Refusal("no-cues", "the show has no cues; write some into its show file")

    def _after(self, cue: ListedCue) -> ListedCue | None:
        following = self._places[cue.number] + 1
        return self.cues[following] if following < len(self.cues) else None


def _but_for_its_number(cue: ListedCue, *, on_air_too: bool = True) -> ListedCue:
    """What a cue is, whatever its number is, and how long after the one before it comes.

    How long after its own `go` a move on air leaves is left out with `on_air_too` alone.
    """
    moves = (move if move.on_air and not on_air_too else replace(move, after_seconds=0.0) for move in cue.moves)
    return replace(cue, number=Decimal(0), moves=tuple(moves))


def _known_by_order(old: _ByNumber, new: _ByNumber) -> _Numbers:
    """All cues, where the list is the same but for their numbers; none elsewhere."""
    if [*old.values()] != [*new.values()]:
        return {}
    return {None: None} | dict(zip(old, new, strict=True))


def _known_by_number(old: _ByNumber, new: _ByNumber) -> _Numbers:
    """The cues that have kept their numbers: unchanged, or changed where the cues before and after are unchanged.

    None that is like a cue that has another number than before: it may be that one.
    """
    lost = {cue for number, cue in old.items() if new.get(number) != cue}
    gained = {cue for number, cue in new.items() if old.get(number) != cue}
    beside, beside_now = _neighbours(old), _neighbours(new)
    return {None: None} | {
        number: number
        for number in old.keys() & new.keys()
        if {old[number], new[number]}.isdisjoint(lost & gained)
        and (old[number] == new[number] or beside[number] == beside_now[number])
    }


def _known_by_content(old: _ByNumber, new: _ByNumber) -> _Numbers:
    """The cues that are once in each list, whatever their numbers are."""
    were, are = Counter(old.values()), Counter(new.values())
    now = {cue: number for number, cue in new.items()}
    return {None: None} | {number: now[cue] for number, cue in old.items() if were[cue] == are[cue] == 1}


def _neighbours(cues: _ByNumber) -> Mapping[Decimal, tuple[object, object]]:
    """By its number, the cues before and after each, with their numbers."""
    items = [None, *cues.items(), None]
    return {number: (items[place], items[place + 2]) for place, number in enumerate(cues)}


def _after(number: Decimal | None, cues: _ByNumber) -> Decimal | None:
    """The number after one, which the cues need not have; the first after None."""
    return next((each for each in cues if number is None or each > number), None)


def stands_before_each(
    cues: Sequence[ListedCue], start: Mapping[str, str]
) -> Iterator[Mapping[str, tuple[str, ListedCue | None]]]:
    """Yield where the cameras stand before each cue, and after the last."""
    stands: Stands[ListedCue] = Stands(start)
    yield stands.now()
    for cue in cues:
        for _, move in in_order(cue.moves):
            if move is None:
                stands.switched_on(cue.switch_on)
            else:
                stands.moved(move.camera, move.position, cue)
        yield stands.now()
