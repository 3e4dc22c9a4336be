"""Running a shop: what starts, what comes back after a kill, what is refused with which words, what stays behind."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import ssl
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import pytest
from cli_process import lineset, said
from shop_rig import Postgres, admitted, make_shop, running_broker

from lineset.shop import certificates, stations
from lineset.shop.database import connected
from lineset.shop.errors import NewerSchemaError, ShopFolderBusyError, ShopPortError
from lineset.shop.leftovers import clear_leftovers
from lineset.shop.part_state import running
from lineset.shop.setting_up import Wish, set_up_folder
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.shop.supervise import Supervisor
from lineset.stream.address import BrokerAddress

WAIT_S = 60.0
ATTEMPT_S = 10.0  # what a cluster that is not whole took in may be lost: it is tried again


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that the database's own system user can reach, as pytest's folders cannot be when we are root."""
    folder = Path(tempfile.mkdtemp(prefix="lineset-shop-"))
    folder.chmod(0o711)
    yield folder
    shutil.rmtree(folder)


async def gone(pid: int) -> None:
    """Wait for the end of a process that need not be our child."""
    try:
        descriptor = os.pidfd_open(pid)
    except ProcessLookupError:
        return
    ended = asyncio.Event()
    asyncio.get_running_loop().add_reader(descriptor, ended.set)
    try:
        async with asyncio.timeout(WAIT_S):
            await ended.wait()
    finally:
        asyncio.get_running_loop().remove_reader(descriptor)
        os.close(descriptor)


async def until_running(supervisor: Supervisor, restarts: int) -> None:
    async with asyncio.timeout(WAIT_S):
        while any(part.restarts < restarts or part.state != "running" for part in supervisor.parts):
            await asyncio.sleep(0.02)


# --------------------------------------------------------------------------------------------------- the whole command


async def test_a_whole_shop_in_two_commands_is_killed_and_comes_back_with_its_record(place: Path) -> None:
    folder = str(place / "shop")
    code, out, err = await said("shop", "init", folder, "--name", "north", "--host", "localhost", "--port", "0")
    assert code == 0, err
    assert "lineset shop run" in out
    config = load_shop(folder)
    async with lineset("shop", "run", "--folder", folder, "--only", "database") as shop:
        await shop.until("stop it with", err=True)
        async with connected(config.database("owner")) as connection:
            await connection.execute("INSERT INTO lineset.station (station) VALUES ('van-1')")
        (found,) = running(config.folder).values()
        database = found.parts[0].pid
        shop.process.kill()
        await gone(database)  # never outlives us
    assert not running(config.folder)
    async with lineset("shop", "run", "--folder", folder, "--only", "database") as shop:
        await shop.until("stop it with", err=True)
        async with connected(config.database("auditor")) as connection:
            assert await connection.fetchval("SELECT station FROM lineset.station") == "van-1"
        (found,) = running(config.folder).values()
        shop.process.send_signal(signal.SIGINT)
        assert await shop.end() == 0
        await gone(found.parts[0].pid)
    assert not running(config.folder)


async def test_a_second_init_changes_nothing_and_says_what_is_there(place: Path) -> None:
    folder = place / "shop"
    await said("shop", "init", str(folder), "--host", "localhost", "--port", "0")

    def everything() -> dict[str, bytes]:
        return {
            str(path): path.read_bytes()
            for path in folder.rglob("*")
            if path.is_file() and "database" not in path.parts and path.suffix != ".lock"
        }

    before = everything()
    code, out, err = await said("shop", "init", str(folder), "--name", "other", "--nodes", "3", "--json")
    assert code == 0, err
    told = json.loads(out)
    assert (told["made"], told["differs"], told["migrations"]) == ([], [], [])
    assert {"shop.toml", "secrets", "certificates", "broker/n1.conf", "database"} <= set(told["there"])
    assert everything() == before


# ---------------------------------------------------------------------------------------------------------- the broker


async def test_a_killed_broker_node_comes_back_with_its_stations(shop_config: ShopConfig) -> None:
    async with running_broker(shop_config) as supervisor:
        (join,) = await admitted(supervisor, "van-1")
        os.kill(supervisor.parts[0].pid, signal.SIGKILL)
        await until_running(supervisor, 1)
        async with client(join.addresses()[0]):
            pass
        (found,) = running(shop_config.folder).values()
        assert [(part.name, part.state, part.restarts) for part in found.parts] == [("broker n1", "running", 1)]


def client(address: BrokerAddress, timeout: float = WAIT_S) -> aiomqtt.Client:
    return aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        tls_context=address.tls_context(),
        timeout=timeout,
    )


