"""The contract for other programs: JSON Schemas of every model, and an AsyncAPI 3 document of every topic.

Both are generated from the models and from the table of topics, so they cannot say anything else than the code does.
"""

from __future__ import annotations

from typing import Any

import msgspec

from lineset import __version__
from lineset.contract import command, entry, live, transfer, worklist
from lineset.contract.example import EXAMPLES
from lineset.contract.topic import KINDS, MAX_LEVEL, ROOT, Kind

DIALECT = "https://json-schema.org/draft/2020-12/schema"
ASYNCAPI = "3.0.0"
_LOCAL = "#/$defs/{name}"
_COMPONENTS = "#/components/schemas/{name}"

ENTRIES: tuple[type[msgspec.Struct], ...] = (*entry.InputBody.__args__, *entry.OutputBody.__args__)
MESSAGES: tuple[type[msgspec.Struct], ...] = (
    live.StationMessage,
    live.InstrumentMessage,
    live.VisitMessage,
    live.ValueMessage,
    live.NowMessage,
    live.SettledMessage,
    live.HuntingMessage,
    live.CheckMessage,
    live.FindingMessage,
    live.RunMessage,
    live.EventMessage,
    worklist.WorklistMessage,
    worklist.QuestionMessage,
    worklist.CueMessage,
    worklist.ObservationMessage,
    transfer.BlockMessage,
    transfer.ReceiptMessage,
)
COMMANDS: tuple[type[msgspec.Struct], ...] = (command.Request, command.Reply, *command.VERBS.values())

# What stands between braces in a topic.
PARAMETERS: dict[str, str] = {
    "shop": "The firm that the station belongs to.",
    "station": "One technician's computer.",
    "instrument": "Name of an instrument in the station's configuration.",
    "visit": "Name of a visit.",
    "system": "Name of the equipment served.",
    "phase": "Phase of the visit.",
    "point": "A point of the catalogue; an instance follows after a dash: heat_strip_current-2.",
    "name": "A point, a derived value or a check; an instance follows after a dash.",
    "id": "Of a finding: a cause, cannot_tell or nothing_found; of a question: its own.",
    "n": "Number of the cue or block, or the seq of the observation.",
    "kind": "Kind of the entry in the journal.",
    "verb": "What is asked.",
    "request": "The id that the asker gave the request.",
}


def all_models() -> tuple[type[msgspec.Struct], ...]:
    """Every model that crosses an edge."""
    return (*MESSAGES, *COMMANDS, *ENTRIES)


def schema_names() -> list[str]:
    """Names under which `json_schema` knows the models."""
    return sorted(model.__name__ for model in all_models())


def json_schema(name: str) -> dict[str, Any]:
    """The JSON Schema of one model, complete in itself, with an example. Raises KeyError for an unknown name."""
    model = {model.__name__: model for model in all_models()}[name]
    _, definitions = msgspec.json.schema_components([model], ref_template=_LOCAL)
    own = definitions.pop(name)
    schema: dict[str, Any] = {"$schema": DIALECT, **own, "examples": [example_of(model)]}
    if definitions:
        schema["$defs"] = definitions
    plain: dict[str, Any] = _plain(schema)
    return plain


def example_of(model: type[msgspec.Struct]) -> Any:
    """An invented example of a model, as plain JSON values."""
    return _plain(EXAMPLES[model])


