"""What holds of every operation, written into the API's description in one place."""

from __future__ import annotations

import copy
from typing import Any

from litestar import Request
from litestar.openapi.plugins import JsonRenderPlugin
from litestar.serialization import encode_json

METHODS = ("get", "post", "patch", "put", "delete")

_IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "description": "The `ETag` of the answer that is at hand; if it still holds, 304 without a body.",
    "schema": {"type": "string"},
    "examples": {"seen": {"value": 'W/"0f1e2d3c4b5a69788796a5b4"'}},
}
_IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "description": "A key of your own, new for each new request (a UUID, say). The same request with the same key is"
    " answered as the first time, with `Idempotency-Replayed: true`, and changes nothing more; kept 48 hours.",
    "schema": {"type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[ -~]+$"},
    "examples": {"uuid": {"value": "0b0e7a52-6d5c-4c0b-9c0e-6f1f5a4f7d10"}},
}
_ETAG = {"schema": {"type": "string"}, "description": "Names this answer, for `If-None-Match`."}
_RETRY = {"schema": {"type": "integer", "minimum": 1}, "description": "Seconds after which to try again."}
_PROBLEM = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}


class Description(JsonRenderPlugin):
    """Serves the description with what holds of every operation added."""

    def __init__(self) -> None:
        super().__init__(path=["/openapi.json", "openapi.json"])
        self._rendered: tuple[int, bytes] | None = None

    def render(self, request: Request[Any, Any, Any], openapi_schema: dict[str, Any]) -> bytes:  # noqa: ARG002
        """Return the description as JSON."""
        if self._rendered is None or self._rendered[0] != id(openapi_schema):
            self._rendered = (id(openapi_schema), encode_json(completed(openapi_schema)))
        return self._rendered[1]


def completed(description: dict[str, Any]) -> dict[str, Any]:
    """Return the description with conditional reads, idempotency keys, limits and examples of every operation."""
    whole = copy.deepcopy(description)
    schemas = whole["components"]["schemas"]
    for path, item in whole["paths"].items():
        for method in METHODS:
            operation = item.get(method)
            if operation is None:
                continue
            if path.startswith("/v1"):
                _complete(method, operation)
            _exemplify(operation, schemas)
            for said in operation.get("requestBody", {}).get("content", {}).values():
                _refuse_unknown(said.get("schema", {}), schemas)
    return whole


def _refuse_unknown(schema: Any, schemas: dict[str, Any]) -> None:
    """Say of a body, and of all in it, that fields it does not name are refused, as :class:`Body` does."""
    if isinstance(schema, list):
        for part in schema:
            _refuse_unknown(part, schemas)
    elif isinstance(schema, dict):
        if "$ref" in schema:
            schema = schemas[schema["$ref"].rsplit("/", 1)[-1]]
        if "properties" in schema:
            if "additionalProperties" in schema:  # it has been said
                return
            schema["additionalProperties"] = False
        for part in schema.get("properties", {}).values():
            _refuse_unknown(part, schemas)
        for key in ("items", "oneOf", "anyOf", "allOf", "additionalProperties"):
            _refuse_unknown(schema.get(key), schemas)


def _complete(method: str, operation: dict[str, Any]) -> None:
    parameters = operation.setdefault("parameters", [])
    own = {parameter.get("name", "").lower() for parameter in parameters}
    responses = operation["responses"]
    operation["security"] = [{"token": []}, {"session": []}]
    if method == "get":
        if "if-none-match" not in own:  # else the operation has described it itself
            parameters.append(_IF_NONE_MATCH)
        responses.setdefault("304", {"description": "Not Modified", "headers": {"ETag": _ETAG}})
        for status, response in responses.items():
            if status == "200":
                response.setdefault("headers", {}).setdefault("ETag", _ETAG)
    if method == "post":
        if "idempotency-key" not in own:
            parameters.append(_IDEMPOTENCY_KEY)
        responses.setdefault("409", {"description": "Conflict", "content": _PROBLEM})
        responses.setdefault("422", {"description": "Unprocessable Entity", "content": _PROBLEM})
    responses["429"] = {
        "description": "Too Many Requests",
        "headers": {"Retry-After": _RETRY},
        "content": _PROBLEM,
    }


# --------------------------------------------------------------------------- examples


def _exemplify(operation: dict[str, Any], schemas: dict[str, Any]) -> None:
    """Give bodies examples, put together from those of their fields."""
    bodies = [operation.get("requestBody", {}).get("content", {})]
    bodies += [response.get("content", {}) for response in operation["responses"].values()]
    for content in bodies:
        for media_type, said in content.items():
            if "json" in media_type and "schema" in said and not {"example", "examples"} & said.keys():
                said["examples"] = {"example": {"value": example_of(said["schema"], schemas)}}


def example_of(schema: dict[str, Any], schemas: dict[str, Any], seen: tuple[str, ...] = ()) -> Any:
    """Return an example that fits a schema: its own if it has one, else one made of its parts."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[-1]
        return {} if name in seen else example_of(schemas[name], schemas, (*seen, name))
    for key in ("examples", "example", "const", "default", "enum"):
        if key in schema and schema[key] not in ([], {}):
            given = schema[key]
            return given[0] if key in ("examples", "enum") and isinstance(given, list) else given
    for key in ("oneOf", "anyOf", "allOf"):
        if key in schema:
            return example_of(
                next((s for s in schema[key] if s.get("type") != "null"), schema[key][0]), schemas, seen
            )
    kind = schema.get("type")
    if isinstance(kind, list):
        kind = next((k for k in kind if k != "null"), "null")
    if kind == "object" or "properties" in schema:
        needed = schema.get("required", ())
        return {
            name: example_of(part, schemas, seen)
            for name, part in schema.get("properties", {}).items()
            if name in needed
        }
    return _plain(kind, schema, schemas, seen)


_FORMATS = {
    "date-time": "2026-09-14T06:00:00Z",
    "date": "2026-09-14",
    "uri": "https://farm.example/hook",
    "uuid": "0b0e7a52-6d5c-4c0b-9c0e-6f1f5a4f7d10",
}


def _plain(kind: str | None, schema: dict[str, Any], schemas: dict[str, Any], seen: tuple[str, ...]) -> Any:
    if kind == "array":
        items = schema.get("items", {})
        few = schema.get("minItems", 1)
        return [example_of(items, schemas, seen) for _ in range(max(1, few))] if items else []
    if kind == "string":
        return _FORMATS.get(schema.get("format", ""), "text")
    if kind in ("integer", "number"):
        low = schema.get("minimum", schema.get("exclusiveMinimum", 0) + 1)
        return max(low, 1) if schema.get("maximum", 1) >= 1 else low
    return {"boolean": True, "null": None}.get(kind or "", {})
