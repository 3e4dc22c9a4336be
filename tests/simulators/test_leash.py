"""What the simulators start ends with them, even when they are killed."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from simulated_radio import needs_bus

from lineset_simulators import leash
from lineset_simulators.bus import private_bus

SCENARIOS = Path(__file__).parents[2] / "demo" / "scenarios"
SOON = 30.0
KERNEL = pytest.param(
    False, id="kernel", marks=pytest.mark.skipif(sys.platform != "linux", reason="only Linux's kernel does it")
)
WATCH = pytest.param(True, id="watch")
HOLDER = """
import sys, time
from lineset_simulators.bus import private_bus
with private_bus(watch_leash=sys.argv[1] == "True") as bus:
    print(bus.address, flush=True)
    time.sleep(60)
"""


def processes() -> dict[int, tuple[int, str, str]]:
    """Parent, state and command of every process."""
    listed = subprocess.run(["ps", "-eo", "pid=,ppid=,stat=,comm="], capture_output=True, text=True, check=True)
    rows = [line.split(None, 3) for line in listed.stdout.splitlines()]
    return {int(row[0]): (int(row[1]), row[2], row[3]) for row in rows}


def family(pid: int) -> dict[int, str]:
    """Commands of all that descend from a process."""
    found, known = {pid: ""}, processes()
    while more := {p: c for p, (parent, _, c) in known.items() if parent in found and p not in found}:
        found |= more
    del found[pid]
    return found


def until_gone(pids: set[int]) -> None:
    deadline = time.monotonic() + SOON
    while left := {pid for pid, (_, state, _) in processes().items() if pid in pids and not state.startswith("Z")}:
        assert time.monotonic() < deadline, left
        time.sleep(0.02)


@needs_bus
@pytest.mark.parametrize("watch", [KERNEL, WATCH])
def test_the_message_bus_does_not_outlive_a_holder_that_is_killed(watch: bool) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(watch)], stdout=subprocess.PIPE, text=True)
    assert holder.stdout is not None
    path = holder.stdout.readline().strip().removeprefix("unix:path=")
    children = family(holder.pid)
    assert "dbus-daemon" in children.values()
    assert len(children) == (2 if watch else 1)
    with socket.socket(socket.AF_UNIX) as there:
        there.connect(path)
    holder.kill()
    holder.wait()
    holder.stdout.close()
    until_gone(set(children))
    with socket.socket(socket.AF_UNIX) as there, pytest.raises(OSError, match=r"refused|No such file"):
        there.connect(path)


@needs_bus
def test_a_bench_with_a_radio_that_is_killed_leaves_no_message_bus(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "lineset_simulators.bench", str(SCENARIOS / "spring_visit.toml"), "--json"]
    bench = subprocess.Popen([*command, "--out", str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert bench.stdout is not None
    assert '"dbus": "unix:path=' in bench.stdout.readline()
    children = family(bench.pid)
    assert "dbus-daemon" in children.values()
    os.kill(bench.pid, signal.SIGKILL)
    bench.wait()
    bench.stdout.close()
    until_gone(set(children))


@needs_bus
@pytest.mark.parametrize("watch", [KERNEL, WATCH])
def test_a_bus_that_is_given_back_leaves_nothing(watch: bool) -> None:
    before = family(os.getpid())  # other tests of this process may keep a server of theirs
    with private_bus(watch_leash=watch):
        children = {pid: name for pid, name in family(os.getpid()).items() if pid not in before}
        assert "dbus-daemon" in children.values()
    until_gone({pid for pid, name in children.items() if name != "ps"})


@pytest.mark.parametrize("watch", [KERNEL, WATCH])
async def test_the_programs_exit_status_is_told(watch: bool) -> None:
    program = leash.command([sys.executable, "-c", "raise SystemExit(7)"], watch=watch)
    process = await asyncio.create_subprocess_exec(*program, stdin=subprocess.PIPE)
    assert await asyncio.wait_for(process.wait(), SOON) == 7


async def test_a_program_that_will_not_end_when_asked_is_killed() -> None:
    deaf = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(flush=True); time.sleep(60)"
    program = leash.command([sys.executable, "-c", deaf], watch=True)
    process = await asyncio.create_subprocess_exec(*program, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdout is not None
    await process.stdout.readline()
    process.terminate()
    assert await asyncio.wait_for(process.wait(), SOON) == 128 + signal.SIGKILL


def test_a_leash_whose_parent_is_already_dead_starts_nothing(tmp_path: Path) -> None:
    proof = tmp_path / "ran"
    program = leash.command([sys.executable, "-c", f"open({str(proof)!r}, 'w')"])
    program[program.index(str(os.getpid()))] = "1"  # as if our process had died and another had taken us over
    if sys.platform != "linux":
        pytest.skip("elsewhere the end of standard input tells it")
    assert subprocess.run(program, stdin=subprocess.DEVNULL, check=False).returncode == 1
    assert not proof.exists()
