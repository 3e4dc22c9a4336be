"""Stations come, change their password and are shut out: the list, the join file, and what a running broker does."""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import stat
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path

import aiomqtt
import pytest
from shop_rig import Postgres, admitted, make_shop, running_broker

from lineset.shop import stations
from lineset.shop.database import connected
from lineset.shop.errors import ShopSettingsError, StationError
from lineset.shop.in_force import put_in_force
from lineset.shop.password_hash import bcrypt, mosquitto_hash
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.shop.supervise import Supervisor
from lineset.station.join_file import JoinFile, join_text, parse_join

WAIT_S = 60.0


def test_the_brokers_hash_keeps_its_salt_and_refuses_what_it_would_cut_off() -> None:
    salt = bytes(range(16))
    hashed = bcrypt("a-password", salt)
    letters = "./ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"  # bcrypt's own base64
    bits = "".join(f"{letters.index(each):06b}" for each in hashed[7:29])
    assert hashed.startswith("$2a$04$")
    assert int(bits[:128], 2).to_bytes(16, "big") == salt
    assert bcrypt("a-password", salt) == hashed != bcrypt("b-password", salt)
    assert bcrypt("a-password") != bcrypt("a-password")
    with pytest.raises(ValueError, match="16 bytes"):
        bcrypt("x", b"short")
    with pytest.raises(ValueError, match="72"):
        bcrypt("x" * 73)


def test_mosquittos_own_program_makes_the_same_hash(tmp_path: Path) -> None:
    program = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
    if not Path(program).exists():
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    import base64

    file = tmp_path / "passwords"
    subprocess.run([program, "-b", "-c", file, "van-1", "a-password"], check=True, capture_output=True)
    _, kind, rounds, salt, digest = re.split(r"[:$]+", file.read_text().strip())
    assert (kind, rounds) in {("7", "101"), ("7", "1000")}
    import hashlib

    ours = hashlib.pbkdf2_hmac("sha512", b"a-password", base64.b64decode(salt), int(rounds))
    assert base64.b64encode(ours).decode() == digest
    if rounds == "1000":
        assert mosquitto_hash("a-password", base64.b64decode(salt)) == f"$7$1000${salt}${digest}"


# ----------------------------------------------------------------------------------------------------------- the list


def test_a_join_file_is_what_a_station_needs(shop_config: ShopConfig) -> None:
    join = stations.add(shop_config, "van-1")
    assert parse_join(join_text(join), "van-1.join") == join
    assert (join.shop, join.station, join.username) == ("north", "van-1", "van-1")
    assert join.urls == (f"mqtts://localhost:{shop_config.broker.node[0].port}",)
    assert join.ca == shop_config.ca_file.read_text()
    assert len(join.password) >= 32


def test_no_password_stays_in_the_folder(shop_config: ShopConfig) -> None:
    joins = [stations.add(shop_config, "van-1"), stations.rotate(shop_config, "van-1")]
    secrets = [path.read_text().split('"')[3] for path in (shop_config.folder / "secrets").glob("broker-co*.toml")]
    for path in shop_config.folder.rglob("*"):
        if path.is_file() and path.parent.name not in ("secrets", "certificates"):
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
            for secret in (*(join.password for join in joins), *secrets):
                assert secret not in path.read_text(), path


def test_names_are_levels_of_topics_and_are_given_once(shop_config: ShopConfig) -> None:
    for wrong in ("Van 1", "van/1", "+", "#", "van.1", "", "v" * 65, "shop.collector", "ván"):
        with pytest.raises(StationError, match="a-z"):
            stations.add(shop_config, wrong)
    stations.add(shop_config, "van-1")
    with pytest.raises(StationError, match="rotate van-1"):
        stations.add(shop_config, "van-1")
    for act in (stations.rotate, stations.revoke):
        with pytest.raises(StationError, match="station list"):
            act(shop_config, "van-2")
    stations.revoke(shop_config, "van-1")
    for act in (stations.rotate, stations.revoke, stations.add):
        with pytest.raises(StationError, match="--again"):
            act(shop_config, "van-1")
    assert not stations.read_stations(shop_config).admitted
    stations.add(shop_config, "van-1", again=True)
    assert list(stations.read_stations(shop_config).admitted) == ["van-1"]


def test_a_damaged_or_open_list_lets_nobody_in_and_says_so(shop_config: ShopConfig) -> None:
    stations.add(shop_config, "van-1")
    path = shop_config.folder / "stations.json"
    path.chmod(0o640)
    with pytest.raises(ShopSettingsError, match="chmod 600"):
        stations.rotate(shop_config, "van-1")
    path.write_text('{"format": 1, "stations": {')
    path.chmod(0o600)
    with pytest.raises(ShopSettingsError, match="backup"):
        stations.add(shop_config, "van-2")
    path.write_text('{"format": 2}')
    with pytest.raises(ShopSettingsError, match="Update lineset"):
        stations.read_stations(shop_config)


