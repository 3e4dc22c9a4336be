"""Verdicts through a station: a shop's rules on record, facts declared by command, verdicts on their topics."""

from __future__ import annotations

from pathlib import Path

import pytest
from station_rig import OVER, bodies, hearing, station, station_text, visit_journal

from lineset.station.config import ConfigError, load

SYSTEM = """
[[system]]
id = "main"
refrigerant = "R-410A"
metering_device = "txv"
[system.nameplate]
herm_capacitor_uf = 45.0
"""


async def test_a_bench_capacitor_fails_on_its_topic_and_on_record(tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text('name = "ours"\n[limits.capacitor]\nlow_pct = -5\nhigh_pct = 5\n')
    text = station_text(tmp_path / "data", more='rules = "rules.toml"', system=SYSTEM)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        refused = await ear.command("declare", {"fact": "all_is_well"})
        assert not refused["ok"]
        assert "panels_on" in refused["text"]
        declared = await ear.command("declare", {"fact": "isolated"})
        assert declared["ok"]
        assert "discharged" in declared["text"]
        await ear.command("enter", {"point": "herm_capacitance", "value": "41.0 +/- 0.3 uF"})
        topic = "visit/v1/main/at_rest/check/herm_capacitor_bench"
        await ear.until(lambda: ear.on(topic))
        said = ear.on(topic)[-1].json
        assert (said["state"], said["finding"], said["u"]) == ("fail", "low", "F")
        assert said["source"].startswith("ours")
        assert said["text"].startswith("41.00 +/- 0.3")
        assert "assumed" not in said or not any("locked out" in words for words in said["assumed"])
        async with hearing(running, "watch") as late:  # retained: who comes later still sees it
            await late.until_kept(topic)
        await ear.command("force-close", OVER)
    journal = visit_journal(tmp_path / "data", "v1")
    rules = next(body for _, body in bodies(journal, "opened"))["config"]["rules"]
    assert "low_pct = -5" in rules["text"]
    assert len(rules["sha256"]) == 64
    assert [body["state"] for _, body in bodies(journal, "check")] == ["fail"]


async def test_refrigerant_removed_is_on_record_by_a_certified_person_only(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data", system=SYSTEM)) as running, hearing(running) as ear:
        assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        nobody = await ear.command("refrigerant", {"action": "removed", "certified": " ", "amount": "6 oz"})
        assert not nobody["ok"]
        assert "certificate that the law asks for" in nobody["text"]
        for wrong in ({"action": "topped_up"}, {"amount": "a bit"}, {"amount": "900 kg"}):
            asked = {"action": "removed", "certified": "certificate 0", **wrong}
            assert not (await ear.command("refrigerant", asked))["ok"], wrong
        done = await ear.command("refrigerant", {"action": "removed", "certified": "certificate 0", "amount": "6 oz"})
        assert done["ok"]
        assert "6.0 oz removed on main by certificate 0" in done["text"]
        assert "maker's charging procedure" in done["text"]
        assert "eye protection" in done["text"]
        topic = "visit/v1/event/refrigerant"
        await ear.until(lambda: ear.on(topic))
        body = ear.on(topic)[-1].json["body"]
        assert body["mass_kg"] == pytest.approx(0.1701, abs=1e-4)  # NIST SP 811, B.8: 6 x 28.34952 g
        await ear.command("force-close", OVER)
    kept = [body for _, body in bodies(visit_journal(tmp_path / "data", "v1"), "refrigerant")]
    assert [(body["action"], body["certified"], body["text"]) for body in kept] == [
        ("removed", "certificate 0", "6 oz")
    ]


def test_wrong_rules_are_told_with_their_own_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text("[limits.superheat]\nlow_c = 1\n")
    config = tmp_path / "station.toml"
    config.write_text(station_text(tmp_path / "data", more='rules = "rules.toml"'))
    with pytest.raises(ConfigError, match=r"rules\.toml, line 2"):
        load(config)
    config.write_text(station_text(tmp_path / "data", more='rules = "none.toml"'))
    with pytest.raises(ConfigError, match="cannot read"):
        load(config)