async def test_a_cluster_carries_on_when_one_of_its_nodes_is_killed(postgres: Postgres, tmp_path: Path) -> None:
    name = postgres.new_database()
    config = load_shop(make_shop(tmp_path / "shop", postgres, name, nodes=3))
    async with running_broker(config) as supervisor:
        (join,) = await admitted(supervisor, "van-1")
        first, second, _ = join.addresses()
        topic = "lineset/v1/north/van-1/station"
        collector = config.broker_addresses("collector")[2]
        async with asyncio.timeout(WAIT_S):
            while True:  # the nodes have to find each other first
                try:
                    async with asyncio.timeout(ATTEMPT_S), client(first, 2) as van, client(collector, 2) as ear:
                        await ear.subscribe(topic, 1)
                        await van.publish(topic, b"before", 1, retain=True)
                        async for message in ear.messages:
                            assert message.payload == b"before"
                            break
                        break
                except (aiomqtt.MqttError, TimeoutError):
                    await asyncio.sleep(0.1)
        os.kill(supervisor.parts[0].pid, signal.SIGKILL)
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    async with asyncio.timeout(ATTEMPT_S), client(second, 2) as van, client(collector, 2) as ear:
                        await ear.subscribe("lineset/v1/north/#", 1)
                        await van.publish("lineset/v1/north/van-1/visit/v1", b"after", 1)
                        heard = set()
                        async for message in ear.messages:
                            heard.add(message.payload)
                            if heard == {b"before", b"after"}:  # what was retained is on the others too
                                break
                        break
                except (aiomqtt.MqttError, TimeoutError):
                    await asyncio.sleep(0.1)
        await until_running(supervisor, 0)
    postgres.drop(name)


async def test_a_broker_whose_disk_was_full_serves_again_when_there_is_room(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", disk], capture_output=True).returncode:
        pytest.skip("this machine does not let us mount a small disk, which takes the rights of its administrator")
    try:
        wish = Wish(name="north", hosts=("localhost",), port=0, database_url="postgresql://127.0.0.1:1/none")
        set_up_folder(disk / "shop", wish)
        config = load_shop(disk / "shop")
        collector, topic = config.broker_addresses("collector")[0], "lineset/v1/north/van-1/receipt/v1"
        async with running_broker(config) as supervisor:
            async with client(collector) as voice:
                await voice.publish(topic, b"first", 1, retain=True)
            filling = os.open(disk / "filling", os.O_WRONLY | os.O_CREAT)
            with contextlib.suppress(OSError):  # no space left
                while True:
                    os.write(filling, bytes(4096))
            os.close(filling)
            assert shutil.disk_usage(disk).free == 0
            with contextlib.suppress(aiomqtt.MqttError):
                async with client(collector) as voice:
                    await voice.publish(topic, b"lost", 1, retain=True, timeout=0.5)
            async with asyncio.timeout(WAIT_S):
                while supervisor.parts[0].state != "disk full":
                    await asyncio.sleep(0.02)
            (disk / "filling").unlink()
            await until_running(supervisor, 1)
            async with client(collector) as voice, client(config.broker_addresses("board")[0]) as board:
                await voice.publish(topic, b"second", 1, retain=True)
                await board.subscribe(topic, 1)
                async with asyncio.timeout(WAIT_S):
                    assert (await anext(board.messages)).payload == b"second"
    finally:
        subprocess.run(["umount", "-l", disk], check=True)


async def test_a_port_in_use_is_named(shop_config: ShopConfig) -> None:
    node = shop_config.broker.node[0]
    for port in (node.port, node.websocket_port):
        with socket.create_server(("127.0.0.1", port)):
            with pytest.raises(ShopPortError, match=f"^broker n1, port {port}:"):  # that one, and no other
                await Supervisor(shop_config, "broker").start()
            assert not running(shop_config.folder)
    async with running_broker(shop_config):  # and nothing was left that is in the way
        pass


async def test_one_process_at_a_time_runs_a_part(shop_config: ShopConfig) -> None:
    async with running_broker(shop_config):
        with pytest.raises(ShopFolderBusyError, match="'broker'"):
            await Supervisor(shop_config, "broker").start()
        assert len(running(shop_config.folder)) == 1


@pytest.mark.parametrize("kind", ["nats", "mosquitto"])
async def test_a_new_certificate_is_used_without_a_restart(postgres: Postgres, tmp_path: Path, kind: str) -> None:
    if kind == "mosquitto" and not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()):
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    name = postgres.new_database()
    config = load_shop(make_shop(tmp_path / "shop", postgres, name, mosquitto=kind == "mosquitto"))
    address = config.broker_addresses("collector")[0]

    async def serial() -> str:
        _, writer = await asyncio.open_connection(address.host, address.port, ssl=address.tls_context())
        found: str = writer.get_extra_info("ssl_object").getpeercert()["serialNumber"]
        writer.transport.abort()
        return found

    async with running_broker(config) as supervisor:
        before = await serial()
        async with client(address) as kept:
            certificates.make_node(config.certificates, "n1", "localhost")
            await supervisor.reload()
            assert await serial() != before
            await kept.publish("lineset/v1/north/van-1/receipt/v1", b"x", 1)  # connections go on
    postgres.drop(name)


