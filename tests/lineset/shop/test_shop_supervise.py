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
import tempfile
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import aiomqtt
import pytest
from cli_process import lineset, said
from shop_rig import Postgres, admitted, make_shop, running_broker

from lineset.shop import certificates, stations
from lineset.shop.child import Child
from lineset.shop.database import connected
from lineset.shop.database_server import forget_dead_server, make_database, server_plan
from lineset.shop.errors import NewerSchemaError, ShopFolderBusyError, ShopPartError, ShopPortError
from lineset.shop.leftovers import clear_leftovers
from lineset.shop.part_state import running
from lineset.shop.setting_up import Wish, set_up_folder
from lineset.shop.shop_config import ShopConfig, load_shop
from lineset.shop.supervise import Supervisor
from lineset.shop.system_user import SystemUser, check_reachable

WAIT_S = 30.0


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


def client(address: object) -> aiomqtt.Client:
    from lineset.stream.address import BrokerAddress

    assert isinstance(address, BrokerAddress)
    return aiomqtt.Client(
        address.host,
        address.port,
        username=address.username,
        password=address.password,
        tls_context=address.tls_context(),
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
                    async with client(first) as van, client(collector) as ear:
                        await ear.subscribe(topic, 1)
                        await van.publish(topic, b"before", 1, retain=True)
                        async for message in ear.messages:
                            assert message.payload == b"before"
                            break
                        break
                except aiomqtt.MqttError:
                    await asyncio.sleep(0.1)
        os.kill(supervisor.parts[0].pid, signal.SIGKILL)
        async with asyncio.timeout(WAIT_S):
            while True:
                try:
                    async with client(second) as van, client(collector) as ear:
                        await ear.subscribe("lineset/v1/north/#", 1)
                        await van.publish("lineset/v1/north/van-1/visit/v1", b"after", 1)
                        heard = set()
                        async for message in ear.messages:
                            heard.add(message.payload)
                            if heard == {b"before", b"after"}:  # what was retained is on the others too
                                break
                        break
                except aiomqtt.MqttError:
                    await asyncio.sleep(0.1)
        await until_running(supervisor, 0)
    postgres.drop(name)


async def test_a_port_in_use_is_named(shop_config: ShopConfig) -> None:
    with socket.create_server(("127.0.0.1", shop_config.broker.node[0].port)):
        with pytest.raises(ShopPortError, match=str(shop_config.broker.node[0].port)):
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


# -------------------------------------------------------------------------------------------------------- the database


@pytest.fixture
async def server(place: Path) -> AsyncIterator[tuple[Child, Path, int]]:
    from lineset.stream.broker import free_port

    data, port = place / "database", free_port()
    await asyncio.to_thread(make_database, data, "a-password", sync=False)
    child = Child(server_plan(data, port, {"fsync": "off", "shared_buffers": "16MB"}))
    await child.start()
    try:
        yield child, data, port
    finally:
        await child.stop()


async def test_the_database_is_let_in_by_password_only_and_comes_back_after_a_kill(
    server: tuple[Child, Path, int],
) -> None:
    import asyncpg

    child, data, port = server
    where = {"host": "127.0.0.1", "port": port, "database": "postgres", "user": "lineset_admin"}
    for password in ("", "wrong"):
        with pytest.raises(asyncpg.InvalidPasswordError):
            await asyncpg.connect(**where, password=password)
    connection = await asyncpg.connect(**where, password="a-password")
    assert await connection.fetchval("SELECT rolpassword LIKE 'SCRAM-SHA-256$%' FROM pg_authid WHERE rolname = user")
    assert await connection.fetchval("SHOW data_checksums") == "on"
    hba = await connection.fetch("SELECT DISTINCT auth_method FROM pg_hba_file_rules")
    assert [row[0] for row in hba] == ["scram-sha-256"]
    await connection.execute("CREATE TABLE kept (n int); INSERT INTO kept VALUES (7)")
    killed = child.pid
    os.kill(killed, signal.SIGKILL)
    async with asyncio.timeout(WAIT_S):
        while child.restarts < 1 or child.state != "running":
            await asyncio.sleep(0.02)
    again = await asyncpg.connect(**where, password="a-password")
    assert await again.fetchval("SELECT n FROM kept") == 7
    await again.close()
    with contextlib.suppress(asyncpg.PostgresError, asyncpg.InterfaceError, OSError):
        await connection.close(timeout=1)
    other = data.with_name("other")
    await asyncio.to_thread(make_database, other, "pw", sync=False)
    with pytest.raises(ShopPortError, match=f"port {port}"):
        await Child(server_plan(other, port)).start()


def test_a_lock_of_a_server_that_has_ended_but_is_not_collected_is_forgotten(tmp_path: Path) -> None:
    lock = tmp_path / "postmaster.pid"
    lock.write_text(f"{os.getpid()}\n{tmp_path}\n")
    forget_dead_server(tmp_path)
    assert lock.exists()  # a process that runs
    pid = os.posix_spawn("/bin/true", ["true"], {})
    os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)  # ended, not collected
    lock.write_text(f"{pid}\n{tmp_path}\n")
    forget_dead_server(tmp_path)
    assert not lock.exists()
    os.waitpid(pid, 0)


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


async def test_a_folder_that_the_database_cannot_pass_is_named(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    tmp_path.chmod(0o711)
    stranger = SystemUser(64_999, 64_999)
    for parent in reversed(closed.parents):
        if parent.stat().st_mode & 0o001 == 0:
            break
    else:
        parent = closed
    with pytest.raises(ShopPartError, match="chmod o\\+x") as caught:
        check_reachable(closed / "database", stranger)
    assert caught.value.where == str(parent)


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
