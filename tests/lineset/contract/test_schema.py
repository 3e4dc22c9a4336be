"""The generated documents: every schema accepts its own example and refuses what is no such thing."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import msgspec
import pytest
from typer.testing import CliRunner

from lineset.contract import command, entry
from lineset.contract.example import EXAMPLES
from lineset.contract.schema import all_models, asyncapi, example_of, json_schema, schema_names
from lineset.contract.topic import KINDS


def test_every_model_of_the_contract_is_there_with_an_example() -> None:
    assert {model.__struct_config__.tag for model in all_models() if issubclass(model, entry.Body)} == (
        entry.INPUT_KINDS | entry.OUTPUT_KINDS
    )
    assert set(command.VERBS.values()) <= set(all_models())
    assert {kind.message for kind in KINDS.values()} <= set(all_models())
    assert set(EXAMPLES) == set(all_models())


@pytest.mark.parametrize("name", schema_names())
def test_a_schema_accepts_its_own_example_and_nothing_foreign(name: str) -> None:
    schema = json_schema(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    model = {model.__name__: model for model in all_models()}[name]
    example = example_of(model)
    validator.validate(example)
    assert msgspec.convert(example, model) == EXAMPLES[model] or "raw" in example  # base64 is decoded from JSON only
    for missing in schema.get("required", []):
        assert not validator.is_valid({key: value for key, value in example.items() if key != missing})
    assert not validator.is_valid([example])
    for key, value in example.items():
        wrong = {} if not isinstance(value, dict) else "text"
        assert not validator.is_valid({**example, key: wrong}), key


def resolve(document: dict[str, Any], reference: str) -> Any:
    assert reference.startswith("#/")
    found: Any = document
    for part in reference[2:].split("/"):
        found = found[part.replace("~1", "/").replace("~0", "~")]
    return found


def references(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if "$ref" in node else []
        return own + [found for value in node.values() for found in references(value)]
    return [found for item in node for found in references(item)] if isinstance(node, list) else []


@pytest.mark.parametrize(("shop", "station"), [("", ""), ("north-shop", "van-3")])
def test_the_asyncapi_document_keeps_the_rules_of_its_specification(shop: str, station: str) -> None:
    """AsyncAPI Specification 3.0.0: the objects' required fields, addresses, parameters and references."""
    document = json.loads(json.dumps(asyncapi(shop, station)))
    assert document["asyncapi"] == "3.0.0"
    assert document["info"]["title"]
    assert document["info"]["version"]
    for reference in references(document):
        resolve(document, reference)
    for server in document["servers"].values():
        assert set(re.findall(r"\{(\w+)\}", server["host"])) == set(server.get("variables", {}))
        assert server["protocol"] == "mqtt"
    for channel in document["channels"].values():
        # "Channel Object: parameters MUST contain all the parameters used in the address, and no others"
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel.get("parameters", {}))
        assert channel["messages"]
    for operation in document["operations"].values():
        assert operation["action"] in ("send", "receive")
        channel = resolve(document, operation["channel"]["$ref"])
        for message in operation["messages"]:
            # "MUST be a reference to a message of the referenced channel, not to components"
            assert message["$ref"].startswith(operation["channel"]["$ref"] + "/messages/")
            assert resolve(document, message["$ref"]) in channel["messages"].values()
        assert operation["bindings"]["mqtt"]["qos"] in (0, 1)
    for name in (*document["channels"], *document["operations"], *document["components"]["messages"]):
        assert re.fullmatch(r"[A-Za-z0-9_\-.]+", name)


def test_every_topic_that_exists_is_described() -> None:
    document = asyncapi("north-shop", "van-3")
    base = "lineset/v1/north-shop/van-3/"
    addresses = {channel["address"].removeprefix(base) for channel in document["channels"].values()}
    assert addresses == {
        "station",
        "instrument/{instrument}",
        "visit/{visit}",
        "visit/{visit}/event/{kind}",
        "visit/{visit}/{system}/{phase}/hunting/{name}",
        "visit/{visit}/{system}/now",
        "visit/{visit}/{system}/run",
        "visit/{visit}/{system}/reading/{point}",
        "visit/{visit}/{system}/derived/{name}",
        "visit/{visit}/{system}/{phase}/settled/{name}",
        "visit/{visit}/{system}/{phase}/check/{name}",
        "visit/{visit}/{system}/{phase}/finding/{id}",
        "visit/{visit}/{system}/worklist",
        "visit/{visit}/question/{id}",
        "visit/{visit}/cue/{n}",
        "visit/{visit}/observation/{n}",
        "visit/{visit}/block/{n}",
        "receipt/{visit}",
        "command/{verb}",
        "reply/{request}",
    }
    assert document["operations"]["receive_command"]["reply"]["channel"] == {"$ref": "#/channels/reply"}
    retained = {name for name, o in document["operations"].items() if o["bindings"]["mqtt"]["retain"]}
    assert retained == {
        "send_station",
        "receive_receipt",
        "send_instrument",
        "send_visit",
        "send_now",
        "send_run",
        "send_settled",
        "send_hunting",
        "send_check",
        "send_finding",
        "send_worklist",
        "send_question",
    }


def test_the_examples_in_the_document_fit_their_payloads() -> None:
    document = asyncapi()
    for message in document["components"]["messages"].values():
        schema = {**message["payload"], "components": document["components"]}
        for example in message["examples"]:
            jsonschema.Draft202012Validator(schema).validate(example["payload"])
            assert not jsonschema.Draft202012Validator(schema).is_valid({"args": 3})


def run(*arguments: str) -> Any:
    import typer

    from lineset.cli.contract import contract

    app = typer.Typer(rich_markup_mode=None)
    app.command()(contract)
    return CliRunner().invoke(app, list(arguments))


def test_the_verb_prints_each_document(tmp_path: Any) -> None:
    assert json.loads(run("asyncapi").stdout) == asyncapi()
    assert json.loads(run("--json").stdout) == asyncapi()
    assert json.loads(run("SettledMessage").stdout) == json_schema("SettledMessage")
    assert set(json.loads(run("schemas").stdout)) == set(schema_names())
    shown = run("--shop", "north-shop", "--station", "van-3").stdout
    assert "Topics below lineset/v1/north-shop/van-3/" in shown
    assert "visit/{visit}/{system}/{phase}/settled/{name}\n    QoS 1, retained: SettledMessage" in shown
    written = run("--out", str(tmp_path / "c"))
    assert written.exit_code == 0
    assert json.loads((tmp_path / "c" / "asyncapi.json").read_text()) == asyncapi()
    assert len(list((tmp_path / "c").iterdir())) == len(schema_names()) + 1


def test_the_verb_says_what_is_wrong(tmp_path: Any) -> None:
    wrong = run("SetledMessage")
    assert wrong.exit_code == 2
    assert "no model is called 'SetledMessage'; there are SettledMessage" in wrong.stderr
    assert run("--shop", "North Shop").exit_code == 2
    (tmp_path / "file").write_text("")
    blocked = run("--out", str(tmp_path / "file"))
    assert blocked.exit_code == 1
    assert "name a folder that you may write to" in blocked.stderr