async def test_a_certificate_that_ends_soon_is_made_anew_while_the_authority_is_there(
    shop_config: ShopConfig, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = shop_config.certificates / "n1.pem"
    with monkeypatch.context() as patch:
        patch.setattr(certificates, "NODE_DAYS", 20)
        certificates.make_node(shop_config.certificates, "n1", "localhost")
    assert certificates.days_left(path) < 20
    authority = shop_config.certificates / "authority.key"
    authority.rename(shop_config.folder / "elsewhere")
    async with running_broker(shop_config):
        assert certificates.days_left(path) < 20  # it goes on as long as it may
    (shop_config.folder / "elsewhere").rename(authority)
    async with running_broker(shop_config):
        assert certificates.days_left(path) > 800
        async with client(shop_config.broker_addresses("collector")[0]):
            pass


@pytest.mark.parametrize("kind", ["nats", "mosquitto"])
async def test_what_a_revoked_station_left_is_cleared(postgres: Postgres, tmp_path: Path, kind: str) -> None:
    if kind == "mosquitto" and not (shutil.which("mosquitto") or Path("/usr/sbin/mosquitto").exists()):
        pytest.skip("mosquitto is not installed (apt-get install mosquitto)")
    name = postgres.new_database()
    config = load_shop(make_shop(tmp_path / "shop", postgres, name, mosquitto=kind == "mosquitto"))
    async with running_broker(config) as supervisor:
        joins = await admitted(supervisor, "van-1", "van-2")
        for join in joins:
            async with client(join.addresses()[0]) as van:
                for topic in ("station", "visit/v1", "visit/v1/main/now"):
                    await van.publish(f"lineset/v1/north/{join.station}/{topic}", b"{}", 1, retain=True)
        stations.revoke(config, "van-1")
        await supervisor.reload()
        await clear_leftovers(config, "van-1")
        async with client(config.broker_addresses("board")[0]) as board:
            await board.subscribe("lineset/v1/north/#", 1)
            heard = set()
            async with asyncio.timeout(WAIT_S):
                async for message in board.messages:
                    heard.add(message.topic.value)
                    if len(heard) == 3:
                        break
        assert all(topic.startswith("lineset/v1/north/van-2/") for topic in heard)
        assert await clear_leftovers(config, "van-1") == 0
        assert await clear_leftovers(config, "van-2") == 3
    postgres.drop(name)


async def test_a_foreign_certificate_and_a_foreign_name_are_refused(shop_broker: ShopConfig, tmp_path: Path) -> None:
    address = shop_broker.broker_addresses("collector")[0]
    certificates.make_authority(tmp_path, "another")
    stranger = ssl.create_default_context(cafile=str(tmp_path / "authority.pem"))
    with pytest.raises(ssl.SSLCertVerificationError, match=r"self-signed|verify failed"):
        await asyncio.open_connection(address.host, address.port, ssl=stranger)
    with pytest.raises(ssl.SSLCertVerificationError, match="elsewhere"):
        await asyncio.open_connection(
            address.host, address.port, ssl=address.tls_context(), server_hostname="elsewhere.example"
        )


async def test_a_database_of_a_later_program_is_not_touched(shop_config: ShopConfig) -> None:
    async with connected(shop_config.database("owner")) as connection:
        await connection.execute(
            "INSERT INTO lineset.migration (number, name, sha256) VALUES (9999, '9999_later.sql', 'x')"
        )
    with pytest.raises(NewerSchemaError, match="Update lineset"):
        await Supervisor(shop_config).start()
    code, _, err = await said("shop", "run", "--folder", str(shop_config.folder))
    assert code == 3
    assert "9999_later.sql" in err
    assert not running(shop_config.folder)


async def test_secrets_that_others_can_read_stop_the_shop(shop_config: ShopConfig) -> None:
    shop_config.secret("broker-collector").chmod(0o644)
    code, _, err = await said("shop", "run", "--folder", str(shop_config.folder), "--only", "broker")
    assert code == 2
    assert "chmod 600" in err


def test_set_up_with_a_certificate_of_ones_own_trusts_what_is_given(tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    certificates.make_authority(own, "own")
    certificates.make_node(own, "broker", "broker.example")
    wish = Wish(
        name="north",
        hosts=("broker.example",),
        database_url="postgresql://127.0.0.1:1/none",
        certificate=own / "broker.pem",
        key=own / "broker.key",
        ca=own / "authority.pem",
    )
    set_up_folder(tmp_path / "shop", wish)
    config = load_shop(tmp_path / "shop")
    join = stations.add(config, "van-1")
    assert join.ca == (own / "authority.pem").read_text()
    assert not (config.certificates / "authority.key").exists()
    assert str(own / "broker.key") in (config.broker_folder / "n1.conf").read_text()
    # our own parts go by the host's name then, which the certificate holds
    assert str(config.broker_addresses("board")[0]) == "mqtts://broker.example:8883"
