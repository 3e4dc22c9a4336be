"""The shop of the fleet: made and started by its own verbs, with what can be killed, cut and filled."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "demo"))
from dead_spot import DeadSpot

from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.shop.stations import add
from lineset.station.join_file import join_text

START_S = 90.0
DISK_MB = 6000


class FleetShop:
    """`make`, `admit`, `start`, then kill its parts; `stop`."""

    def __init__(self, folder: Path, *, nodes: int, collectors: int, mosquitto: bool) -> None:
        self.folder, self._nodes, self._collectors, self._mosquitto = folder, nodes, collectors, mosquitto
        self._disk: Path | None = None
        self._mounted = False
        self._running: subprocess.Popen[bytes] | None = None
        self._way = DeadSpot()

    @property
    def config(self) -> ShopConfig:
        return load_shop(self.folder)

    def make(self, *, may_fill: bool) -> None:
        """`lineset shop init`, its database on a disk of its own where that can be had."""
        self.folder.mkdir(mode=0o711)
        more = ["--mosquitto"] if self._mosquitto else ["--nodes", str(self._nodes)]
        self.verb("shop", "init", str(self.folder), "--name", "fleet", "--host", "127.0.0.1", "--port", "0", *more)
        if may_fill:
            self._mount()
        settings = self.folder / "shop.toml"
        settings.write_text(
            re.sub(r"^count = 1\b", f"count = {self._collectors}", settings.read_text(), flags=re.MULTILINE)
        )

    def _mount(self) -> None:
        """Put the database that was made on a disk of its own, where this machine lets us."""
        image, place = self.folder.parent / "disk.img", self.folder / "database"
        aside = self.folder.parent / "disk"
        aside.mkdir()
        commands = (
            ("truncate", "-s", f"{DISK_MB}M", str(image)),
            ("mkfs.ext4", "-q", "-m", "0", str(image)),
            ("mount", "-o", "loop", str(image), str(aside)),
            ("cp", "-a", f"{place}/.", str(aside)),
            ("mount", "--bind", str(aside), str(place)),
        )
        for command in commands:
            if subprocess.run(command, capture_output=True, check=False).returncode:
                return
        self._mounted = True

    def admit(self, names: list[str], joins: Path) -> None:
        joins.mkdir()
        config = self.config
        for name in names:
            file = joins / f"{name}.join"
            file.touch(0o600)
            file.write_text(join_text(add(config, name)))

    async def start(self) -> None:
        log = open(self.folder.parent / "shop.log", "wb")  # noqa: SIM115 - handed to the child
        self._running = subprocess.Popen(
            [program(), "shop", "run", "--folder", str(self.folder)], stdout=log, stderr=log, env=dict(os.environ)
        )
        log.close()
        deadline = time.monotonic() + START_S
        while True:
            found = self.status()
            if found.get("parts") and not found.get("down"):
                return
            if self._running.poll() is not None or time.monotonic() > deadline:
                raise SystemExit(f"the shop did not start; see {self.folder.parent / 'shop.log'}")
            await asyncio.sleep(0.5)

    def status(self) -> dict[str, object]:
        said = subprocess.run(
            [program(), "shop", "status", "--folder", str(self.folder), "--json"], capture_output=True, check=False
        ).stdout
        found: dict[str, object] = msgspec.json.decode(said) if said.startswith(b"{") else {}
        return found

    def pids(self, kind: str) -> list[int]:
        """Processes of a kind of part that run now."""
        parts = self.status().get("parts", [])
        assert isinstance(parts, list)
        return [part["pid"] for part in parts if part["kind"] == kind and part["pid"]]

    def kill(self, kind: str, *, last: bool = False) -> str:
        """Kill one of a kind outright; the shop's supervisor starts it again."""
        pid = self.pids(kind)[-1 if last else 0]
        os.kill(pid, signal.SIGKILL)
        return f"{kind}, process {pid}"

    async def way_that_can_be_cut(self, joins: Path, cut: Path) -> DeadSpot:
        """A second set of join files, that lead through ways that can be cut."""
        cut.mkdir()
        ports: dict[str, int] = {}
        for file in joins.iterdir():
            text = file.read_text()
            for port in re.findall(r"://127\.0\.0\.1:(\d+)", text):
                if port not in ports:
                    ports[port] = await self._way.to(int(port))
                text = text.replace(f"127.0.0.1:{port}", f"127.0.0.1:{ports[port]}")
            other = cut / file.name
            other.touch(0o600)
            other.write_text(text)
        return self._way

    def fill_disk(self) -> bool:
        if not self._mounted:
            return False
        place = self.folder / "database"
        free = shutil.disk_usage(place).free
        filler = place / "filler"
        with filler.open("wb") as file:
            try:
                os.posix_fallocate(file.fileno(), 0, free - (1 << 16))
            except OSError:
                while True:
                    try:
                        file.write(b"\0" * (1 << 20))
                        file.flush()
                    except OSError:
                        break
        return True

    def empty_disk(self) -> None:
        (self.folder / "database" / "filler").unlink()

    def verb(self, *arguments: str) -> str:
        done = subprocess.run([program(), *arguments], capture_output=True, check=False)
        if done.returncode:
            raise SystemExit(f"lineset {' '.join(arguments)}: {done.stdout.decode()}{done.stderr.decode()}")
        return done.stdout.decode()

    async def stop(self) -> None:
        self._way.close()
        if self._running is not None and self._running.poll() is None:
            self._running.send_signal(signal.SIGTERM)
            await asyncio.to_thread(self._running.wait, 60)
        if self._mounted:
            for place in (self.folder / "database", self.folder.parent / "disk"):
                subprocess.run(("umount", str(place)), capture_output=True, check=False)


def program() -> str:
    return str(Path(sys.executable).with_name("lineset"))
