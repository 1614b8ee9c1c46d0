"""The commands that show, change and rehearse the cue list of the show that is loaded."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Set
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from ptzd.bus import Asked
from ptzd.bus.commands import ListCommand, RehearseCommand, RemoveCommand, WriteCommand
from ptzd.bus.messages import ConflictMessage, CuesResult, RehearsedResult, WrittenResult
from ptzd.cameras import Camera
from ptzd.files import (
    Cue,
    ShowFile,
    TextFileError,
    cue_of,
    number_text,
    read_show_text,
    show_with,
    unknown_names,
    with_cue,
    without_cue,
)
from ptzd.positions import PositionStore, RunDisk
from ptzd.refusal import Refusal
from ptzd.rehearsal import RehearsedCamera, rehearse, reservations, verdict
from ptzd.visca import DialectError

from .cues import NO_CUES, Cues
from .handling import handles
from .showtext import ShowText

REMEDIED_CONFLICTS = 100  # a show with more wants other help; all are told
WRITE_WITH_REPLACE = 'write it with "replace": true'
NO_FILE = "the cues of this show can't be changed here: it is from no file"


@dataclass(eq=False, frozen=True, kw_only=True)
class CueList:
    """A show's cues as they are written: what sums there are to do with them is done `beside` the event loop."""

    cues: Cues
    text: ShowText | None
    cameras: Mapping[str, Camera]
    store: PositionStore
    focus_by_itself: Set[str]
    beside: RunDisk
    _rehearsing: asyncio.Lock = field(default_factory=asyncio.Lock)  # one at a time: they would slow each other down

    @handles(ListCommand)
    def listed(self, asked: Asked[ListCommand]) -> CuesResult:
        return CuesResult.of(self._show)

    @handles(WriteCommand)
    async def write(self, asked: Asked[WriteCommand]) -> WrittenResult:
        what = asked.what
        cue = _cue(what.model_dump(exclude={"id", "replace"}))
        if not what.replace and any(each.number == cue.number for each in self._show.cue):
            raise Refusal(
                "cue-exists",
                f"there is a cue {number_text(cue.number)} already: {WRITE_WITH_REPLACE} to change that, or take a "
                "number between two others",
                WRITE_WITH_REPLACE,
            )
        show, doubts = await self._change(partial(with_cue, cue=cue, replace=what.replace))
        place = show.cue_index(cue.number)
        return _written(show, [*doubts, *(sentence for at, sentence in self._unknown(show) if at == place)])

    @handles(RemoveCommand)
    async def remove(self, asked: Asked[RemoveCommand]) -> WrittenResult:
        number = float(asked.what.number)
        try:
            self._show.cue_index(number)
        except ValueError as error:
            raise Refusal("unknown-cue", str(error)) from None
        return _written(*await self._change(partial(without_cue, number=number)))

    @handles(RehearseCommand)
    async def rehearse(self, asked: Asked[RehearseCommand]) -> RehearsedResult:
        async with self._rehearsing:
            show = self._show
            if asked.what.cue is not None:
                show = await self.beside(partial(_with, show, asked.what.cue))
            if unknown := self._unknown(show):
                return RehearsedResult(
                    show=show.show.name,
                    fits=False,
                    verdict="Nothing is rehearsed, since the show names what there is not.",
                    reservations=[],
                    conflicts=[
                        ConflictMessage(
                            cue=None if at is None else number_text(show.cue[at].number),
                            camera=None,
                            kind="unknown-name",
                            sentence=sentence,
                            remedies=[],
                        )
                        for at, sentence in unknown
                    ],
                )
            cameras = self._rehearsed_cameras()
            return await self.beside(partial(_rehearsed, show, cameras))

    @property
    def _show(self) -> ShowFile:
        if self.cues.show is None:
            raise Refusal("no-cues", NO_CUES)
        return self.cues.show

    async def _change(self, edit: Callable[[str], str]) -> tuple[ShowFile, list[str]]:
        """Change the show's text, and go on with the show as it is then; or raise Refusal and change nothing.

        Return the show, and a sentence where it may stand at another cue now.
        """
        loaded = self._show
        if self.text is None:
            raise Refusal("no-file", NO_FILE)
        async with self.text.alone:
            try:
                text = await self.text.read()
            except TextFileError as error:
                raise Refusal("invalid", f"nothing is written: {error}") from None
            changed, show = await self.beside(partial(_edited, text, edit))
            if show.show.name != loaded.show.name:
                raise Refusal(
                    "other-show",
                    f"the file has another show now, {show.show.name}, and not {loaded.show.name}: have it read anew, "
                    "then write",
                )
            self.cues.require_no_standby_of_what_changes(show)
            await self.text.write(changed)
            doubt = self.cues.take_up(show)
        return show, [] if doubt is None else [doubt]

    def _unknown(self, show: ShowFile) -> tuple[tuple[int | None, str], ...]:
        """What a show names and the daemon has not, each with its cue's place."""
        known = {name: self.store.positions(name) for name in self.cameras}
        return tuple(unknown_names(show, known))

    def _rehearsed_cameras(self) -> dict[str, RehearsedCamera]:
        return {
            name: RehearsedCamera(
                camera.settings,
                dict(self.store.positions(name)),
                name in self.focus_by_itself,
                self.store.locks_of(name),
            )
            for name, camera in self.cameras.items()
        }


