"""What `init` writes: the broker's configuration, certificates, modes; and what happens when settings change later."""

from __future__ import annotations

import asyncio
import datetime as dt
import stat
from pathlib import Path

import msgspec
import pytest
from cryptography import x509
from cryptography.x509.oid import ExtendedKeyUsageOID

from lineset.shop import certificates, stations
from lineset.shop.broker_reach import host_problem
from lineset.shop.broker_settings import node_text, users_text
from lineset.shop.errors import ShopSettingsError
from lineset.shop.mosquitto_settings import access_text
from lineset.shop.setting_up import Wish, broker_texts, set_up_folder, settings_of
from lineset.shop.settings_text import settings_text
from lineset.shop.shop_config import BROKER_ROLES, BoardSettings, ShopConfig, load_shop

FOREIGN = "postgresql://127.0.0.1:1/none"  # so that no database is made


def set_up(folder: Path, **changed: object) -> ShopConfig:
    """A shop `north` on localhost with free ports, but for what is changed."""
    usual = Wish(name="north", hosts=("localhost",), port=0, database_url=FOREIGN)
    set_up_folder(folder, msgspec.structs.replace(usual, **changed))
    return load_shop(folder)


def test_everything_is_for_its_owner_alone(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", nodes=3)
    for path in config.folder.rglob("*"):
        mode = stat.S_IMODE(path.stat().st_mode)
        if path.is_dir():
            assert mode == 0o700, path
        else:
            assert mode == (0o644 if path.suffix == ".pem" else 0o600), path
    assert stat.S_IMODE(config.folder.stat().st_mode) & 0o066 == 0


def test_a_certificate_names_its_host_and_this_machine_and_ends(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", hosts=("192.0.2.7",))
    folder = config.certificates
    node = x509.load_pem_x509_certificate((folder / "n1.pem").read_bytes())
    authority = x509.load_pem_x509_certificate((folder / "authority.pem").read_bytes())
    names = node.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["localhost"]
    assert {str(each) for each in names.get_values_for_type(x509.IPAddress)} == {"192.0.2.7", "127.0.0.1", "::1"}
    node.verify_directly_issued_by(authority)
    assert authority.extensions.get_extension_for_class(x509.BasicConstraints).value == x509.BasicConstraints(True, 0)
    assert not node.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    usage = node.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert set(usage) == {ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH}
    left = node.not_valid_after_utc - dt.datetime.now(dt.UTC)
    assert dt.timedelta(days=824) < left < dt.timedelta(days=826)
    assert certificates.days_left(folder / "authority.pem") in (3649, 3650)


def test_without_the_authoritys_key_nothing_is_made_and_that_is_said(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop")
    (config.certificates / "authority.key").unlink()
    before = (config.certificates / "n1.pem").read_bytes()
    with pytest.raises(ShopSettingsError, match=r"authority\.key"):
        certificates.make_node(config.certificates, "n1", "localhost")
    assert (config.certificates / "n1.pem").read_bytes() == before


def test_a_key_of_another_certificate_is_refused(tmp_path: Path) -> None:
    certificates.make_authority(tmp_path, "own")
    certificates.make_node(tmp_path, "a", "localhost")
    certificates.make_node(tmp_path, "b", "localhost")
    with pytest.raises(ShopSettingsError, match="cannot be used"):
        set_up(tmp_path / "shop", certificate=tmp_path / "a.pem", key=tmp_path / "b.key")
    assert not (tmp_path / "shop").exists()


def test_a_folder_with_other_things_in_it_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "letters").mkdir()
    tmp_path.chmod(0o755)
    with pytest.raises(ShopSettingsError, match="letters"):
        set_up(tmp_path)
    assert stat.S_IMODE(tmp_path.stat().st_mode) == 0o755
    assert [path.name for path in tmp_path.iterdir()] == ["letters"]


def test_a_cluster_meets_over_tls_with_a_login(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", nodes=3, hosts=("a.example", "b.example", "c.example"), port=8883)
    assert [node.port for node in config.broker.node] == [8883] * 3  # each on a machine of its own
    assert config.broker.here == ("n1",)
    assert config.broker.listen == "0.0.0.0"
    text = (config.broker_folder / "n2.conf").read_text()
    assert '"stream_replicas": 3' in text
    assert text.count("tls://shop.cluster:") == 2
    assert "@a.example:8903" in text
    assert "@b.example" not in text  # not to itself
    assert '"verify": true' in text
    assert '"sync_interval": "always"' in text


def test_only_settings_that_are_asked_for_are_written_anew(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop")
    changed = msgspec.structs.replace(config, board=BoardSettings(port=1234, network=True))
    (config.folder / "shop.toml").write_text(settings_text(changed))
    before = (config.broker_folder / "n1.conf").read_text()
    outcome = set_up_folder(config.folder, Wish())
    assert outcome.differs == ["broker/n1.conf"]
    assert (config.broker_folder / "n1.conf").read_text() == before
    outcome = set_up_folder(config.folder, Wish(rewrite=True))
    assert (outcome.differs, outcome.made) == ([], ["broker/n1.conf"])
    assert "https://localhost:1234" in (config.broker_folder / "n1.conf").read_text()


def test_another_host_gets_a_certificate_when_that_is_asked_for(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", hosts=("old.example",))
    file, node = config.folder / "shop.toml", config.certificates / "n1.pem"
    file.write_text(file.read_text().replace("old.example", "new.example"))
    assert "certificates/n1.pem" in set_up_folder(config.folder, Wish()).differs
    assert certificates.names_host(node, "old.example")
    outcome = set_up_folder(config.folder, Wish(rewrite=True))
    assert {"certificates/n1.pem", "certificates/n1.key"} <= set(outcome.made)
    assert "certificates/n1.pem" not in outcome.differs
    assert certificates.names_host(node, "NEW.example")
    assert not certificates.names_host(node, "old.example")
    assert certificates.names_host(node, "127.0.0.1")
    assert not certificates.names_host(node, "192.0.2.7")


def test_words_that_a_shop_which_is_there_does_not_take_are_named(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop")
    outcome = set_up_folder(config.folder, Wish(name="south", hosts=("other.example",), nodes=3))
    assert outcome.not_applied == [
        "--name south (shop.toml says north)",
        "--nodes 3 (shop.toml says 1)",
        "--host other.example (shop.toml says localhost)",
    ]
    assert not set_up_folder(config.folder, Wish(name="north", hosts=("localhost",))).not_applied
    assert load_shop(config.folder) == config


@pytest.mark.parametrize(
    "wrong",
    [
        {"name": "North Side"},
        {"hosts": ("https://shop.example",)},
        {"hosts": ("shop.example:8883",)},
        {"hosts": ("shop example",)},
        {"hosts": ("böse.example",)},
        {"hosts": ("-a",)},
        {"urls": ("http://broker.example",)},
        {"urls": ("mqtt://broker.example",)},
        {"port": -3},
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_made(tmp_path: Path, wrong: dict[str, object]) -> None:
    with pytest.raises(ShopSettingsError):
        set_up(tmp_path / "shop", **wrong)
    assert not (tmp_path / "shop").exists()


@pytest.mark.parametrize("host", ["shop", "shop.lan", "my_shop.lan", "192.0.2.7", "2001:db8::1", "a" * 63 + ".example"])
def test_names_and_addresses_under_which_vans_reach_a_broker(host: str) -> None:
    assert not host_problem(host)


def test_a_list_of_stations_that_is_kept_elsewhere_is_not_lost(tmp_path: Path) -> None:
    """As on the second machine of a cluster, to which only the broker's files were copied."""
    config = set_up(tmp_path / "shop")
    stations.add(config, "van-1")
    users = config.broker_folder / "users.conf"
    before = users.read_text()
    (config.folder / "stations.json").unlink()
    assert stations.write_users(config) == []
    assert users.read_text() == before
    users.unlink()
    assert stations.write_users(config) == [users]


def test_no_row_of_either_broker_lets_anybody_command(tmp_path: Path) -> None:
    config = settings_of(Wish(name="north", hosts=("localhost",), port=0, database_url=FOREIGN))
    hashes = dict.fromkeys(BROKER_ROLES, "hash")
    users = users_text(config, hashes, [("van-1", "hash")])
    assert "command" not in users.replace("event.command", "")
    rights = [line.split(" ", 2)[2] for line in access_text(config, ["van-1"]).splitlines() if " write " in line]
    assert rights
    for each in rights:  # nothing that a command's topic would match
        assert not any(level in ("#", "command") for level in each.split("/")[4:5]), each


def test_no_connection_by_the_brokers_own_protocol_from_beyond_this_machine(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", hosts=("shop.example",), port=8883)
    text = node_text(config, config.broker.node[0], ("user", "password"))
    assert 'listen: "127.0.0.1:-1"' in text
    assert text.count("0.0.0.0") == 2  # MQTT and WebSocket, both with TLS
    assert text.count('"min_version": "1.2"') == 2
    assert "no_tls" not in text


def test_mosquittos_files_for_a_broker_that_runs_elsewhere(tmp_path: Path) -> None:
    config = set_up(tmp_path / "shop", mosquitto=True, urls=("mqtts://broker.example:8883",))
    ((path, text),) = broker_texts(config)
    assert path.name == "mosquitto.conf"
    assert "allow_anonymous false" in text
    assert "protocol websockets" not in text
    assert config.station_urls == ("mqtts://broker.example:8883",)
    assert config.broker.nodes_here == ()
    assert {each.name for each in config.broker_folder.iterdir()} >= {"mosquitto.passwords", "mosquitto.access"}


async def test_web_pages_need_an_allowed_origin_and_tls(shop_broker: ShopConfig) -> None:
    node = shop_broker.broker.node[0]
    context = shop_broker.broker_addresses("board")[0].tls_context()

    async def upgrade(origin: str) -> str:
        """A WebSocket handshake written by hand (RFC 6455, section 4.1); the status line of the answer."""
        reader, writer = await asyncio.open_connection("localhost", node.websocket_port, ssl=context)
        lines = [
            "GET /mqtt HTTP/1.1", f"Host: localhost:{node.websocket_port}", "Upgrade: websocket",
            "Connection: Upgrade", "Sec-WebSocket-Key: MDEyMzQ1Njc4OWFiY2RlZg==", "Sec-WebSocket-Version: 13",
            "Sec-WebSocket-Protocol: mqtt", f"Origin: {origin}", "", "",
        ]  # fmt: skip
        writer.write("\r\n".join(lines).encode())
        async with asyncio.timeout(60):
            status = (await reader.readline()).decode()
        writer.transport.abort()
        return status

    assert " 101 " in await upgrade(f"https://localhost:{node.websocket_port}")
    assert " 101 " in await upgrade(f"http://127.0.0.1:{shop_broker.board.port}")
    for foreign in ("https://example.com", "null", f"http://localhost:{node.websocket_port}", "http://127.0.0.1:1"):
        assert " 403 " in await upgrade(foreign), foreign
