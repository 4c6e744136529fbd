"""Pages of the reference, made from the program itself whenever the documents are built (a hook of mkdocs)."""

from __future__ import annotations

import argparse
import ast
import json
import re
import sys
import tomllib
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from mkdocs.structure.files import File, Files  # noqa: E402


def on_files(files: Files, config: Any) -> Files:
    """Add the generated pages."""
    for name, page in PAGES.items():
        files.append(File.generated(config, f"reference/{name}.md", content="\n".join(page()) + "\n"))
    return files


# In the repository the documents link to what these pages are made from.
MADE_FROM = {
    "../README.md#bring-the-past-of-a-house": "csv",
    "../service/metrics.py": "metrics",
    "../service/agronomy/crops": "crops",
    "../service/agronomy": "agronomy",
}


def on_page_markdown(markdown: str, **_more: Any) -> str:
    """Link to the generated pages instead."""
    for made_from, name in MADE_FROM.items():
        markdown = markdown.replace(f"]({made_from})", f"](reference/{name}.md)")
    return markdown


def cell(text: object) -> str:
    """Return text that stays in its cell of a table."""
    return re.sub(r"\s+", " ", str(text)).replace("|", "\\|").strip()


def table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> list[str]:
    """Return a table."""
    lines = [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    return [*lines, *(f"| {' | '.join(cell(value) for value in row)} |" for row in rows), ""]


def prose(docstring: str) -> str:
    """Return a docstring as Markdown: roles and double quotes of code to plain ones, footnotes to numbers."""
    text = re.sub(r":(?:func|class|mod|data|attr):`[~]?([^`]*)`", r"`\1`", docstring)
    text = re.sub(r":math:`([^`]*)`", r"`\1`", text).replace("``", "`")
    text = re.sub(r"\.\. math::(?: *(\S.*))?", r"\1\n", text)
    text = re.sub(r"(?m)^\.\. \[(\d+)\]", r"\1.", text)
    text = re.sub(r"\[(\d+)\]_", r"[\1]", text)
    return re.sub(r"(?m)^([A-Z][A-Za-z ]+)\n-{3,}$", r"**\1**\n", text)


# --------------------------------------------------------------------------- settings and commands


def settings() -> Iterator[str]:
    """Yield the page of settings."""
    tree = ast.parse((ROOT / "service" / "settings.py").read_text("utf-8"))
    body = next(n for n in tree.body if isinstance(n, ast.ClassDef) and n.name == "Settings").body
    rows: list[tuple[object, ...]] = []
    for field, said in pairwise(body):
        if isinstance(field, ast.AnnAssign) and isinstance(said, ast.Expr):
            name = ast.unparse(field.target)
            default = ast.unparse(field.value) if field.value else ""
            default = re.sub(r"^Path\((.*)\)$", r"\1", default).strip("'\"")
            rows.append(
                (
                    f"`EVENLEAF_{name.upper()}`",
                    f"`{default}`" if default else "",
                    prose(ast.literal_eval(said.value)),
                )
            )
    yield from (
        "# Settings",
        "",
        "Environment variables, or keys of a TOML file (`evenleaf --config FILE`, or `EVENLEAF_CONFIG`) in lower case",
        "without the first part. The environment wins. A setting that is unknown or wrong stops the start with a",
        "sentence that names it.",
        "",
    )
    yield from table(("setting", "unless said otherwise", "what it is"), rows)


def commands() -> Iterator[str]:
    """Yield the page of commands."""
    from service.cli import _parser

    yield from ("# Commands", "", "Exit codes: 0 done, 1 failed, 2 wrong use or a wrong setting.", "")
    parser = _parser()
    yield from _command(parser, "evenleaf", 2)


def _command(parser: argparse.ArgumentParser, name: str, depth: int) -> Iterator[str]:
    parser.formatter_class = lambda prog: argparse.HelpFormatter(prog, width=100)
    yield from (f"{'#' * depth} {name}", "", "```", parser.format_help().rstrip(), "```", "")
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for sub, more in action.choices.items():
                yield from _command(more, f"{name} {sub}", min(depth + 1, 4))


# --------------------------------------------------------------------------- the API


def api() -> Iterator[str]:
    """Yield the page of the API."""
    from service.app import create_app
    from service.clock import SystemClock
    from service.records.store import Store
    from service.settings import Settings

    app = create_app(Store.open("sqlite+aiosqlite:///:memory:"), SystemClock(), Settings())
    described: Mapping[str, Any] = json.loads(json.dumps(app.openapi_schema.to_schema()))
    yield from (
        "# The API",
        "",
        "Every operation by its resource. A running service shows the same with schemas and examples at `/docs`, and",
        "as OpenAPI 3.1 at `/docs/openapi.json`; what holds for all is said in [How to integrate](../integrating.md).",
        "",
    )
    by_tag: dict[str, list[tuple[str, str, Mapping[str, Any]]]] = {}
    for path, item in described["paths"].items():
        for method, operation in item.items():
            if method in {"get", "post", "put", "patch", "delete"}:
                tag = (operation.get("tags") or ["Others"])[0]
                by_tag.setdefault(tag, []).append((path, method.upper(), operation))
    schemas = described["components"]["schemas"]
    for tag in sorted(by_tag):
        yield from (f"## {tag}", "")
        for path, method, operation in by_tag[tag]:
            said = operation.get("description") or operation.get("summary") or ""
            yield from (f"### `{method} {path}`", "", prose(said), "")
            rows: list[tuple[object, ...]] = [
                (f"`{p['name']}`", p["in"], "yes" if p.get("required") else "", p.get("description", ""))
                for p in operation.get("parameters", [])
            ]
            body = (
                operation.get("requestBody", {})
                .get("content", {})
                .get("application/json", {})
                .get("schema", {})
            )
            own = schemas.get(body.get("$ref", "").rpartition("/")[2], body)
            needed = set(own.get("required", []))
            for name, field in own.get("properties", {}).items():
                rows.append((f"`{name}`", "body", "yes" if name in needed else "", _field(field, schemas)))
            if rows:
                yield from table(("name", "in", "needed", "what it is"), rows)


def _field(field: Mapping[str, Any], schemas: Mapping[str, Any]) -> str:
    if field.get("description"):
        return str(field["description"])
    for one in (field, *field.get("oneOf", []), *field.get("anyOf", [])):
        if one.get("description"):
            return str(one["description"])
        if named := schemas.get(one.get("$ref", "").rpartition("/")[2]):
            return str(named.get("description", ""))
    return ""


# --------------------------------------------------------------------------- MQTT, CSV, metrics


def mqtt() -> Iterator[str]:
    """Yield the page of MQTT topics, quantities and units."""
    from service.work.notices_retained import FIRST_PART
    from service.work.quantities import QUANTITIES, SAMPLINGS
    from service.work.sensors import HOUSE_TOPIC, ZONE_TOPIC

    yield from ("# MQTT", "", "## In", "")
    yield from (
        "A sensor listens to one topic; its template is filled in when the sensor is made. Publish with QoS 1. Shapes",
        "of payloads, and what becomes of what cannot be read, are in the README, *Sensors*.",
        "",
    )
    rows: list[tuple[object, ...]] = [
        ("a sensor in a zone", f"`{ZONE_TOPIC}`"),
        ("a sensor without a zone", f"`{HOUSE_TOPIC}`"),
        ("a weather forecast", "`evenleaf/{house}/weather-forecast`"),
    ]
    yield from table(("who", "topic, unless said otherwise"), rows)
    yield from ("### Quantities", "")
    found: list[tuple[object, ...]] = [
        (
            f"`{q.name}`",
            q.label,
            q.unit,
            f"{q.low:g} to {q.high:g}",
            ", ".join(f"`{unit}`" for unit in q.units),
        )
        for q in QUANTITIES.values()
    ]
    yield from table(("quantity", "what", "kept in", "plausible", "units of payloads"), found)
    ways = ", ".join(f"`{way}`" for way in SAMPLINGS)
    yield from (
        f"Ways of sampling: {ways}; what each means for an hour is in [the science](agronomy.md#sampling).",
        "",
    )
    yield from (
        "## Out",
        "",
        "Retained, for a receiver of the kind `mqtt`; an empty message clears a topic.",
        "",
    )
    out: list[tuple[object, ...]] = [
        (f"`{FIRST_PART}/{{farm id}}/{{house code}}/{name}`", what)
        for name, what in (
            ("forecast", "the newest forecast of every batch"),
            ("advice/{succession id}", "the advice in force"),
            ("alerts", "alerts that are open"),
        )
    ]
    yield from table(("topic", "what it holds"), out)


def csv() -> Iterator[str]:
    """Yield the page of CSV files."""
    from service.work.imports import batches, orders

    yield from (
        "# CSV files",
        "",
        "UTF-8, a header first. `evenleaf import KIND FILE --house CODE`, with `--dry-run` to see every fault with its",
        "line and store nothing. A file is stored whole or not at all.",
        "",
    )
    yield from ("## Readings", "")
    yield from table(
        ("form", "columns"),
        [
            ("long", "`sensor`, `time`, `value`: the sensor by name, topic or id"),
            ("wide", "`time`, and one column a sensor"),
        ],
    )
    for title, module in (("Batches", batches), ("Orders", orders)):
        yield from (
            f"## {title}",
            "",
            prose(ast.get_docstring(ast.parse(Path(module.__file__).read_text("utf-8"))) or ""),
            "",
        )
        needed = ", ".join(f"`{name}`" for name in module._REQUIRED)
        others = ", ".join(f"`{name}`" for name in module._OPTIONAL)
        yield from table(("columns", ""), [("needed", needed), ("as the row needs", others)])


def metrics() -> Iterator[str]:
    """Yield the page of metrics."""
    from ingest.metrics import Tally
    from service.metrics import Metrics

    yield from (
        "# Metrics",
        "",
        "In the OpenMetrics text format. How to reach them: [Operating](../operating.md#metrics).",
        "",
    )
    for title, found in (("The service", Metrics().registry.collect()), ("The ingest", Tally().collect())):
        rows: list[tuple[object, ...]] = [
            (f"`{m.name}{'_total' if m.type == 'counter' else ''}`", m.type, m.documentation) for m in found
        ]
        yield from (f"## {title}", "")
        yield from table(("metric", "kind", "what it says"), rows)


# --------------------------------------------------------------------------- the science


def crops() -> Iterator[str]:
    """Yield the page of crop values."""
    yield from (
        "# Crops and their values",
        "",
        "Every value a forecast starts from, with its source. *Assumed* and *common practice* mean that there is none;",
        "what a farm counts and weighs corrects the two that matter most, the rates of leaves and of growth.",
        "",
    )
    for file in sorted((ROOT / "service" / "agronomy" / "crops").glob("*.toml")):
        values = tomllib.loads(file.read_text("utf-8"))
        yield from (f"## {file.stem.capitalize()}", "", f"*{values.pop('species')}*", "")
        rows: list[tuple[object, ...]] = [(f"`{k}`", v["value"], v["source"]) for k, v in values.items()]
        yield from table(("value", "", "source"), rows)


def agronomy() -> Iterator[str]:
    """Yield the page of what each module of the science says of itself."""
    yield from (
        "# The science in the code",
        "",
        "What each module of `service/agronomy` says of itself, and what its functions give. The way in is",
        "[the science](../science.md).",
        "",
    )
    for file in sorted((ROOT / "service" / "agronomy").glob("*.py")):
        if file.stem == "__init__":
            continue
        tree = ast.parse(file.read_text("utf-8"))
        yield from (
            f"## {file.stem.replace('_', ' ').capitalize()}",
            "",
            prose(ast.get_docstring(tree) or ""),
            "",
        )
        rows: list[tuple[object, ...]] = []
        for node in tree.body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                first = (ast.get_docstring(node) or "").split("\n\n")[0]
                rows.append((f"`{node.name}`", prose(first)))
        if rows:
            yield from table(("name", "what it is"), rows)


PAGES: dict[str, Callable[[], Iterator[str]]] = {
    "settings": settings,
    "commands": commands,
    "api": api,
    "mqtt": mqtt,
    "csv": csv,
    "metrics": metrics,
    "crops": crops,
    "agronomy": agronomy,
}