def _cue(fields: Mapping[str, Any]) -> Cue:
    """Return a cue from the fields that a command has for it. Raises Refusal."""
    table = _given(fields)
    with suppress(KeyError, ValueError, TypeError):
        table["number"] = float(table["number"])
    if isinstance(moves := table.pop("moves", None), list):
        table["move"] = [_given(move) if isinstance(move, dict) else move for move in moves]
    try:
        return cue_of(table)
    except TextFileError as error:
        raise _invalid(error) from None


def _given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """What the file has of some fields: none where nothing is said."""
    return {name: value for name, value in fields.items() if value or (value == 0 and value is not False)}


def _with(show: ShowFile, fields: Mapping[str, Any]) -> ShowFile:
    try:
        return show_with(show, _cue(fields))
    except TextFileError as error:
        raise _invalid(error) from None


def _edited(text: str, edit: Callable[[str], str]) -> tuple[str, ShowFile]:
    """Return a show's text when it was edited, and the show in it. Raises Refusal."""
    try:
        read_show_text(text)
    except TextFileError as error:
        raise Refusal("invalid", f"nothing is written, since the show file has mistakes: {error}") from None
    try:
        changed = edit(text)
        return changed, read_show_text(changed)
    except TextFileError as error:
        raise _invalid(error) from None
    except ValueError as error:
        raise Refusal("invalid", f"nothing is written: {error}") from None


def _invalid(error: TextFileError) -> Refusal:
    """What is wrong with a cue that is not written: it has no lines yet."""
    return Refusal("invalid", "; ".join(f"{mistake.field}: {mistake.sentence}" for mistake in error.mistakes))


def _written(show: ShowFile, warnings: list[str]) -> WrittenResult:
    return WrittenResult(show=show.show.name, cues=len(show.cue), warnings=warnings)


def _rehearsed(show: ShowFile, cameras: Mapping[str, RehearsedCamera]) -> RehearsedResult:
    try:
        found = rehearse(show, cameras, remedied_conflicts=REMEDIED_CONFLICTS)
    except DialectError as error:  # a position that was stored in other scales
        raise Refusal("other-scales", f"nothing is rehearsed: {error}") from None
    return RehearsedResult.alike(
        found,
        verdict=verdict(found),
        reservations=[*reservations(found)],
        conflicts=[
            ConflictMessage.alike(
                conflict,
                cue=number_text(conflict.cue_number),
                remedies=[remedy.sentence for remedy in conflict.remedies],
            )
            for conflict in found.conflicts
        ],
    )
