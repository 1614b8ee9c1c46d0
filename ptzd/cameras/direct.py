"""A direct move: one absolute order for the head, a few for the lens, and seeing that it has settled.

Its orders leave in the very call that asks for it. Then a task waits until the camera has reported the end of each,
reads the position until it has been still and within tolerance for a while, and says "settled". What is in doubt is
never believed but done again: a command whose completion was lost is sent anew with a new number, and a head that is
there already completes it at once. A head that takes no order while it still moves is asked again once it has come to
rest. However it goes, a move has ended by three times its promise and ten seconds.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace

import structlog

from ptzd.line import HALT, STILL_SECONDS, Ending, Exchange, Framing, InquiryRefused, LineDown, PushedAside, landing
from ptzd.visca import Completed, DigitalZoomOff, ErrorCode, Interrupted, Refused, Unanswered

from .activity import SWEEPS, SWITCHED_OFF, Activity, Host
from .looking import Looking
from .move import Move
from .orders import lens_orders, memory_orders, pan_tilt_order
from .reports import ActivityKind, Phase

log = structlog.get_logger()

ATTEMPTS = 5  # how often the orders of a move are given before it has failed
MOVING_PAUSE_SECONDS = 0.1  # between two readings while it moves
COMPLETION_PATIENCE_SECONDS = 0.25  # the head is seen to be there, but its completion may still be on its way
STANDSTILL_SECONDS = 1.5  # after its order, or the end of one, a camera that stands elsewhere has not heard all of it
FAR_OFF_DEG = 0.5  # a head that says it has ended and rests farther off was held
HELD = (
    "it came to rest far from there: a limit set in the camera, an obstacle or another controller may have held it; "
    "look at it before you recall again"
)
STOP_SECONDS = 0.5  # after its ACK
LOST = (
    "it tells that it is there, but also that it has lost its place, so it may point anywhere: look at its picture, "
    "and let it find its ends where it may sweep safely"
)
NOT_NOW = (ErrorCode.NOT_EXECUTABLE, ErrorCode.BUFFER_FULL)


class Direct(Activity):
    """See the module. Its `move` tells how far it is."""

    kind = ActivityKind.DIRECT
    move: Move

    def __init__(self, host: Host, move: Move) -> None:
        self.move = move
        self._host = host
        self._contact = host.contact
        self._loop = asyncio.get_running_loop()
        self._task: asyncio.Task[None] | None = None
        self._ordered_at = move.started_at
        self._older_unended = False
        self._memory = move.recall.memory if move.plan.shaped is None else None  # by which it goes, the first time
        self._looking = False  # whether it is still; nobody else need ask, which would only hold that up

    @property
    def reads(self) -> bool:  # type: ignore[override]
        # From the report of its end on: a question that the watch asks after that would only hold the looking up.
        exchanges = self.move.exchanges
        return self._looking or (bool(exchanges) and all(_is_completed(each) for each in exchanges))

    @property
    def quiet(self) -> bool:
        """Whether it reads by itself, or will as soon as its end is told: an answer under way would hold that up."""
        head = self._host.settings.head
        told_at = self._ordered_at + self.move.plan.prediction.seconds_to_arrival + head.settle.told_seconds
        return self.reads or abs(self._loop.time() - told_at) < head.settle.reading_seconds

    @property
    def unended(self) -> bool:
        return self._older_unended and not self.move.taken

    def begin(self, older: Activity) -> None:
        self._older_unended = older.unended
        self._set_out(older)
        self._contact.standing.forget()  # it may have stood still until now
        self._task = self._host.spawn(self._run())

    def heard(self, framing: Framing, now: float) -> None:
        if not self._looking:
            self.move.arrival.take(framing, now)

    def end(self) -> None:
        if self._task is not None and self._task is not asyncio.current_task():
            self._task.cancel()

    def _set_out(self, older: Activity) -> None:
        self._order()

    def _order(self) -> None:
        """Send the camera straight to the framing."""
        move, seconds = self.move, self.move.completion_seconds()
        self._ordered_at = self._loop.time()
        if self._memory is not None and (memories := self._host.settings.memories) is not None:
            orders = memory_orders(memories, self._memory, move.plan.pan_step)
            *_, recall = self._contact.slow.interrupt(orders, seconds)
            move.exchanges = [recall]
            if self._contact.digital_zoom is not False:
                move.exchanges.append(self._contact.line.perform(DigitalZoomOff(), seconds))
            return
        order = pan_tilt_order(move.recall.framing, move.plan.pan_step, move.plan.tilt_step)
        move.exchanges = self._contact.slow.interrupt([order], seconds)
        orders = lens_orders(move.recall.framing, digital_zoom=self._contact.digital_zoom)
        move.exchanges += [self._contact.line.perform(each, seconds) for each in orders]

    async def _run(self) -> None:
        """Carry it out in the time that it has. A mistake of ours must not leave a head driving."""
        name, position = self._host.settings.name, self.move.recall.goal
        try:
            async with asyncio.timeout_at(self.move.given_up_at):
                await self._carry_out()
        except TimeoutError:
            sentence = (
                "it did not come to rest there in three times the time that was promised, and was stopped: look at it "
                "before you recall again"
            )
            self._fail("overdue", sentence, halt=True)
        except Exception:
            log.exception("a move broke off; the camera is stopped", camera=name, position=position)
            self._fail("internal", "the daemon failed at this move and stopped it; the log tells more", halt=True)

    async def _carry_out(self) -> None:
        await self._heard_order()
        self._enter(Phase.SLEWING)
        await self._land()

    async def _land(self) -> None:
        """Wait until it has settled, and order anew what is in doubt."""
        move = self.move
        attempts = 0
        while True:
            endings = await self._endings()
            if any(isinstance(ending, Unanswered) for ending in endings):
                self._host.silent()
                return
            if self._contact.slow.left_on:
                self._contact.slow.turn_off()
            if _refused_for_now(endings):  # asked here, where no order anew pushes it aside: it may have restarted
                with suppress(PushedAside, InquiryRefused, LineDown):
                    await self._contact.ask_power(lambda head: None)
            if failure := self._failure(endings):
                self._fail(*failure, halt=not move.taken)
                return
            completed = all(isinstance(ending, Completed) for ending in endings)
            if completed:
                if move.phase is not Phase.SETTLING:
                    self._enter(Phase.SETTLING)
                try:
                    self._looking = True
                    still = await self._still()
                except LineDown:
                    self._host.silent()
                    return
                finally:
                    self._looking = False
                if still and self._contact.lost_place:
                    self._fail("lost-place", LOST, halt=False)
                    return
                if still:
                    self._host.ended(self, Phase.SETTLED, halt=False)
                    return
            if not (self._waits_for_rest(endings) or self._is_there_unheard(endings)):
                attempts += 1
            if self._memory is not None and not move.arrival.there and (completed or self._contact.standing.still):
                self._go_by_position()
                await self._heard_order()
                continue
            # To insist would be to fight whoever or whatever held it.
            if self._rests_far_off() and (completed or (attempts > 1 and self._contact.standing.still)):
                self._fail("held", HELD, halt=not move.taken)
                return
            if attempts == ATTEMPTS:
                self._fail(*self._given_up(endings), halt=not move.taken)
                return
            await asyncio.sleep(MOVING_PAUSE_SECONDS)
            move.arrival.forget()
            self._order()
            await self._heard_order()

    def _go_by_position(self) -> None:
        """Its own memory did not bring it there: somebody has set that anew, or it is another camera."""
        move, framing = self.move, self._contact.framing
        off = None if framing is None else landing(self._contact.dialect, framing, move.recall.framing)
        beside = (
            "" if off is None else f" (pan {off.pan_counts:+d}, tilt {off.tilt_counts:+d}, zoom {off.zoom_counts:+d})"
        )
        move.lost_memory, self._memory = self._memory, None
        move.warning = (
            f"its own memory {move.lost_memory} does not bring it there{beside}, so it goes by position "
            f"from now on: `ptzd positions restore {self._host.settings.name}` sets its memories anew"
        )
        self._host.told(move)
        move.arrival.forget()
        self._order()

    async def _heard_order(self) -> None:
        """Wait until the camera has taken the order to go to the framing, or will not.

        A head that refuses it drives on where it was driven before, so it is stopped, and asked again when it rests.
        """
        head = self.move.exchanges[0]
        await head.begun
        if _is_lost(head):
            if self.unended and isinstance(head.ended.result(), Refused):
                self._contact.line.interrupt(HALT, STOP_SECONDS)
                self._contact.standing.forget()
        elif not self.unended:
            self.move.taken = True
        else:  # what drives the zoom ends with the zoom's own order alone, and that leaves later
            await asyncio.wait([each.begun for each in self.move.exchanges])
            self.move.taken = not any(_is_lost(each) for each in self.move.exchanges)

    async def _endings(self) -> list[Ending | None]:
        """Wait until each command has ended, or the head has been there for long enough, or stands where it is."""
        arrival, futures = self.move.arrival, [exchange.ended for exchange in self.move.exchanges]
        heard_at, unended = self._ordered_at, len(futures)
        while pending := [future for future in futures if not future.done()]:
            if len(pending) < unended:  # it hears one order after the other, and may take long over that
                heard_at, unended = self._loop.time(), len(pending)
            await asyncio.wait(pending, timeout=MOVING_PAUSE_SECONDS, return_when=asyncio.FIRST_COMPLETED)
            now = self._loop.time()
            if self._contact.power in ("starting", "standby"):
                break  # whatever it was sent to do, it does no more
            if min(arrival.seconds(now), now - heard_at) > COMPLETION_PATIENCE_SECONDS:
                break
            if not arrival.there and self._contact.standing.still and now - heard_at > STANDSTILL_SECONDS:
                break
        return [future.result() if future.done() else None for future in futures]

    def _waits_for_rest(self, endings: list[Ending | None]) -> bool:
        """Whether the camera took no order since it still moves: then it is asked again, as often as it takes."""
        return _refused_for_now(endings) and not self._contact.standing.still

    def _is_there_unheard(self, endings: list[Ending | None]) -> bool:
        """Whether it is there, and only reports of its ends were lost: asked anew, it reports them at once."""
        return self.move.arrival.there and all(ending is None or isinstance(ending, Completed) for ending in endings)

    def _failure(self, endings: list[Ending | None]) -> tuple[str, str] | None:
        if self._contact.power in ("starting", "standby"):
            cause = SWEEPS if self._contact.power == "starting" else SWITCHED_OFF
            return cause.code, cause.sentence
        for ending in endings:
            match ending:
                case Refused(code=ErrorCode.SYNTAX | ErrorCode.MESSAGE_LENGTH):
                    return (
                        "not-understood",
                        f"it did not understand a command; is {self._contact.dialect.name} the right dialect for it?",
                    )
                case Refused(code=ErrorCode.CANCELLED):
                    return (
                        "taken-over",
                        "another controller took it over, perhaps another ptzd that has lost its broker: end that one",
                    )
                case _:
                    pass
        return None

    def _given_up(self, endings: list[Ending | None]) -> tuple[str, str]:
        if _refused_for_now(endings):
            return (
                "refused",
                f"it refused to go there {ATTEMPTS} times; is its menu open, or is it busy with another controller's "
                "orders?",
            )
        return "off-position", f"it did not come to rest there in {ATTEMPTS} attempts{self._zoom_off()}"

    def _zoom_off(self) -> str:
        """What is said beside that where all but the zoom is where it was sent."""
        framing, wanted = self._contact.framing, self.move.recall.framing
        if framing is None:
            return ""
        landed = landing(self._contact.dialect, framing, wanted)
        if not self._host.settings.tolerance.holds(replace(landed, zoom_counts=0)) or not landed.zoom_counts:
            return ""
        return (
            f": its zoom ended {abs(landed.zoom_counts)} counts beside; perhaps its motor has play, its gear slips, or "
            "something holds the ring"
        )

    def _rests_far_off(self) -> bool:
        framing = self._contact.framing
        if framing is None or self._contact.read_at <= self._ordered_at:
            return False  # nobody has seen it since
        landed = landing(self._contact.dialect, framing, self.move.recall.framing)
        return max(abs(landed.pan_deg), abs(landed.tilt_deg)) > FAR_OFF_DEG

    async def _still(self) -> bool:
        """Whether the head comes to rest within tolerance; False as soon as it rests elsewhere. Raises LineDown."""
        move, arrival = self.move, self.move.arrival
        arrival.told_its_end(self._loop.time())
        looking = Looking(self._contact.line, arrival)
        last: Framing | None = None
        resting_since = self._loop.time()
        until = resting_since + move.completion_seconds()
        while self._loop.time() < until:
            try:
                framing = await looking.look()
            except PushedAside:
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                continue
            except InquiryRefused:
                self._contact.condition = None  # perhaps somebody has switched it off: the watch asks
                await asyncio.sleep(MOVING_PAUSE_SECONDS)
                continue
            if framing is None:
                continue
            self._contact.take(framing)
            now = self._loop.time()
            if arrival.still(now):
                return framing.focus_mode == move.recall.framing.focus_mode
            if framing != last:
                last, resting_since = framing, now
            if not arrival.there and now - resting_since > 2 * STILL_SECONDS:
                return False
        return False

    def _enter(self, phase: Phase) -> None:
        self.move.phase = phase
        self._host.told(self.move)

    def _fail(self, code: str, sentence: str, *, halt: bool) -> None:
        self._host.ended(self, Phase.FAILED, code, sentence, halt=halt)


def _refused_for_now(endings: list[Ending | None]) -> bool:
    return any(isinstance(ending, Refused) and ending.code in NOT_NOW for ending in endings)


def _is_completed(exchange: Exchange) -> bool:
    return exchange.ended.done() and isinstance(exchange.ended.result(), Completed)


def _is_lost(exchange: Exchange) -> bool:
    """Whether an order that has begun or ended was not taken."""
    return exchange.ended.done() and isinstance(exchange.ended.result(), Refused | Interrupted | Unanswered)
