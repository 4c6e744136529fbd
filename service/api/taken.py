"""What an operation takes: the names in its query, what clients call its fields, and the words some may hold."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal, get_args, get_origin

from litestar.enums import ParamType
from litestar.handlers import BaseRouteHandler
from litestar.params import ParameterKwarg
from litestar.typing import FieldDefinition
from msgspec.inspect import CollectionType, Metadata, StructType, Type, UnionType, type_info

inspected = cache(type_info)
"""Return what msgspec makes of a type."""


@dataclass(frozen=True)
class Taken:
    """What one operation takes."""

    query: tuple[str, ...]
    """Names in the query."""
    needed: tuple[str, ...]
    """Those that must be there."""
    names: Mapping[str, str]
    """What each parameter, of query or header, is called by clients, by what the code calls it."""
    fields: Mapping[str, str]
    """What clients call each parameter and each field of the body, by what the code calls it, where that differs."""
    words: Mapping[str, tuple[str, ...]]
    """The words that a parameter may be, where it may not be any, by what the code calls it."""


@cache
def taken_by(handler: BaseRouteHandler) -> Taken:
    """Return what an operation takes, its dependencies included."""
    fields = dict(_parameters(handler, handler.parsed_fn_signature.parameters))
    query = {name: field for name, field in fields.items() if _of(field).param_type is ParamType.QUERY}
    names = {name: _of(field).name or name for name, field in fields.items()}
    return Taken(
        query=tuple(names[name] for name in query),
        needed=tuple(names[n] for n, f in query.items() if f.is_required and not f.is_optional),
        names=names,
        fields={n: said for n, said in (*names.items(), *_fields_of_body(handler)) if n != said},
        words={name: words for name, field in fields.items() if (words := _words(field.annotation))},
    )


def _parameters(
    handler: BaseRouteHandler, fields: Mapping[str, FieldDefinition]
) -> Iterator[tuple[str, FieldDefinition]]:
    providers = handler.resolve_dependencies()
    for name, field in fields.items():
        if name in providers:
            yield from _parameters(handler, providers[name].parsed_fn_signature.parameters)
        elif isinstance(field.kwarg_definition, ParameterKwarg):
            yield name, field


def _fields_of_body(handler: BaseRouteHandler) -> Iterator[tuple[str, str]]:
    body = handler.parsed_data_field
    if body is not None:
        yield from _fields(inspected(body.annotation))


def _fields(kind: Type) -> Iterator[tuple[str, str]]:
    """Yield the fields of Structs, at any depth."""
    match kind:
        case StructType(fields=fields):
            for field in fields:
                yield field.name, field.encode_name
                yield from _fields(field.type)
        case Metadata(type=inner) | CollectionType(item_type=inner):
            yield from _fields(inner)
        case UnionType(types=types):
            for one in types:
                yield from _fields(one)
        case _:
            pass


def _of(field: FieldDefinition) -> ParameterKwarg:
    said = field.kwarg_definition
    assert isinstance(said, ParameterKwarg)  # noqa: S101 - only those are listed
    return said


def _words(annotation: Any) -> tuple[str, ...]:
    """Return the words of a Literal, also of one that may be left out or given several times."""
    if get_origin(annotation) is Literal:
        return tuple(map(str, get_args(annotation)))
    return next(filter(None, map(_words, get_args(annotation))), ())
