"""`lineset watch` as a process of its own beside a real station on its real broker."""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import pty
import re
import signal
import struct
import sys
import termios
from pathlib import Path

from cli_process import CONFIG, PROGRAM, WAIT_S, Bench, lineset, said

from lineset.station.config import read
from lineset.station.daemon import Station


async def _a_visit(bench: Bench) -> None:
    await bench.do("visit-open", visit="v1", systems=[])
    await bench.do("enter", point="vapor_service_pressure", value="118 psig")
    await bench.do("enter", point="line_voltage", value="241 V")


async def test_once_prints_the_sheet_and_ends(bench: Bench) -> None:
    await _a_visit(bench)
    code, out, err = await said("watch", "--once", "--at", str(bench.at))
    assert (code, err) == (0, "")
    assert "\x1b" not in out
    assert "station van-1 is online and recording" in out
    assert re.search(r"visit v1 is open, phase at rest; settled in this phase: \d", out)
    assert re.search(r"gauges +(seeking|lost): there is no such port now", out)
    assert "Caution: A2L, mildly flammable" in out
    assert re.search(r"line voltage +241\.0 V +entered \d\d:\d\d:\d\d", out)
    out = " ".join(out[out.index("At the ") :].split())  # a long name is folded
    assert out.index("line voltage") < out.index("vapor service port pressure") < out.index("at the vapor port")


async def test_once_as_json_holds_the_messages_of_the_contract(bench: Bench) -> None:
    await _a_visit(bench)
    code, out, _ = await said("watch", "--once", "--json", "--at", str(bench.at))
    found = json.loads(out)
    assert code == 0
    assert found["station"]["online"] is True
    assert found["instruments"]["gauges"]["state"] in ("seeking", "lost")
    assert found["systems"]["main"]["settled"]["at_rest"]["line_voltage"]["v"] == 241.0
    assert found["systems"]["main"]["now"]["readings"]["line_voltage"]["quality"] == "entered"


async def test_once_without_a_visit_says_how_to_open_one(bench: Bench) -> None:
    code, out, _ = await said("watch", "--once", "--at", str(bench.at))
    assert code == 0
    assert "no visit is open; open one: lineset visit open" in out


