"""The alert rules: well formed, about things that are told, with labels that are there, each saying what to do."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import lineset.shop
from lineset.shop.metrics import ROWS as SHOP_ROWS
from lineset.station.metrics import BROKER, SHOP
from lineset.station.metrics import ROWS as STATION_ROWS
from lineset.station.metrics_server import LINK_STATES
from lineset_drivers.frame import State

FILE = Path(lineset.shop.__file__).parent / "alerts.yml"
ROWS = (*STATION_ROWS, *SHOP_ROWS)
LABELS = {name: {*row.labels, "instance", "job"} for row in ROWS for name in row.exposed}
VALUES = {
    "destination": {BROKER, SHOP},
    "state": {*LINK_STATES, *map(str, State)},
}
_LINE = re.compile(r"(?P<indent> *)(?P<item>- )?(?P<key>[a-z_]+):(?: (?P<value>.+))?")
_QUOTED = re.compile(r"'(?:[^']|'')*'")
_PLAIN = re.compile(r"[A-Za-z0-9]+")


def scalar(text: str) -> str:
    """A value of the two kinds that the file keeps to: 'quoted', or letters and digits."""
    if _QUOTED.fullmatch(text):
        return text[1:-1].replace("''", "'")
    assert _PLAIN.fullmatch(text), f"quote this: {text}"
    return text


def rules() -> dict[str, dict[str, Any]]:
    """The rules by their names, read as a strict subset of YAML: two blanks a level, no tabs, no folded lines."""
    found: dict[str, dict[str, Any]] = {}
    rule: dict[str, Any] = {}
    inside = ""
    for number, line in enumerate(FILE.read_text().splitlines(), 1):
        if line.startswith("#"):
            continue
        match = _LINE.fullmatch(line)
        assert match, f"line {number}: {line!r}"
        depth = len(match["indent"]) // 2 + bool(match["item"])
        assert len(match["indent"]) % 2 == 0, f"line {number} is not indented by twos"
        key, value = match["key"], match["value"]
        if depth < 4:
            expected = {0: "groups", 2: ("name", "rules")}
            assert key in expected.get(depth, ()), f"line {number}: {key}"
        elif depth == 4:
            if match["item"]:
                assert key == "alert", f"line {number}: a rule begins with its name"
                rule = found.setdefault(scalar(value), {})
                assert not rule, f"{value} is there twice"
                continue
            assert key not in rule, f"line {number}: {key} twice"
            inside = key
            rule[key] = {} if value is None else scalar(value)
        else:
            assert depth == 5
            assert inside in ("labels", "annotations"), f"line {number}"
            rule[inside][key] = scalar(value)
    return found


def test_every_rule_says_what_it_is_about_and_what_to_do() -> None:
    found = rules()
    assert len(found) >= 20
    for name, rule in found.items():
        assert name.startswith("Lineset"), name
        assert set(rule) <= {"expr", "for", "labels", "annotations"}, name
        assert re.fullmatch(r"\d+(s|m|h)", rule.get("for", "0s")), name
        assert rule["labels"]["severity"] in ("critical", "warning", "info"), name
        assert set(rule["annotations"]) == {"summary", "what_to_do"}, name
        assert all(text.endswith(".") for text in rule["annotations"].values()), name


def test_every_name_in_an_expression_is_told_by_a_station_or_a_collector() -> None:
    told = set()
    for name, rule in rules().items():
        used = set(re.findall(r"\blineset_[a-z0-9_]+", rule["expr"]))
        assert used, name
        assert used <= LABELS.keys(), (name, used - LABELS.keys())
        told |= used
        labels = {"le"} if any(each.endswith("_bucket") for each in used) else set()
        for each in used:
            labels |= LABELS[each]
        for group in re.findall(r"\b(?:by|on) \(([a-z, ]+)\)", rule["expr"]):
            assert set(group.split(", ")) <= labels, (name, group)
        for metric, matchers in re.findall(r"\b(lineset_[a-z0-9_]+)\{([^}]*)\}", rule["expr"]):
            for label, value in re.findall(r'([a-z]+)="([^"]*)"', matchers):
                assert label in LABELS[metric], (name, label)
                assert value in VALUES[label], (name, value)
        for label in re.findall(r"\$labels\.([a-z]+)", str(rule["annotations"])):
            assert label in labels, (name, label)
    # what a shop has to hear of
    for what in (
        "recording", "outbox_entries", "shop_station_block_timestamp_seconds", "shop_set_aside_total",
        "shop_gaps_total", "shop_lag_seconds_bucket", "calibration_due_timestamp_seconds", "disk_free_bytes",
        "link_state", "shop_link_state", "shop_database_up",
    ):  # fmt: skip
        assert f"lineset_{what}" in told
