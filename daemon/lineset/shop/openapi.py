"""The OpenAPI 3.1 document of the shop's API, made from the table of endpoints and the models of the answers."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import msgspec

from lineset import __version__
from lineset.shop.answers import Problem
from lineset.shop.endpoints import BASE, ENDPOINTS, Endpoint, Parameter

PROBLEM = "application/problem+json"  # RFC 9457
_COMPONENTS = "#/components/schemas/{name}"
_REFUSALS = {
    "401": "No token, or one that is unknown, revoked or expired.",
    "403": "The token does not open this; it needs the scope that is named.",
    "404": "There is no such thing.",
    "422": "A parameter is not what is wanted.",
    "503": "The database cannot be asked now, or the question took too long.",
}


@lru_cache(maxsize=1)
def openapi() -> dict[str, Any]:
    """The document, as plain JSON values."""
    models = [each.answer for each in ENDPOINTS if not isinstance(each.answer, str)]
    _, schemas = msgspec.json.schema_components([*models, Problem], ref_template=_COMPONENTS)
    document = {
        "openapi": "3.1.0",
        "info": {
            "title": "lineset: a shop's visits",
            "version": __version__,
            "description": (
                "Read only. Values are SI with their unit symbol of RFC 8428; u is a standard uncertainty; times are "
                "ISO 8601 in UTC. Readings never replace lock-out, discharge of capacitors, protective equipment, "
                "local code, the manufacturer's data or a licence."
            ),
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": BASE}],
        "security": [{"token": []}],
        "paths": {each.path: {"get": _operation(each)} for each in ENDPOINTS},
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "lineset shop token add NAME; scope `board`, and `notes` for what people wrote.",
                }
            },
        },
    }
    plain: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(document))
    return plain


def _operation(endpoint: Endpoint) -> dict[str, Any]:
    statuses = ["401", "403", "422", "503", *(["404"] if endpoint.of_visit else [])]
    return {
        "operationId": endpoint.name,
        "summary": endpoint.about,
        "description": f"Needs the scope `{endpoint.scope}`.",
        "parameters": [_parameter(each) for each in endpoint.parameters],
        "responses": {
            "200": {"description": endpoint.about, "content": _content(endpoint)},
            "304": {"description": "As the ETag that was sent along says: nothing new."},
            **{
                status: {
                    "description": _REFUSALS[status],
                    "content": {PROBLEM: {"schema": {"$ref": _COMPONENTS.format(name="Problem")}}},
                }
                for status in sorted(statuses)
            },
        },
    }


def _content(endpoint: Endpoint) -> dict[str, Any]:
    if isinstance(endpoint.answer, str):
        schema: dict[str, Any] = {"type": "object"} if endpoint.answer == "application/json" else {"type": "string"}
        return {endpoint.answer: {"schema": schema}}
    return {"application/json": {"schema": {"$ref": _COMPONENTS.format(name=endpoint.answer.__name__)}}}


def _parameter(each: Parameter) -> dict[str, Any]:
    # a pattern of JSON Schema is not anchored; ours mean the whole
    schema = dict(each.schema)
    if "pattern" in schema:
        schema["pattern"] = f"^{schema['pattern']}$"
    if schema.get("format") == "date-time":
        schema = {"type": "string"}
    return {
        "name": each.name,
        "in": each.where,
        "required": each.required,
        "description": each.about,
        "schema": schema,
    }