async def test_a_pipe_gets_one_line_an_event(bench: Bench) -> None:
    await _a_visit(bench)
    async with lineset("watch", "--at", str(bench.at)) as running:
        await running.until("line voltage: 241.0")
        await bench.do("note", text="port cap was loose")
        line = await running.until("note: port cap was loose, by a tester")
        assert re.match(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d note:", line)
        await bench.do("force-phase", phase="before", reason="the test")
        await running.until("the visit goes on to phase before")
        running.process.send_signal(signal.SIGINT)
        assert await running.end() == 0
        assert running.err == []
        assert not any("\x1b" in line for line in running.out)


async def test_json_gives_one_line_a_message(bench: Bench) -> None:
    await _a_visit(bench)
    async with lineset("watch", "--json", "--at", str(bench.at)) as running:
        await running.until("/now")
        await bench.do("enter", point="return_air_temperature", value="75 degF")
        line = json.loads(await running.until("settled/return_air_temperature"))
        assert line["topic"] == bench.topics.settled("v1", "main", "at_rest", "return_air_temperature")
        assert line["retained"] is False
        assert line["message"]["origin"] == "entered"
        running.process.send_signal(signal.SIGTERM)
        assert await running.end() == 0
        assert [json.loads(each)["topic"] for each in running.out]
        await running.until("connected to mqtt://", err=True)


async def test_it_survives_the_brokers_death_with_a_sentence_and_tells_nothing_twice(bench: Bench) -> None:
    await _a_visit(bench)
    async with lineset("watch", "--at", str(bench.at)) as running:
        await running.until("line voltage: 241.0")
        before = len(running.out)
        assert bench.station.broker is not None
        os.kill(bench.station.broker.pid, signal.SIGKILL)
        await running.until("it is tried again", after=before)
        await running.until("connected to mqtt://", after=before)
        await bench.do("enter", point="return_air_temperature", value="75 degF")
        await running.until("return air temperature: 75.0", after=before)
        assert not any("line voltage: 241.0" in line for line in running.out[before:])


async def test_it_finds_a_station_again_that_stopped_and_has_new_passwords(tmp_path: Path) -> None:
    config, at = read(CONFIG, tmp_path / "van.toml"), tmp_path / "run"
    async with Station(config, runtime=at):
        first = (at / "broker.json").read_bytes()
        watching = lineset("watch", "--at", str(at))
        running = await watching.__aenter__()
        try:
            await running.until("station van-1 is online")
        except BaseException:
            await watching.__aexit__(None, None, None)
            raise
    try:
        await running.until("station van-1 is offline")
        before = len(running.out)
        async with Station(config, runtime=at):
            assert (at / "broker.json").read_bytes() != first
            await running.until("station van-1 is online", after=before)
            running.process.send_signal(signal.SIGINT)
            assert await running.end() == 0
    finally:
        await watching.__aexit__(None, None, None)


async def test_a_broker_by_url_with_credentials_from_a_file(bench: Bench, tmp_path: Path) -> None:
    broker = bench.station.broker
    assert broker is not None
    who = broker.address("watch")
    secret = tmp_path / "watch.toml"
    secret.write_text(f'username = "{who.username}"\npassword = "{who.password}"\n')
    secret.chmod(0o600)
    url = ("--url", f"mqtt://127.0.0.1:{who.port}", "--shop", "shop", "--station", "van-1")
    code, out, _ = await said("watch", "--once", *url, "--credentials", str(secret))
    assert code == 0
    assert "station van-1 is online" in out
    secret.chmod(0o644)
    code, _, err = await said("watch", "--once", *url, "--credentials", str(secret))
    assert code == 2
    assert f"chmod 600 {secret}" in err
    secret.write_text('username = "watch"\npassword = "wrong"\n')
    secret.chmod(0o600)
    code, _, err = await said("watch", "--once", *url, "--credentials", str(secret))
    assert code == 3
    assert "refused the user name or password" in err
    secret.write_text(f'username = "{who.username}"\npassword = "{who.password}"\n')
    code, _, err = await said("watch", "--once", *url[:-1], "van-9", "--credentials", str(secret))
    assert code == 3
    assert "station van-9 of shop says nothing" in err


async def test_no_station_no_broker_and_wrong_words(tmp_path: Path) -> None:
    code, out, err = await said("watch", "--once", "--at", str(tmp_path))
    assert (code, out) == (3, "")
    assert err.startswith("lineset watch: no station runs here")
    code, _, err = await said("watch", "--once", "--url", "mqtt://127.0.0.1:1")
    assert code == 3
    assert "no broker can be reached" in err
    code, _, err = await said("watch", "--once", "--url", "http://127.0.0.1:1")
    assert code == 2
    code, _, err = await said("watch", "--credentials", "x.toml")
    assert code == 2
    assert "go with --url" in err


class Terminal:
    """A pseudo-terminal with `lineset watch` on it, whose screen can be looked at."""

    def __init__(self, columns: int, rows: int) -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        os.set_blocking(self.master, False)
        self.seen = b""
        self._news = asyncio.Event()

    async def start(self, *arguments: str, **environment: str) -> asyncio.subprocess.Process:
        # the terminal must be the process's own, or Ctrl-C typed on it reaches nobody
        own = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n" + PROGRAM[2]
        environment = {**os.environ, "TERM": "xterm-256color", **environment}
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", own, *arguments, stdin=self.slave, stdout=self.slave, stderr=self.slave,
            start_new_session=True, env=environment,
        )  # fmt: skip
        os.close(self.slave)
        asyncio.get_running_loop().add_reader(self.master, self._read)
        return process

    def _read(self) -> None:
        try:
            self.seen += os.read(self.master, 65536)
        except OSError:  # the other end was closed
            asyncio.get_running_loop().remove_reader(self.master)
        self._news.set()

    @staticmethod
    def _plain(raw: bytes) -> str:
        return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", raw.decode(errors="replace")).replace("\r", "")

    def screen(self) -> str:
        """What was drawn last from the top left corner."""
        return self._plain(self.seen.split(b"\x1b[H")[-1])

    async def until(self, words: str) -> str:
        try:
            async with asyncio.timeout(WAIT_S):
                while words not in self.screen():
                    self._news.clear()
                    await self._news.wait()
        except TimeoutError:
            raise AssertionError(f"the screen never showed {words!r}:\n{self.screen()}") from None
        return self.screen()


async def test_on_a_terminal_the_sheet_keeps_itself_up_to_date_and_ctrl_c_ends_it(bench: Bench) -> None:
    await _a_visit(bench)
    terminal = Terminal(100, 40)
    process = await terminal.start("watch", "--at", str(bench.at))
    try:
        await terminal.until("line voltage")
        screen = await terminal.until("Last events")
        assert "station van-1 is online and recording" in screen
        assert max(len(line.rstrip()) for line in screen.splitlines()) <= 100
        assert len(screen.splitlines()) <= 40
        await bench.do("enter", point="supply_air_temperature", value="56.2 degF")
        await terminal.until("supply air temperature")
        assert re.search(r"supply air temperature +56\.2 degF +entered", await terminal.until("56.2 degF"))
        os.write(terminal.master, b"\x03")
        async with asyncio.timeout(WAIT_S):
            assert await process.wait() == 0
        left = Terminal._plain(terminal.seen.split(b"\x1b[?1049l")[-1])
        assert "supply air temperature" in left  # it stays readable behind the alternate screen
        assert "Traceback" not in left
    finally:
        if process.returncode is None:
            process.kill()
        asyncio.get_running_loop().remove_reader(terminal.master)
        os.close(terminal.master)


async def test_no_color_is_heeded(bench: Bench) -> None:
    await _a_visit(bench)
    terminal = Terminal(100, 40)
    process = await terminal.start("watch", "--at", str(bench.at), NO_COLOR="1")
    try:
        await terminal.until("line voltage")
        colours = re.findall(rb"\x1b\[(?:3[0-7]|4[0-7]|9[0-7]|10[0-7]|38|48)[;m]", terminal.seen)
        assert colours == []
    finally:
        process.kill()
        await process.wait()
        asyncio.get_running_loop().remove_reader(terminal.master)
        os.close(terminal.master)