def asyncapi(shop: str = "", station: str = "") -> dict[str, Any]:
    """The AsyncAPI 3 document; shop and station stay parameters when they are not given."""
    models = all_models()
    _, schemas = msgspec.json.schema_components(models, ref_template=_COMPONENTS)
    spoken: tuple[type[msgspec.Struct], ...] = (*MESSAGES, command.Reply)
    messages = {
        model.__name__: {
            "name": model.__name__,
            "contentType": "application/json",
            "summary": _summary(model),
            "payload": {"$ref": _COMPONENTS.format(name=model.__name__)},
            "examples": [{"name": "invented", "payload": example_of(model)}],
        }
        for model in spoken
    }
    messages |= {_request_name(verb): _request(verb, args) for verb, args in command.VERBS.items()}
    prefix = f"{ROOT}/{shop or '{shop}'}/{station or '{station}'}"
    open_levels = [name for name, given in (("shop", shop), ("station", station)) if not given]
    document = {
        "asyncapi": ASYNCAPI,
        "info": {
            "title": "lineset",
            "version": __version__,
            "description": (
                "Readings, derived values and record events of a technician's station over MQTT 3.1.1. Values are SI "
                "with their unit symbol of RFC 8428; every value carries its standard uncertainty. Readings never "
                "replace lock-out, discharge of capacitors, protective equipment, local code, the manufacturer's "
                "data or a licence. All examples are invented."
            ),
            "license": {"name": "Apache-2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "local": {
                "host": "127.0.0.1:{port}",
                "protocol": "mqtt",
                "protocolVersion": "3.1.1",
                "description": (
                    "The station's own broker. Port and passwords are new at each start; programs of the same user "
                    "find them in broker.json in the runtime folder, with a role each: watch hears, command also asks."
                ),
                "variables": {"port": {"description": "Chosen at start unless configured."}},
                "security": [{"type": "userPassword"}],
            }
        },
        "channels": {kind.name: _channel(kind, prefix, open_levels) for kind in KINDS.values()},
        "operations": {
            ("send_" if kind.sender == "station" else "receive_") + kind.name: _operation(kind)
            for kind in KINDS.values()
        },
        "components": {"messages": messages, "schemas": schemas},
    }
    plain: dict[str, Any] = _plain(document)
    return plain


# ------------------------------------------------------------------------------------------------------------- inside


def _plain(value: Any) -> Any:
    """The value as JSON gives it back: lists for tuples, text for bytes."""
    return msgspec.json.decode(msgspec.json.encode(value))


def _summary(model: type[msgspec.Struct]) -> str:
    return (model.__doc__ or model.__name__).strip().splitlines()[0]


def _request_name(verb: str) -> str:
    return f"Request_{verb.replace('-', '_')}"


def _request(verb: str, args: type[msgspec.Struct]) -> dict[str, Any]:
    example = example_of(command.Request) | {"args": example_of(args)}
    return {
        "name": _request_name(verb),
        "contentType": "application/json",
        "summary": _summary(args),
        "payload": {
            "allOf": [
                {"$ref": _COMPONENTS.format(name=command.Request.__name__)},
                {"properties": {"args": {"$ref": _COMPONENTS.format(name=args.__name__)}}},
            ]
        },
        "correlationId": {"location": "$message.payload#/request"},
        "examples": [{"name": "invented", "payload": example}],
    }


def _message_names(kind: Kind) -> list[str]:
    if kind.message is command.Request:
        return [_request_name(verb) for verb in command.VERBS]
    return [kind.message.__name__]


def _channel(kind: Kind, prefix: str, open_levels: list[str]) -> dict[str, Any]:
    parameters: dict[str, Any] = {
        field: {"description": f"{PARAMETERS[field]} 1 to {MAX_LEVEL} of a-z, 0-9, underscore and dash."}
        for field in (*open_levels, *kind.fields)
    }
    if "verb" in parameters:
        parameters["verb"]["enum"] = sorted(command.VERBS)
    channel: dict[str, Any] = {
        "address": f"{prefix}/{kind.pattern}",
        "description": kind.about,
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in _message_names(kind)},
    }
    if parameters:
        channel["parameters"] = parameters
    return channel


def _operation(kind: Kind) -> dict[str, Any]:
    operation: dict[str, Any] = {
        "action": "send" if kind.sender == "station" else "receive",
        "channel": {"$ref": f"#/channels/{kind.name}"},
        "summary": kind.about,
        "messages": [{"$ref": f"#/channels/{kind.name}/messages/{name}"} for name in _message_names(kind)],
        "bindings": {"mqtt": {"qos": kind.qos, "retain": kind.retained, "bindingVersion": "0.2.0"}},
    }
    if kind.name == "command":
        operation["reply"] = {
            "address": {
                "description": "The level `reply/` with the request's own id.",
                "location": "$message.payload#/request",
            },
            "channel": {"$ref": "#/channels/reply"},
        }
    return operation
