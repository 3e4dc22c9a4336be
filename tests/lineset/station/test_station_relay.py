"""A station whose instrument is behind a relay: on record once, also over a restart of either; and the relay's verb."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
from pathlib import Path

import pytest
from cli_process import PROGRAM
from driver_peers import PtyPeer
from station_rig import WAIT_S, bodies, gauges_image, hearing, instrument, plug, station, station_journals, station_text

from lineset.station.config import ConfigError
from lineset.station.relay_config import load_relay
from lineset_drivers import profile
from lineset_drivers.instrument import InstrumentSpec
from lineset_drivers.relay_server import RelayServer, new_key, read_key
from lineset_drivers.relay_spool import SKIP, Spool


@pytest.fixture
def key(tmp_path: Path) -> Path:
    file = tmp_path / "relay.key"
    file.write_text(new_key() + "\n")
    file.chmod(0o600)
    return file


def relay(tmp_path: Path, key: Path, peer: PtyPeer, port: int = 0) -> RelayServer:
    spec = InstrumentSpec("gauges", profile.load("pressure-transducer-2ch"), peer.url)
    return RelayServer(
        "attic", read_key(key.read_text(), "test"), [spec], Spool(tmp_path / "spool"), host="127.0.0.1", port=port
    )


def numbers(data: Path) -> list[int]:
    return [
        body["spool"] for journal in station_journals(data) for _, body in bodies(journal, "frame") if "spool" in body
    ]


async def test_what_a_relay_read_is_on_record_once_over_restarts_of_both(tmp_path: Path, key: Path) -> None:
    peer = plug(tmp_path / "port", gauges_image())
    data = tmp_path / "data"
    try:
        async with relay(tmp_path, key, peer) as first:
            port = first.port
            link = instrument("gauges", "pressure-transducer-2ch", f"relay://127.0.0.1:{port}")
            text = station_text(data, f'{link}\n[relay]\nkey_file = "{key}"\n')
            async with station(tmp_path, text) as van, hearing(van) as ear:
                told = await ear.instrument("gauges", "linked")
                assert told["link"].startswith(f"relay://127.0.0.1:{port}, serial:")
                assert told["identity"]  # the instrument's own, through the relay
                async with asyncio.timeout(WAIT_S):
                    while van.inbox.kept("gauges") < 5:
                        await asyncio.sleep(0.05)
            before = first.spool.last
            async with asyncio.timeout(WAIT_S):
                while first.spool.committed < before + 5:  # it goes on reading while no station is there
                    await asyncio.sleep(0.05)
        first.spool.close()
        async with relay(tmp_path, key, peer, port) as second:
            async with station(tmp_path, text) as van:
                async with asyncio.timeout(WAIT_S):
                    while van.inbox.kept("gauges") < before + SKIP:  # what it kept, and something new
                        await asyncio.sleep(0.05)
            second.spool.commit()
        second.spool.close()
    finally:
        peer.unplug()
    found = numbers(data)
    first_run = [n for n in found if n < SKIP]
    assert first_run == list(range(1, first_run[-1] + 1))
    assert first_run[-1] >= before + 5
    later = [n for n in found if n > SKIP]
    assert later == list(range(later[0], later[-1] + 1))
    assert first_run + later == found


def test_a_relay_link_without_a_key_is_a_problem_of_the_configuration(tmp_path: Path) -> None:
    from lineset.station.config import read

    text = station_text(tmp_path, instrument("gauges", "pressure-transducer-2ch", "relay://attic.local:8931"))
    with pytest.raises(ConfigError, match="no key is configured"):
        read(text)
    (tmp_path / "open.key").write_text(new_key())
    with pytest.raises(ConfigError, match="chmod 600"):
        read(text + f'[relay]\nkey_file = "{tmp_path}/open.key"\n')


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[relay]\n", "name"),
        ('[relay]\nname = "attic"\nlisten = "here"\nkey_file = "relay.key"\n', "is no port"),
        ('[relay]\nname = "attic"\nkey_file = "nothing.key"\n', "lineset relay --new-key"),
        ('[relay]\nname = "attic"\nkey_file = "relay.key"\n', "there is none"),
        ("[relay\n", "line 1"),
    ],
)
def test_what_is_wrong_with_a_relays_configuration_is_said(tmp_path: Path, key: Path, text: str, says: str) -> None:
    file = tmp_path / "attic.toml"
    file.write_text(text)
    with pytest.raises(ConfigError, match=says):
        load_relay(file)


def test_the_verb_makes_a_key_checks_and_runs(tmp_path: Path) -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [*PROGRAM, "relay", *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=WAIT_S, check=False, cwd=tmp_path)

    made = run("--new-key", "relay.key")
    assert made.returncode == 0, made.stderr
    assert ((tmp_path / "relay.key").stat().st_mode & 0o777) == 0o600
    assert run("--new-key", "relay.key").returncode == 1  # never replaced
    config = '[relay]\nname = "attic"\nlisten = "127.0.0.1:0"\nkey_file = "relay.key"\n'
    gone = instrument("gauges", "pressure-transducer-2ch", "serial:///dev/no-such-port")
    (tmp_path / "attic.toml").write_text(config + gone)
    checked = run("--config", "attic.toml", "--check")
    assert (checked.returncode, checked.stdout) == (0, "attic.toml: good; 1 instruments\n")
    assert run().returncode == 2
    with subprocess.Popen(
        [*PROGRAM, "relay", "--config", "attic.toml", "--log-json"],
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
        env=dict(os.environ),
    ) as running:
        assert running.stderr is not None
        lines = []
        for text in running.stderr:
            lines.append(text)
            if text.startswith("relay attic listens on port"):
                break
        running.terminate()
        assert running.wait(WAIT_S) == 0
        rest = running.stderr.read()
    assert any("listens" in text for text in lines), [*lines, rest]
    json.loads(next(text for text in lines if text.startswith("{")))
