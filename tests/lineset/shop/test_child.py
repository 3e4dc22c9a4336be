"""A child of the shop: waited for, kept alive with back-off, ended in order, heard; also where the leash stays."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from lineset.shop.child import Child, ChildPlan
from lineset.shop.errors import ShopError, ShopPartError, ShopPortError
from lineset.stream import leash

WAIT_S = 60.0
SAY = "import os, time; say = lambda words: os.write(2, (words + chr(10)).encode()); "  # also from a signal handler


def plan(script: str, **more: Any) -> ChildPlan:
    """A child that runs these lines of Python, with `say` to say something."""
    return ChildPlan(name="part", command=(sys.executable, "-I", "-S", "-c", SAY + script), ready="ready", **more)


@asynccontextmanager
async def started(script: str, **more: Any) -> AsyncIterator[Child]:
    child = Child(plan(script, **more))
    await child.start()
    try:
        yield child
    finally:
        await child.stop()


async def until(child: Child, restarts: int) -> None:
    async with asyncio.timeout(WAIT_S):
        while child.restarts < restarts or child.state != "running":
            await asyncio.sleep(0.01)


async def test_it_is_started_again_whenever_it_ends() -> None:
    seen = []
    child = Child(plan("say('ready'); time.sleep(60)"), lambda: seen.append(child.state))
    await child.start()
    for times in (1, 2):
        os.kill(child.pid, signal.SIGKILL)
        await until(child, times)
    await child.stop()
    assert (child.pid, child.state) == (0, "stopped")
    assert seen[:3] == ["starting", "running", "waiting"]
    await child.stop()


async def test_what_fails_before_a_start_is_tried_again() -> None:
    calls: list[str] = []

    def before() -> None:
        calls.append("called")
        if len(calls) in (2, 3):  # at the first two attempts to start it again
            raise PermissionError(13, "Permission denied", "postmaster.pid")

    async with started("say('ready'); time.sleep(60)", before=before) as child:
        os.kill(child.pid, signal.SIGKILL)
        await until(child, 1)
        assert len(calls) == 4


async def test_a_child_is_ended_also_when_its_keeper_has_failed() -> None:
    def odd(state: str) -> None:
        if state == "waiting":
            raise ZeroDivisionError

    child = Child(plan("say('ready'); time.sleep(60)"), lambda: odd(child.state))
    await child.start()
    keeper = child._keeper
    assert keeper is not None
    os.kill(child.pid, signal.SIGKILL)
    await asyncio.wait({keeper}, timeout=WAIT_S)
    await child.stop()
    assert (child.pid, child.state) == (0, "stopped")


async def test_one_that_does_not_become_ready_says_why() -> None:
    with pytest.raises(ShopPartError, match=r"it said: no such thing \| enough"):
        await Child(plan("say('no such thing'); say('enough')")).start()

    def why(said: str) -> ShopError | None:
        return ShopPortError("here", "taken", "End it") if "in use" in said else None

    with pytest.raises(ShopPortError, match="taken"):
        await Child(plan("say('address in use')", why=why)).start()


async def test_what_passes_by_itself_is_tried_again(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    script = f"there=os.path.exists({str(mark)!r}); open({str(mark)!r}, 'w'); say('ready' if there else 'still in use'); there and time.sleep(60)"  # noqa: E501
    async with started(script, passing=("still in use",)) as child:
        assert child.restarts == 0
    mark.unlink()
    with pytest.raises(ShopPartError, match="still in use"):
        await Child(plan(script)).start()


async def test_one_that_does_not_end_when_asked_is_killed() -> None:
    script = "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); say('ready'); time.sleep(60)"
    async with started(script, stop_s=0.05) as child:
        pid = child.pid
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


async def test_what_it_says_can_be_waited_for_and_a_line_without_end_harms_nobody() -> None:
    script = (
        "import signal; signal.signal(signal.SIGHUP, lambda *_: (say('x' * 3_000_000), say('done'))); say('ready'); "
        "[time.sleep(1) for _ in range(60)]"
    )
    async with started(script) as child:
        word = asyncio.create_task(child.until("done", timeout_s=WAIT_S))
        never = asyncio.create_task(child.until("never", timeout_s=0.01))
        await asyncio.sleep(0)
        child.signal(signal.SIGHUP)
        assert await word == "done"
        assert await never == ""
        waiting = asyncio.create_task(child.until("never", timeout_s=WAIT_S))
        await asyncio.sleep(0)
        os.kill(child.pid, signal.SIGKILL)
        assert await waiting == ""  # it ended, and is not waited for


async def test_a_leash_that_stays_hands_signals_on() -> None:
    """As on systems whose kernel knows no leash."""
    script = (
        "import signal; signal.signal(signal.SIGHUP, lambda *_: say('read anew')); "
        "signal.signal(signal.SIGINT, lambda *_: (say('in order'), os._exit(3))); say('ready'); "
        "[time.sleep(1) for _ in range(60)]"
    )
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-I", "-S", leash.__file__, "--watch", str(os.getpid()),
        sys.executable, "-I", "-S", "-c", SAY + script,
        stdin=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    async with asyncio.timeout(WAIT_S):
        assert await process.stderr.readline() == b"ready\n"
        process.send_signal(signal.SIGHUP)
        assert await process.stderr.readline() == b"read anew\n"
        process.send_signal(signal.SIGINT)
        assert await process.stderr.readline() == b"in order\n"
        assert await process.wait() == 3
    assert process.stdin is not None
    process.stdin.close()
