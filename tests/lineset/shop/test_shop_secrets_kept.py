"""Secrets of a running shop: none in the log of any part at its most talkative, no file that others can read."""

from __future__ import annotations

import asyncio
import signal
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from cli_process import PROGRAM, Running

from lineset.shop import stations
from lineset.shop.board_tokens import add_token
from lineset.shop.shop_config import load_shop
from lineset.stream.errors import RefusedByBroker
from lineset.stream.link import connect, disconnect

PASSWORD = "an-invented-wrong-password"


async def test_a_shop_keeps_its_secrets_to_itself(shop_folder: Path) -> None:
    config = load_shop(shop_folder)
    join = stations.add(config, "van-1")
    secrets = {"password of van-1": join.password, "wrong password": PASSWORD}
    secrets["token of the board"] = add_token(config.folder, "front desk", ("notes",))[0]
    for file in (shop_folder / "secrets").glob("*.toml"):
        secrets[file.stem] = tomllib.loads(file.read_text())["password"]
    pipe = asyncio.subprocess.PIPE
    running = Running(
        await asyncio.create_subprocess_exec(
            *PROGRAM, "shop", "run", "--folder", str(shop_folder), "--verbose", stdout=pipe, stderr=pipe
        )
    )
    try:
        await running.until("board of the shop runs", err=True)
        await running.until("connected to mqtts://", err=True)
        (address,) = join.addresses()
        client = await connect(address, "van-1-test")
        await client.publish("lineset/v1/north/van-1/visit/v/block/1", b"no block", qos=1)
        await running.until("put aside", err=True)
        await disconnect(client)
        with pytest.raises(RefusedByBroker):
            await connect(replace(address, password=PASSWORD), "van-1-test")
        running.process.send_signal(signal.SIGTERM)
        assert await running.end() == 0
    finally:
        if running.process.returncode is None:
            running.process.kill()
    said = "\n".join(running.out + running.err)
    for part in ("collector c1", "board", "nats-server"):
        assert part in said  # all of them talked
    for name, secret in secrets.items():
        assert secret not in said, f"{name} was logged"
    for path in shop_folder.rglob("*"):
        if path.suffix != ".pem" and "store" not in path.parts:  # certificates are for others to read
            assert path.stat().st_mode & 0o077 == 0, f"others can get at {path}"
    # as root the database's own user has to pass through the folder; nobody may look into it
    assert shop_folder.stat().st_mode & 0o066 == 0
