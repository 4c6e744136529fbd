"""The description is what the API does: requests generated from all of it, and a client generated from it.

Where EVENLEAF_TEST_WHOLE is set, it goes on for ten minutes a database and in sequences; else for half a minute.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.clock import FixedClock, SystemClock
from service.records.store import Store
from service.work.access import SYSTEM, create_token
from service.work.places import create_farm
from tests.conftest import GIVEN, run_apart
from tests.unit.test_cli import free_port

WHOLE = bool(GIVEN.get("EVENLEAF_TEST_WHOLE"))
SECONDS = 600 if WHOLE else 30
PHASES = "examples,coverage,fuzzing,stateful" if WHOLE else "examples,coverage,fuzzing"

# Well-formed and yet it cannot be (422), clashes with what is there (409), or was changed meanwhile (412): what a
# schema cannot say. That they are described is checked all the same.
CONFIG = """
[checks.positive_data_acceptance]
expected-statuses = ["2xx", "304", "401", "403", "404", "409", "412", "422"]

[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "409", "412", "415", "422", "429"]
"""

# What the generator is told to take as bytes or text.
BYTES = """
content_type_overrides:
  text/csv: application/octet-stream
  image/svg+xml: text/html
  image/jpeg: application/octet-stream
  image/png: application/octet-stream
  image/webp: application/octet-stream
  "image/*": application/octet-stream
  application/pdf: application/octet-stream
  application/vnd.openxmlformats-officedocument.spreadsheetml.sheet: application/octet-stream
"""


async def prepared(url: str) -> str:
    """Make a farm and a token whose id nobody comes upon, or it would be revoked on the way."""
    store = Store.open(url)
    try:
        async with store.write() as uow:
            await create_farm(uow, SystemClock(), SYSTEM, {"name": "Alder Farm"})
            token, secret = await create_token(uow, SystemClock(), SYSTEM, "tester", ["admin"], None)
            token.id = 987654321
        return secret
    finally:
        await store.close()


@contextlib.contextmanager
def served(url: str) -> Iterator[str]:
    """Have the API served by a process of its own; yields where."""
    port = free_port()
    code = (
        "import asyncio, uvicorn\n"
        "from service.app import create_app\n"
        "from service.clock import SystemClock\n"
        "from service.records.store import Store\n"
        "from service.settings import Settings\n"
        f"app = create_app(Store.open({url!r}), SystemClock(), Settings(requests_per_minute=0))\n"
        f"uvicorn.run(app, port={port}, log_level='warning')\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    try:
        deadline = time.monotonic() + 90.0
        while True:
            with contextlib.suppress(httpx.TransportError):
                if httpx.get(f"http://127.0.0.1:{port}/health", timeout=20.0).status_code == 200:
                    break
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.kill()
        process.communicate()


@pytest.mark.slow
def test_every_generated_request_is_answered_as_described(database_url: str, tmp_path: Path) -> None:
    secret = run_apart(prepared(database_url))
    (tmp_path / "schemathesis.toml").write_text(CONFIG)
    with served(database_url) as base:
        done = subprocess.run(
            [
                *(str(Path(sys.executable).with_name("schemathesis")), "--config-file", "schemathesis.toml"),
                *("run", f"{base}/docs/openapi.json", "-H", f"Authorization: Bearer {secret}"),
                *("--checks", "all", "--phases", PHASES, "--max-time", str(SECONDS)),
                *("--max-examples", "200" if WHOLE else "2", "--no-shrink", "--continue-on-failure"),
                *("--generation-deterministic", "--suppress-health-check", "all", "--warnings", "off"),
            ],
            cwd=tmp_path,
            env={**os.environ, "NO_COLOR": "1"},
            capture_output=True,
            text=True,
            check=False,
            timeout=10 * SECONDS,
        )
    assert done.returncode == 0, done.stdout[-60000:] + done.stderr[-2000:]


@pytest.fixture
def client_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Return a function that generates a typed client from a description and imports it."""

    def generate(description: dict[str, Any]) -> Any:
        file = tmp_path / "openapi.json"
        file.write_text(json.dumps(description))
        config = tmp_path / "config.yml"
        config.write_text(BYTES)
        subprocess.run(
            [
                *(str(Path(sys.executable).with_name("openapi-python-client")), "generate", "--meta", "none"),
                *(
                    "--path",
                    str(file),
                    "--config",
                    str(config),
                    "--output-path",
                    str(tmp_path / "grower_client"),
                ),
                "--fail-on-warning",
            ],
            check=True,
            capture_output=True,
            text=True,
            timeout=240,
        )
        monkeypatch.syspath_prepend(str(tmp_path))
        return importlib.import_module("grower_client")

    return generate


async def test_a_client_generated_from_the_description_works(
    sqlite_url: str, client_package: Any, clock: FixedClock
) -> None:
    secret = await prepared(sqlite_url)

    def use() -> None:
        with served(sqlite_url) as base:
            package = client_package(httpx.get(f"{base}/docs/openapi.json", timeout=60.0).json())
            models = importlib.import_module("grower_client.models")
            api = "grower_client.api"
            list_farms = importlib.import_module(f"{api}.places.list_farms")
            create_house = importlib.import_module(f"{api}.places.create_house")
            get_line = importlib.import_module(f"{api}.house.get_line")
            with package.AuthenticatedClient(
                base_url=base, token=secret, timeout=httpx.Timeout(60.0)
            ) as client:
                farms = list_farms.sync(client=client)
                assert [farm.name for farm in farms.items] == ["Alder Farm"]
                body = models.HouseNew(
                    farm_id=farms.items[0].id,
                    name="North house",
                    code="N1",
                    latitude_deg=52.1,
                    longitude_deg=5.2,
                    time_zone="Europe/Amsterdam",
                )
                house = create_house.sync(client=client, body=body)
                assert (house.code, house.latitude_deg) == ("N1", 52.1)
                line = get_line.sync(house.id, client=client)
                assert (line.house.name, line.batches) == ("North house", [])
                refused = create_house.sync(client=client, body=body)
                assert isinstance(refused, models.Problem)
                assert refused.status == 409

    await asyncio.to_thread(use)