async def test_two_at_once_lose_nobody(shop_config: ShopConfig) -> None:
    names = [f"van-{n}" for n in range(8)]
    await asyncio.gather(*(asyncio.to_thread(stations.add, shop_config, name) for name in names))
    assert list(stations.read_stations(shop_config).admitted) == names
    users = (shop_config.folder / "broker" / "users.conf").read_text()
    assert all(f'"{name}"' in users for name in names)


# ------------------------------------------------------------------------------------------------- at a running broker


@pytest.fixture(params=["nats-server", "mosquitto"])
async def supervisor(request: pytest.FixtureRequest, postgres: Postgres, tmp_path: Path) -> AsyncIterator[Supervisor]:
    if request.param == "mosquitto" and not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()):
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    name = postgres.new_database()
    folder = make_shop(tmp_path / "shop", postgres, name, mosquitto=request.param == "mosquitto")
    async with running_broker(load_shop(folder)) as running:
        yield running
    postgres.drop(name)


def client(join: JoinFile) -> aiomqtt.Client:
    address = join.addresses()[0]
    return aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        tls_context=address.tls_context(),
        timeout=WAIT_S,
    )


async def ended(connection: aiomqtt.Client) -> None:
    """Wait until the broker ends a connection."""
    async with asyncio.timeout(WAIT_S):
        with pytest.raises(aiomqtt.MqttError):
            async for _ in connection.messages:
                pass


async def gone(connection: aiomqtt.Client) -> None:
    """Tidy up after a connection that the broker has ended."""
    with contextlib.suppress(aiomqtt.MqttError):
        await connection.__aexit__(None, None, None)


async def refused(join: JoinFile) -> None:
    with pytest.raises(aiomqtt.MqttError, match=r"(?i)not authori|bad user"):
        async with client(join):
            pass


async def test_a_revoked_station_is_disconnected_at_once_and_stays_out(supervisor: Supervisor) -> None:
    one, two = await admitted(supervisor, "van-1", "van-2")
    async with client(two) as other:
        await other.subscribe("lineset/v1/north/van-2/receipt/+", 1)
        connection = client(one)
        await connection.__aenter__()
        stations.revoke(supervisor.config, "van-1")
        await supervisor.reload()
        await ended(connection)
        await gone(connection)
        await refused(one)
        # nobody else noticed
        collector = supervisor.config.broker_addresses("collector")[0]
        async with aiomqtt.Client(
            collector.host, collector.port, username=collector.username, password=collector.password,
            tls_context=collector.tls_context(),
        ) as voice:  # fmt: skip
            await voice.publish("lineset/v1/north/van-2/receipt/v1", b"x", 1)
        async with asyncio.timeout(WAIT_S):
            assert (await anext(other.messages)).payload == b"x"


async def test_after_a_rotation_the_old_password_is_refused_and_the_new_one_goes_on(supervisor: Supervisor) -> None:
    (old,) = await admitted(supervisor, "van-1")
    connection = client(old)
    await connection.__aenter__()
    new = stations.rotate(supervisor.config, "van-1")
    await supervisor.reload()
    await ended(connection)
    await gone(connection)
    await refused(old)
    async with client(new) as van:
        await van.publish("lineset/v1/north/van-1/station", b"here", 1)


async def test_the_running_shop_takes_a_change_within_seconds_by_itself(supervisor: Supervisor) -> None:
    """As where the file was copied from the machine on which stations are added."""
    join = stations.add(supervisor.config, "van-9")
    async with asyncio.timeout(WAIT_S):
        while True:
            try:
                async with client(join):
                    break
            except aiomqtt.MqttError:
                await asyncio.sleep(0.1)


async def test_the_database_is_told_who_may_come(shop_config: ShopConfig) -> None:
    stations.add(shop_config, "van-1")
    stations.add(shop_config, "van-2")
    assert (await put_in_force(shop_config))["database"] == "told"
    stations.revoke(shop_config, "van-2")
    said = await put_in_force(shop_config)
    assert "does not run here" in said["broker"]
    async with connected(shop_config.database("auditor")) as connection:
        rows = await connection.fetch(
            "SELECT station, revoked_at IS NOT NULL AS revoked FROM lineset.station ORDER BY 1"
        )
    assert [tuple(row) for row in rows] == [("van-1", False), ("van-2", True)]
