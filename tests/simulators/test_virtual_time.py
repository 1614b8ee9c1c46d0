"""The clock that jumps: what sleeps on it wakes at the very time it asked for, without anybody waiting."""

from __future__ import annotations

import asyncio

import pytest
from ptzsim.virtual_time import StuckError, VirtualTimeLoop, run


def test_a_day_passes_in_no_time_and_to_the_second() -> None:
    async def sleep_a_day() -> float:
        await asyncio.sleep(86_400.0)
        return asyncio.get_running_loop().time()

    assert run(sleep_a_day()) == pytest.approx(86_400.0, abs=1e-6)


def test_sleepers_wake_in_the_order_of_their_times() -> None:
    async def order() -> list[tuple[str, float]]:
        woken: list[tuple[str, float]] = []

        async def sleep(name: str, seconds: float) -> None:
            await asyncio.sleep(seconds)
            woken.append((name, asyncio.get_running_loop().time()))

        async with asyncio.TaskGroup() as tasks:
            for name, seconds in (("gallery", 3.0), ("left", 1.0), ("right", 2.0)):
                tasks.create_task(sleep(name, seconds))
        return woken

    names, times = zip(*run(order()), strict=True)
    assert names == ("left", "right", "gallery")
    assert times == pytest.approx((1.0, 2.0, 3.0))


def test_time_does_not_pass_while_something_can_run() -> None:
    async def busy() -> float:
        for _ in range(1000):
            await asyncio.sleep(0)
        return asyncio.get_running_loop().time()

    assert run(busy()) == 0.0


def test_a_timeout_ends_a_wait_that_nothing_else_would() -> None:
    async def wait() -> float:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(5.0):
                await asyncio.Event().wait()
        return asyncio.get_running_loop().time()

    assert run(wait()) == pytest.approx(5.0)


def test_waiting_for_ever_is_an_error_that_says_so() -> None:
    async def wait() -> None:
        await asyncio.Event().wait()

    with pytest.raises(StuckError, match="no timer will bring about"):
        run(wait())


def test_a_stuck_run_still_lets_its_tasks_clean_up() -> None:
    cleaned: list[str] = []

    async def wait() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            cleaned.append("left")

    with pytest.raises(StuckError):
        run(wait())
    assert cleaned == ["left"]


def test_an_error_in_the_program_comes_out_unchanged() -> None:
    async def fail() -> None:
        await asyncio.sleep(1.0)
        raise LookupError("no camera of that name")

    with pytest.raises(LookupError, match="no camera"):
        run(fail())


def test_what_was_due_in_a_time_passed_over_happens_at_its_end_once_and_in_its_order() -> None:
    async def order() -> list[tuple[str, float]]:
        woken: list[tuple[str, float]] = []
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualTimeLoop)
        for name, seconds in (("gallery", 3.0), ("left", 1.0), ("late", 20.0)):
            loop.call_later(seconds, lambda name=name: woken.append((name, loop.time())))  # type: ignore[misc]
        loop.pass_over(10.0)
        await asyncio.sleep(11.0)
        return woken

    names, times = zip(*run(order()), strict=True)
    assert names == ("left", "gallery", "late")
    assert times == pytest.approx((10.0, 10.0, 20.0))
