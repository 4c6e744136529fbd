"""The page that shows the API needs no other host, and what it shows is valid."""

from __future__ import annotations

import hashlib
import re
from collections.abc import AsyncIterator, Iterator
from typing import Any
from urllib.parse import urljoin

import httpx
import pytest
from openapi_spec_validator import validate

from service.api.bodies import Body
from service.api.docs import VENDOR
from service.app import create_app
from service.clock import FixedClock
from service.records.store import Store
from service.settings import Settings
from tests.api.conftest import running


@pytest.fixture
async def browser(sqlite_store: Store, clock: FixedClock) -> AsyncIterator[httpx.AsyncClient]:
    """Have a client without a token; the database does not matter here."""
    app = create_app(sqlite_store, clock, Settings())
    transport = httpx.ASGITransport(app=app)
    async with running(app), httpx.AsyncClient(transport=transport, base_url="http://test") as client:
        yield client


@pytest.fixture
async def description(browser: httpx.AsyncClient) -> dict[str, Any]:
    """Return the API's description."""
    answer = await browser.get("/docs/openapi.json")
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    return found


async def test_the_page_is_made_of_local_files(browser: httpx.AsyncClient) -> None:
    page = await browser.get("/docs")
    assert page.status_code == 200
    assert page.headers["content-type"].startswith("text/html")
    start = (await browser.get("/docs/start.js")).text
    assert not re.search(r"//|https?:", page.text + start)

    links = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert len(links) == 4
    for link in links:
        answer = await browser.get(urljoin("/docs", link))
        assert answer.status_code == 200, link
        assert answer.content
    vendored = await browser.get(next(link for link in links if link.endswith("bundle.js")))
    assert vendored.headers["cache-control"] == "max-age=31536000, public, immutable"


async def test_the_browser_is_told_to_ask_no_other_host(browser: httpx.AsyncClient) -> None:
    policy = dict(
        part.strip().split(" ", 1)
        for part in (await browser.get("/docs")).headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["connect-src"] == "'self'"
    assert "http" not in str(policy)


def test_vendored_files_are_untouched() -> None:
    readme = (VENDOR / "README.md").read_text(encoding="utf-8")
    sums = dict(
        reversed(line.split("  ")) for line in re.findall(r"^[0-9a-f]{64}  \S+$", readme, re.MULTILINE)
    )
    files = {str(f.relative_to(VENDOR)): f for f in VENDOR.rglob("*") if f.is_file() and f.parent != VENDOR}
    assert files.keys() == sums.keys()
    assert {name: hashlib.sha256(f.read_bytes()).hexdigest() for name, f in files.items()} == sums


def test_the_description_is_valid(description: dict[str, Any]) -> None:
    validate(description)
    assert description["openapi"].startswith("3.1")


def test_every_operation_says_what_it_is(description: dict[str, Any]) -> None:
    operations = [
        (path, method, operation)
        for path, methods in description["paths"].items()
        for method, operation in methods.items()
    ]
    assert len(operations) >= 45
    names = [operation["operationId"] for _, _, operation in operations]
    assert len(set(names)) == len(names)
    tags = {tag["name"] for tag in description["tags"]}
    for path, method, operation in operations:
        said = f"{method} {path}"
        assert operation["description"], said
        assert set(operation["tags"]) <= tags, said
        if path.startswith("/health") or path == "/calendars/{file}":  # take no token
            continue
        assert operation["security"] == [{"token": []}, {"session": []}], said
        errors = {status: r for status, r in operation["responses"].items() if status >= "4"}
        assert {"400", "401", "403", "429"} <= errors.keys(), said
        for response in errors.values():
            assert list(response["content"]) == ["application/problem+json"], said


def test_bodies_alone_are_described_to_refuse_unknown_fields(description: dict[str, Any]) -> None:
    def bodies(kind: type[Body]) -> Iterator[str]:
        for below in kind.__subclasses__():
            yield below.__name__
            yield from bodies(below)

    schemas = description["components"]["schemas"]
    strict = {name for name, schema in schemas.items() if schema.get("additionalProperties") is False}
    assert strict == {name for name in bodies(Body) if name in schemas}
    assert len(strict) > 60


def test_a_body_is_described_in_camel_case_with_units(description: dict[str, Any]) -> None:
    house = description["components"]["schemas"]["HouseNew"]
    assert {"farmId", "latitudeDeg", "co2Ppm", "lampPpfdUmol"} <= house["properties"].keys()
    assert "°C" in house["properties"]["tempVentC"]["description"]
    assert set(house["required"]) == {"farmId", "name", "code", "latitudeDeg", "longitudeDeg", "timeZone"}
    for name in description["components"]["schemas"]:
        assert re.fullmatch(r"[A-Z][A-Za-z]+", name)
