"""What was wanted of the shop is taken back: by command and on the command line; the record keeps both."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cli_process import said
from station_rig import Ear, bodies, hearing, station, station_text, visit_journal

from lineset.audit.audit import audit

FORCED = "the test has no hands"
SYSTEMS = "".join(f'[[system]]\nid = "{id_}"\nrefrigerant = "R-410A"\n' for id_ in ("upstairs", "yard"))


async def ask(ear: Ear, verb: str, **args: Any) -> dict[str, Any]:
    reply: dict[str, Any] = await ear.command(verb, args)
    return reply


async def test_a_want_is_taken_back_whole_or_in_part_and_both_entries_stay(tmp_path: Path) -> None:
    text = station_text(tmp_path / "data", system=SYSTEMS)
    async with station(tmp_path, text) as running, hearing(running) as ear:
        assert running.runtime is not None
        at = ("--at", str(running.runtime))
        opened = await ask(ear, "visit-open", visit="v1", systems=[{"id": "upstairs"}, {"id": "yard"}])
        assert opened["ok"], opened
        code, out, _ = await said("observe", "--wanted", *at)
        assert (code, out) == (0, "nothing is wanted of the shop")
        first = await ask(ear, "observe", sign="capacitor_bulged", system="yard")
        second = await ask(ear, "observe", text="a secret of the house", wants=["return_visit"], system="upstairs")
        one, two = first["data"]["seq"], second["data"]["seq"]

        code, out, _ = await said("observe", "--wanted", *at)
        assert (code, [" ".join(line.split()) for line in out.splitlines()]) == (0, [
            f"{one} yard part, approval: the capacitor's top is bulged",
            f"{two} upstairs return_visit: see what was written",
        ])  # fmt: skip

        # what cannot be taken back is refused, with what can
        for n in (one - 1, 10**9, -1):
            refused = await ask(ear, "observe", withdraws=n)
            assert not refused["ok"]
            assert f"{one}: part, approval: the capacitor's top is bulged; {two}: return_visit" in refused["text"]
        assert "leave the system out" in (await ask(ear, "observe", withdraws=one, system="upstairs"))["text"]

        # the customer approved; the part is still to come, and is told as it was
        left = await ask(ear, "observe", text="approved at the door", withdraws=one, wants=["part"])
        assert left["ok"], left
        assert left["text"].endswith("; a part is wanted")
        three = left["data"]["seq"]
        await ear.until_kept("visit/v1", lambda: _wanted(ear) == [two, three])
        want = ear.on("visit/v1")[-1].json["wanted"][-1]
        assert (want["title"], want["system"], want["urgency"]) == ("the capacitor's top is bulged", "yard", "soon")
        told = f"visit/v1/observation/{three}"
        await ear.until(lambda: ear.on(told))
        assert ear.on(told)[-1].json["withdraws"] == one
        assert "no longer" in (await ask(ear, "observe", withdraws=one))["text"]  # it is wanted no longer

        # and then one was in the van
        code, out, err = await said("observe", "one was in the van", "--withdraw", str(three), *at)
        assert (code, err) == (0, "")
        assert out == (
            f"no longer wanted of the shop: what entry {three} asked for (part: the capacitor's top is bulged)"
        )
        await ear.until_kept("visit/v1", lambda: _wanted(ear) == [two])
        closed = await ask(ear, "force-close", reason=FORCED)
        assert closed["ok"], closed
        path = visit_journal(running.config.data, "v1")
    seen = [body for _, body in bodies(path) if body["kind"] == "observation"]
    assert [(body.get("wants", []), body.get("withdraws", 0)) for body in seen] == [
        (["part", "approval"], 0), (["return_visit"], 0), (["part"], one), ([], three),
    ]  # fmt: skip
    assert [body.get("sign", "") for body in seen] == ["capacitor_bulged", "", "capacitor_bulged", ""]
    found = audit(path)
    assert (found.wrong, found.replay and found.replay.differences) == ((), 0)


def _wanted(ear: Ear) -> list[int]:
    return [each["seq"] for each in ear.on("visit/v1")[-1].json.get("wanted", ())] if ear.on("visit/v1") else []
