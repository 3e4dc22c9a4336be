"""`lineset run` and the verbs that talk to it, as processes: starts that are refused, clean ends, exit codes."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import shutil
import signal
from pathlib import Path

import pytest
from cli_process import PROGRAM, WAIT_S, Running, lineset, said
from driver_peers import PtyPeer
from station_rig import (
    OVER,
    bodies,
    check_events,
    gauges_image,
    instrument,
    listening,
    plug,
    record_events,
    station_journals,
    station_text,
    visit_journal,
    write_config,
)

from lineset.journal.verify import verify
from lineset.stream.address import BrokerAddress, read_broker_file

pytestmark = pytest.mark.system


def run_arguments(folder: Path, text: str, at: str = "run") -> tuple[str, ...]:
    return ("run", "--config", str(write_config(folder, text)), "--at", str(folder / at))


async def until_gone(pid: int) -> None:
    async with asyncio.timeout(WAIT_S):
        # it may go between one look and the next, also while its file is being read
        with contextlib.suppress(FileNotFoundError, ProcessLookupError):
            while ") Z " not in Path(f"/proc/{pid}/stat").read_text():
                await asyncio.sleep(0.01)


# --------------------------------------------------------------------------------------------------- start and stop


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
async def test_a_clean_end_leaves_nothing_half_done(tmp_path: Path, how: signal.Signals) -> None:
    arguments = run_arguments(tmp_path, station_text(tmp_path / "data"))
    async with lineset(*arguments) as running:
        await running.until("is running", err=True)
        broker = read_broker_file(tmp_path / "run")
        running.process.send_signal(how)
        assert await running.end() == 0
    assert not any("Traceback" in line for line in running.err)
    assert not (tmp_path / "run" / "broker.json").exists()
    await until_gone(broker.pid)
    (journal,) = station_journals(tmp_path / "data")
    assert not journal.with_name(journal.name + "-wal").exists()  # put back into the file
    assert verify(journal).ok


async def test_the_brokers_child_dies_with_a_killed_station(tmp_path: Path) -> None:
    async with lineset(*run_arguments(tmp_path, station_text(tmp_path / "data"))) as running:
        await running.until("is running", err=True)
        pid = read_broker_file(tmp_path / "run").pid
        running.process.kill()
        await until_gone(pid)
    code, _, err = await said("visit", "show", "--at", str(tmp_path / "run"))  # what it left behind misleads nobody
    assert code == 3
    assert "no broker can be reached" in err


async def test_a_second_start_of_the_same_station_is_refused_and_harms_nothing(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data")
    async with lineset(*run_arguments(tmp_path, text)) as first:
        await first.until("is running", err=True)
        code, _, err = await said(*run_arguments(tmp_path, text))
        assert code == 1
        assert "another station runs" in err
        assert "Traceback" not in err
        code, out, _ = await said("visit", "open", "v1", "--at", str(tmp_path / "run"))
        assert (code, out) == (0, "visit v1 is open")
        assert read_broker_file(tmp_path / "run").pid
    # with a broker of another kind in its configuration it is refused too: the journal has one writer
    away = '[broker]\nurl = "mqtt://127.0.0.1:1"\n'
    async with lineset(*run_arguments(tmp_path, text)) as first:
        await first.until("is running", err=True)
        code, _, err = await said(*run_arguments(tmp_path, text + away, at="elsewhere"))
        assert code == 1
        assert "another process" in err
        assert "Traceback" not in err


@pytest.mark.parametrize("folder", ["/dev/null/station", "/proc/station"])
async def test_a_data_folder_that_cannot_be_made(tmp_path: Path, folder: str) -> None:
    code, _, err = await said(*run_arguments(tmp_path, station_text(Path(folder))))
    assert code == 1
    assert folder in err
    assert "Traceback" not in err


async def test_an_unreadable_record_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    """The journal is as it was afterwards, and the sentence says which file it is."""
    arguments = run_arguments(tmp_path, station_text(tmp_path / "data"))
    async with lineset(*arguments) as running:
        await running.until("is running", err=True)
        assert (await said("visit", "open", "v1", "--at", str(tmp_path / "run")))[0] == 0
        running.process.send_signal(signal.SIGTERM)
        await running.end()
    journal = visit_journal(tmp_path / "data", "v1")
    journal.with_suffix(".snapshot").unlink()
    from lineset.journal.file import JournalFile
    from lineset.journal.row import Row

    with JournalFile.open(journal) as file:
        file.append([Row(file.last + 1, file.last_t(), "note", b'{"kind":"of_tomorrow","text":"?"}')])
    before = journal.read_bytes()
    code, _, err = await said(*arguments)
    assert code == 1
    assert "newer version" in err
    assert "Traceback" not in err
    assert journal.read_bytes() == before


# ------------------------------------------------------------------------------------------------ what is not allowed


async def test_a_port_that_this_user_may_not_open(tmp_path: Path) -> None:
    """Root may open any port; without its capabilities it may not open one that has no rights at all."""
    without: tuple[str, ...] = ()
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("only a user without root's capabilities can be refused, and setpriv is not installed")
        without = ("setpriv", "--bounding-set", "-all", "--inh-caps", "-all")
    bus = plug(tmp_path / "bus", gauges_image())
    (tmp_path / "bus").resolve().chmod(0)
    text = station_text(tmp_path / "data", instrument("gauges", "pressure-transducer-2ch", bus.url))
    process = await asyncio.create_subprocess_exec(
        *(*without, *PROGRAM, *run_arguments(tmp_path, text)),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    running = Running(process)
    try:
        await running.until("is running", err=True)
        async with listening(lambda: read_broker_file(tmp_path / "run").address("watch")) as ear:
            told = await ear.instrument("gauges", "seeking", "permission")
            (tmp_path / "bus").resolve().chmod(0o600)
            await ear.instrument("gauges", "linked")
    finally:
        process.kill()
        await running.end()
        bus.unplug()
    assert "group" in told["reason"], told["reason"]  # how the technician gets the right


async def test_files_that_may_not_grow_stop_the_record_and_nothing_else(tmp_path: Path) -> None:
    """RLIMIT_FSIZE stands in for a disk without room; it is lifted from outside, as a technician frees space."""
    bus: PtyPeer = plug(tmp_path / "bus", gauges_image())
    text = station_text(
        tmp_path / "data",
        instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure"),
        speed=30,  # slow enough that a busy machine makes no reading stale
    )
    async with lineset(*run_arguments(tmp_path, text)) as running:
        await running.until("is running", err=True)

        def address() -> BrokerAddress:
            return read_broker_file(tmp_path / "run").address("technician")

        async with listening(address) as ear:
            assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
            await ear.settled("v1", "at_rest", "vapor_service_pressure")
            journal = visit_journal(tmp_path / "data", "v1")
            limit = resource.RLIMIT_FSIZE
            resource.prlimit(running.process.pid, limit, (journal.stat().st_size, resource.RLIM_INFINITY))
            await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is False)
            assert ear.on("station")[-1].json["reason"]
            since = len(ear.heard)
            live = "visit/v1/main/reading/vapor_service_pressure"
            await ear.until(lambda: len(ear.on(live, since)) > 3)
            assert all(m.json["recorded"] is False for m in ear.on(live, since))
            refused = await ear.command("enter", {"point": "outdoor_air_temperature", "value": "83 degF"})
            assert not refused["ok"]
            resource.prlimit(running.process.pid, limit, (resource.RLIM_INFINITY,) * 2)
            await ear.until(lambda: ear.on("station")[-1].json.get("recording", True) is True)
            assert (await ear.command("force-close", OVER))["ok"]
            last = max(record_events(journal))
            await ear.until(lambda: any(m.json["seq"] == last for m in ear.events()))
        running.process.send_signal(signal.SIGTERM)
        assert await running.end() == 0
    bus.unplug()
    found = verify(journal)
    assert found.ok, found.problems
    assert not found.gaps
    check_events(ear.events(), "v1", journal)
    assert not list(bodies(journal, "entered"))


# --------------------------------------------------------------------------------------------------------- the verbs


async def test_the_verbs_and_their_exit_codes(tmp_path: Path) -> None:
    bus = plug(tmp_path / "bus", gauges_image())
    text = station_text(
        tmp_path / "data", instrument("gauges", "pressure-transducer-2ch", bus.url, "low vapor_service_pressure")
    )
    at = ("--at", str(tmp_path / "run"))

    async def do(*words: str, code: int = 0) -> tuple[str, str]:
        found, out, err = await said(*words, *at)
        assert found == code, (words, found, out, err)
        assert "Traceback" not in err
        assert bool(out) != bool(err), (words, out, err)  # an answer goes to one place, an error to the other
        return out, err

    for words in (("visit", "show"), ("enter", "power", "3 kW"), ("place", "gauges", "power"), ("note", "x")):
        _, err = await do(*words, code=3)
        assert "no station runs here" in err
        assert "lineset run" in err

    async with lineset(*run_arguments(tmp_path, text)) as running:
        await running.until("is running", err=True)
        assert (await do("visit", "show"))[0] == "no visit is open"
        for words in (
            ("visit", "close"), ("visit", "phase", "before"), ("note", "x"), ("enter", "power", "3 kW"),
            ("place", "gauges/low", "vapor_service_pressure"),
        ):  # fmt: skip
            assert "no visit is open" in (await do(*words, code=1))[1]
        assert "R-999" in (await do("visit", "open", "v1", "--refrigerant", "R-999", code=1))[1]
        assert "a-z" in (await do("visit", "open", "The Smiths", code=1))[1]
        assert (await do("visit", "open", "v1"))[0] == "visit v1 is open"
        assert "close it first" in (await do("visit", "open", "v2", code=1))[1]

        out, _ = await do("enter", "outdoor_air_temperature", "83 degF")
        assert "83" in out
        assert "-10" in (await do("enter", "outdoor_air_temperature", "-10 degF"))[0]  # winter
        reply = json.loads((await do("enter", "outdoor_air_temperature", "28.5 degC", "--json"))[0])
        assert reply["ok"] is True
        assert isinstance(reply["data"]["seq"], int)
        for value, words_of_it in (
            ("118", "unit"), ("118 psig", "temperature"), ("many degF", "many degF"), ("nan degF", "nan"),
            ("1e999 degF", "1e999"), ("83 +/- -1 degF", "degF"), ("-500 degF", "-500"),
        ):  # fmt: skip
            assert words_of_it in (await do("enter", "outdoor_air_temperature", value, code=1))[1], value
        told = json.loads((await do("enter", "outdoor_air_temperature", "118 psig", "--json", code=1))[0])
        assert told["ok"] is False
        assert "heat" in (await do("enter", "heat_strip", "3 A", code=1))[1]
        assert "nobody" in (await do("enter", "power", "3 kW", "--instrument", "nobody", code=1))[1]

        _, err = await do("place", "gauges/high", "vapor_line_temperature", code=1)
        assert "takes temperature, but gauges/high measures pressure gauge" in err
        assert "which channel" in (await do("place", "gauges", "liquid_service_pressure", code=1))[1]
        assert "no channel 'mid'" in (await do("place", "gauges/mid", "liquid_service_pressure", code=1))[1]
        assert "no instrument is called 'gages'" in (await do("place", "gages", "power", code=1))[1]
        placed, _ = await do("place", "gauges/high", "liquid_service_pressure")
        assert placed == "gauges/high is at liquid_service_pressure of main"
        assert "nowhere" in (await do("place", "gauges/high", "--off"))[0]
        await do("place", "gauges", "power", "--off", code=2)
        await do("place", "gauges", code=2)
        refused = (await do("visit", "phase", "before", code=1))[1]
        assert "lineset declare power_off_verified" in refused
        assert "reason" in (await do("visit", "phase", "before", "--force", code=2))[1]
        forced = (await do("visit", "phase", "before", "--force", "--reason", "a trial"))[0]
        assert forced.startswith("phase before, forced; still missing: ")
        assert (await do("note", "cap was loose"))[0] == "noted"
        shown = json.loads((await do("visit", "show", "--json"))[0])
        assert shown["data"]["phase"] == "before"
        out, _ = await do("visit", "show")
        assert "gauges/low at main/vapor_service_pressure" in out
        assert "R-410A" in out
        amended = (await do("visit", "amend", "compressor_rla_a=13.5", "heat_strip_kw=5,5", "kind=split_ac"))[0]
        assert amended == "main: compressor_rla_a, heat_strip_kw, kind noted"
        assert "outside 0.5 to 300" in (await do("visit", "amend", "compressor_rla_a=1350", code=1))[1]
        assert "KEY=VALUE" in (await do("visit", "amend", "compressor_rla_a", code=2))[1]
        photo = tmp_path / "cap.jpg"
        photo.write_bytes(b"\xff\xd8\xff" + bytes(range(256)) * 2000)  # two parts
        seen = json.loads((await do("observe", "--sign", "capacitor_bulged", "--photo", str(photo), "--json"))[0])
        wants = "a part is wanted; the customer's approval is wanted"  # usual for this sign
        assert seen["text"] == f"observed: the capacitor's top is bulged; {wants}"
        assert seen["data"]["urgency"] == "soon"
        (tmp_path / "notes.txt").write_text("no photo")
        assert "is no photo" in (await do("observe", "x", "--photo", str(tmp_path / "notes.txt"), code=1))[1]
        assert "capacitor_bulged" in (await do("observe", "--sign", "capacitor_bulge", code=1))[1]
        refused = (await do("visit", "close", code=1))[1]
        assert "(1) set the thermostat back" in refused
        assert "(2) put all service port caps" in refused
        for fact in ("thermostat_restored", "caps_on", "disconnect_in"):
            await do("declare", fact)
        closed = json.loads((await do("visit", "close", "--json"))[0])
        assert closed["data"]["missing"] == []
        assert "no technician is named" in closed["text"]
        assert verify(Path(closed["data"]["journal"])).head.hex() == closed["data"]["head"]
    bus.unplug()


async def test_words_that_make_no_sense_end_with_two(tmp_path: Path) -> None:
    for words in (("run",), ("run", "--config", str(tmp_path / "none.toml")), ("visit",), ("enter", "power"), ("fly",)):
        code, out, err = await said(*words)
        assert code == 2, (words, out, err)
        assert "Traceback" not in err
