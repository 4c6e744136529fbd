"""How bodies are shaped and read: strictly, in one pass from their bytes, unknown fields refused."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, TypeGuard, TypeVar

import msgspec
import msgspec.inspect
from litestar.dto import AbstractDTO, DTOFieldDefinition
from litestar.openapi.spec import Reference, Schema
from litestar.typing import FieldDefinition
from msgspec import UNSET, Meta

from service.api.problems import FieldError, RequestFault, with_words
from service.api.taken import inspected

StructT = TypeVar("StructT", bound=msgspec.Struct)
PageT = TypeVar("PageT", bound="Page")


class Body(msgspec.Struct, kw_only=True, rename="camel", forbid_unknown_fields=True):
    """Something sent by a client."""

    def given(self) -> dict[str, Any]:
        """Return the fields that were given, by their snake_case names."""
        return {
            name: [v.given() for v in value] if _are_bodies(value) else value
            for name in self.__struct_fields__
            if (value := getattr(self, name)) is not UNSET
        }


def _are_bodies(value: object) -> TypeGuard[list[Body]]:
    return isinstance(value, list) and all(isinstance(v, Body) for v in value)


class View(msgspec.Struct, kw_only=True, rename="camel"):
    """Something shown to a client."""


class Page(View):
    """A part of a list; the lists' own pages say of what."""

    items: list[Any]
    next: Annotated[int | None, Meta(description="`after` of the following page; null: none is left.")]


def view(kind: type[StructT], row: object) -> StructT:
    """Return the view of a table row: the columns that the view names."""
    return msgspec.convert(row, kind, from_attributes=True)


def page(kind: type[PageT], rows: tuple[Sequence[object], int | None]) -> PageT:
    """Return a page of views of rows, and the id to go on after."""
    return msgspec.convert({"items": rows[0], "next": rows[1]}, kind, from_attributes=True)


class StrictJson(AbstractDTO[Any]):
    """Reads a body as its Struct.

    Litestar's own way goes through builtins and converts leniently: a text "NaN" would pass for a number.
    """

    model_type = object

    def decode_bytes(self, value: bytes) -> Any:
        """Return the Struct that the operation takes; say where the body differs from it."""
        field = self.asgi_connection.route_handler.parsed_data_field
        assert field is not None  # noqa: S101 - only operations that take a body are given one
        try:
            return msgspec.json.decode(value, type=field.annotation)
        except msgspec.ValidationError as error:
            raise RequestFault(_located(str(error), field.annotation)) from None
        except (msgspec.DecodeError, UnicodeDecodeError) as error:
            raise RequestFault(FieldError(field="", problem=f"The body is not JSON: {error}")) from None

    @classmethod
    def create_for_field_definition(
        cls, field_definition: FieldDefinition, handler_id: str, backend_cls: Any = None
    ) -> None:
        """Do nothing: the Struct itself is the model."""

    @classmethod
    def create_openapi_schema(
        cls,
        field_definition: FieldDefinition,
        handler_id: str,  # noqa: ARG003 - the base class's signature
        schema_creator: Any,
    ) -> Reference | Schema:
        """Describe the Struct."""
        schema: Reference | Schema = schema_creator.for_field_definition(field_definition)
        return schema

    @classmethod
    def generate_field_definitions(cls, model_type: type[Any]) -> Iterator[DTOFieldDefinition]:  # type: ignore[override] # noqa: ARG003
        """Name no fields: nothing is transferred between models."""
        yield from ()

    @classmethod
    def detect_nested_field(cls, field_definition: FieldDefinition) -> bool:  # noqa: ARG003
        """Say that nothing is nested: nothing is transferred between models."""
        return False


_AT = re.compile(r"^(?P<problem>.*?)(?: - at `(?P<path>\$[^`]*)`)?$", re.DOTALL)
_NAMED = re.compile(r"(?:missing required field|contains unknown field) `(?P<name>[^`]*)`")


def _located(message: str, kind: Any) -> FieldError:
    """Return the error of a msgspec message such as "Expected `int` <= 7 - at `$.days[1]`"."""
    found = _AT.match(message)
    problem, path = (found["problem"], found["path"] or "$") if found else (message, "$")
    steps = [step for step in re.split(r"[.\[\]]+", path.removeprefix("$")) if step]
    problem = with_words(problem, _words_at(inspected(kind), steps))
    if named := _NAMED.search(problem):
        steps.append(named["name"].replace("~", "~0").replace("/", "~1"))
    return FieldError(field="".join(f"/{step}" for step in steps), problem=problem)


def _words_at(kind: msgspec.inspect.Type, steps: Sequence[str]) -> tuple[str, ...]:
    """Return the words that may stand at a place in a body; none: there it is not words that are wanted."""
    match kind:
        case msgspec.inspect.Metadata(type=inner):
            return _words_at(inner, steps)
        case msgspec.inspect.UnionType(types=types):
            return next(filter(None, (_words_at(one, steps) for one in types)), ())
        case msgspec.inspect.LiteralType(values=values) if not steps:
            return tuple(map(str, values))
        case _:
            part = _part(kind, steps[0]) if steps else None
            return _words_at(part, steps[1:]) if part else ()


def _part(kind: msgspec.inspect.Type, step: str) -> msgspec.inspect.Type | None:
    match kind:
        case msgspec.inspect.StructType(fields=fields):
            return next((field.type for field in fields if field.encode_name == step), None)
        case msgspec.inspect.CollectionType(item_type=item):
            return item
        case _:
            return None
