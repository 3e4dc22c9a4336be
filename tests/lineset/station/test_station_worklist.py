"""The worklist through a station: its retained sheet, tasks by command and by verb, what closing then asks for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_process import said
from station_rig import OVER, bodies, hearing, station, station_text, visit_journal

from lineset.station.config import ConfigError, load

SHEET = "visit/v1/main/worklist"


async def test_a_sheet_is_published_changes_with_what_is_done_and_is_asked_for_at_closing(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        await ear.until(lambda: ear.on(SHEET))
        first = ear.on(SHEET)[-1].json
        assert first["minutes_left"] > 30
        assert {item["kind"] for item in first["items"]} == {"point", "task"}
        assert "missing" in first
        coil = next(item for item in first["items"] if item["id"] == "wash_outdoor_coil")
        assert "lock it out" in coil["caution"]

        wrong = await ear.command("task", {"task": "wash_outdor_coil"})
        assert not wrong["ok"]
        assert "'wash_outdoor_coil'" in wrong["text"]
        assert not (await ear.command("task", {"task": "supply_static"}))["ok"]
        unsaid = await ear.command("task", {"task": "supply_static", "state": "skipped"})
        assert "say why" in unsaid["text"]
        skipped = {"task": "before/supply_static", "state": "skipped", "note": "no test port"}
        assert (await ear.command("task", skipped))["ok"]
        begun = await ear.command("task", {"task": "wash_outdoor_coil", "state": "begun"})
        assert begun["ok"]
        assert "lock it out" in begun["text"]
        assert begun["data"]["before"] == ["lock out"]
        await ear.command("enter", {"point": "liquid_service_pressure", "value": "370 psig"})
        await ear.until(lambda: ear.on(SHEET)[-1].json.get("next") == "wash_outdoor_coil")
        assert not ear.on("visit/v1/main/at_rest/settled/liquid_service_pressure"), "the fan's top is off"

        missing = await ear.command("visit-close", {})
        assert not missing["ok"]
        assert "the outdoor fan's top is lifted off" in missing["text"]
        assert "wash the outdoor coil is neither done nor skipped" in missing["text"]
        await ear.until(lambda: ear.on("visit/v1")[-1].json.get("progress", {}).get("main", [0])[0] > 0)
        said_of_visit = ear.on("visit/v1")[-1].json
        assert said_of_visit["minutes_left"] > 0
        async with hearing(running, "watch") as late:
            await late.until_kept(SHEET)
        assert (await ear.command("force-close", OVER))["ok"]
    marks = [(body["task"], body["state"]) for _, body in bodies(visit_journal(tmp_path / "data", "v1"), "task")]
    assert marks == [("before/supply_static", "skipped"), ("wash_outdoor_coil", "begun")]


async def test_a_station_that_speaks_spanish_publishes_its_sheet_and_refuses_in_spanish(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", more='language = "es"\nunits = "si"')
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert (await ear.command("visit-open", {"visit": "v1", "systems": []}))["ok"]
        await ear.until(lambda: ear.on(SHEET))
        coil = next(item for item in ear.on(SHEET)[-1].json["items"] if item["id"] == "wash_outdoor_coil")
        assert coil["title"] == "lavar el serpentín exterior"
        assert "ponga candado y etiqueta" in coil["caution"]
        refused = await ear.command("visit-close", {})
        assert refused["text"].startswith("aún no se cierra, por favor: ")
        assert "y dígalo: lineset declare caps_on" in refused["text"]
        assert (await ear.command("force-close", OVER))["ok"]


async def test_the_verbs_mark_tasks_and_print_the_job_sheet(tmp_path: Path) -> None:
    async with station(tmp_path, station_text(tmp_path / "data")) as running, hearing(running) as ear:
        at = ("--at", str(running.runtime))
        code, _, wrong = await said("worklist", *at)
        assert (code, "no visit is open" in wrong) == (1, True)
        await ear.command("visit-open", {"visit": "v1", "systems": []})
        await ear.until(lambda: ear.on(SHEET))
        code, told, _ = await said("done", "thermostat", *at)
        assert (code, told) == (0, "thermostat: done")
        await ear.until(lambda: ear.on(SHEET)[-1].json.get("done") == 1)
        code, told, _ = await said("worklist", "--all", *at)
        assert code == 0
        assert "Next: " in told
        assert "[x] Thermostat: done.  (thermostat)" in told
        assert "Line voltage: pull the disconnect, lock it out" in told
        assert "Outdoor unit, electrical" in told
        code, told, _ = await said("worklist", "--json", *at)
        assert json.loads(told)["main"]["done"] == 1
        code, _, wrong = await said("done", "filter", "--skip", *at)
        assert (code, "say why" in wrong) == (1, True)
        code, told, _ = await said("done", "thermostat", "--undo", *at)
        assert (code, told) == (0, "thermostat: taken back")
        code, _, wrong = await said("done", "filter", "--begin", "--undo", *at)
        assert (code, "exclude" in wrong) == (2, True)
        await ear.command("force-close", OVER)


async def test_a_shops_own_rows_are_on_the_sheet_and_on_record(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text('name = "ours"\n[[task]]\nid = "filter"\nsentence = "Fit our own filter."\n')
    text = station_text(tmp_path / "data", more='worklist = "ours.toml"')
    async with station(tmp_path, text) as running, hearing(running) as ear:
        await ear.command("visit-open", {"visit": "v1", "systems": []})
        await ear.until(lambda: ear.on(SHEET))
        items = ear.on(SHEET)[-1].json["items"]
        assert next(item for item in items if item["id"] == "filter")["sentence"] == "Fit our own filter."
        await ear.command("force-close", OVER)
    opened = next(body for _, body in bodies(visit_journal(tmp_path / "data", "v1"), "opened"))
    assert "Fit our own filter." in opened["config"]["worklist"]["text"]


def test_a_wrong_worklist_is_told_with_its_own_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "ours.toml").write_text('[[task]]\nid = "filter"\nphase = "soon"\n')
    config = tmp_path / "station.toml"
    config.write_text(station_text(tmp_path / "data", more='worklist = "ours.toml"'))
    with pytest.raises(ConfigError, match=r"ours\.toml, line 3"):
        load(config)
    config.write_text(station_text(tmp_path / "data", more='worklist = "none.toml"'))
    with pytest.raises(ConfigError, match="cannot read"):
        load(config)
