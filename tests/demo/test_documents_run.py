"""What the documents tell one to type does what they say: the README's first house, the tutorial, the integration."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from tests.services import free_port

ROOT = Path(__file__).parents[2]
SERVED = "127.0.0.1:8717"


def blocks(document: str) -> list[str]:
    """Return what a document gives to a shell."""
    return re.findall(r"```sh\n(.*?)```", (ROOT / document).read_text("utf-8"), flags=re.DOTALL)


class Machine:
    """A machine with ``evenleaf`` on its path and its service running, on ports of its own."""

    def __init__(self, folder: Path) -> None:
        self.port, self.mqtt = free_port(), free_port()
        self.folder = folder
        programs = folder / "bin"
        programs.mkdir()
        for name, module in (("evenleaf", "-m service.cli"), ("python", "")):
            program = programs / name
            program.write_text(f'#!/bin/sh\nexec {sys.executable} {module} "$@"\n')
            program.chmod(0o755)
        kept = {k: v for k, v in os.environ.items() if not k.startswith("EVENLEAF_")}
        self.environment = {
            **kept,
            "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}",
            "PYTHONPATH": str(ROOT),
            "EVENLEAF_DATA_DIR": str(folder / "data"),
            "EVENLEAF_PORT": str(self.port),
            "EVENLEAF_MQTT_BIND": f"127.0.0.1:{self.mqtt}",
        }

    def run(self, script: str, cwd: Path | None = None, **more: str) -> str:
        """Run what a document says, with the ports that are free here; return what it printed."""
        said = script.replace(SERVED, f"127.0.0.1:{self.port}").replace("-p 1883", f"-p {self.mqtt}")
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", said],
            cwd=cwd or self.folder,
            env={**self.environment, **more},
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Machine, str]]:
    """Have the service that the tutorial starts; returns the token it printed, too."""
    if not all(shutil.which(name) for name in ("bash", "curl", "mosquitto_pub", "mosquitto")):
        pytest.skip("bash, curl and mosquitto with its clients are not all installed here")
    there = Machine(tmp_path_factory.mktemp("machine"))
    assert blocks("docs/tutorial.md")[1] == "evenleaf serve\n"
    out = there.folder / "out"
    with out.open("wb") as printed:
        serving = subprocess.Popen(
            ["bash", "-c", "exec evenleaf serve"], env=there.environment, stdout=printed, cwd=there.folder
        )
    try:
        deadline = time.monotonic() + 60
        while "Evenleaf serves" not in out.read_text("utf-8"):
            assert serving.poll() is None, "it ended"
            assert time.monotonic() < deadline, "it does not serve"
            time.sleep(0.1)
        found = re.search(r"First token, shown once \(all rights\): (\S+)", out.read_text("utf-8"))
        assert found is not None
        yield there, found.group(1)
    finally:
        serving.terminate()
        assert serving.wait(30) == 0


def test_the_first_house_the_tutorial_and_the_dashboard(machine: tuple[Machine, str]) -> None:
    there, token = machine
    (house,) = (block for block in blocks("README.md") if block.startswith("api()"))
    some_days_ago = (datetime.now(UTC) - timedelta(days=5)).date().isoformat()  # the README's day grows old
    answers = there.run(re.sub(r"(?<=\"seededOn\": \")[0-9-]+", some_days_ago, house), TOKEN=token)
    assert '"errors"' not in answers, answers
    assert '"transplant":{"p10":"20' in answers, "its last command shows dates"

    published, imported = blocks("docs/tutorial.md")[2:4]
    there.run(published)
    with httpx.Client(
        base_url=f"http://127.0.0.1:{there.port}/v1", headers={"Authorization": f"Bearer {token}"}, timeout=30
    ) as api:
        sensors = {s["quantity"]: s["id"] for s in api.get("/sensors").json()["items"]}
        newest: dict[str, float] = {}
        deadline = time.monotonic() + 20
        while newest != {"temp_air_c": 21.4, "ppfd_umol": 180.0}:
            assert time.monotonic() < deadline, newest
            for name, sensor_id in sensors.items():
                items = api.get(f"/sensors/{sensor_id}/readings").json()["items"]
                if items:
                    newest[name] = items[-1]["value"]
            time.sleep(0.2)

    past = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=2)
    lines = [f"air,{(past + timedelta(hours=n)).isoformat()},20.{n}" for n in range(5)]
    (there.folder / "past-readings.csv").write_text("\n".join(["sensor,time,value", *lines]) + "\n")
    assert "5 rows: 5 would be new" in there.run(imported.splitlines()[0])
    assert "5 rows" in there.run(imported.splitlines()[1])

    told = there.run('evenleaf token "wall screen" --scope read --farm 1')
    assert (
        '`evenleaf token "wall screen" --scope read --farm 1`'
        in (ROOT / "docs" / "integrating.md").read_text()
    )
    (board,) = blocks("docs/integrating.md")
    script = board.replace("EVENLEAF_TOKEN=... ", "")
    shown = there.run(script, cwd=ROOT, EVENLEAF_TOKEN=told.split()[-1])
    assert shown.startswith("North house: 1 batches; next ")


def test_the_tutorial_has_no_command_that_is_not_tried() -> None:
    # The demo is tried, with what it prints, in tests/demo/test_end_to_end.py.
    assert blocks("docs/tutorial.md")[0] == "evenleaf demo --exit\n"
    assert len(blocks("docs/tutorial.md")) == 4
    assert len(blocks("docs/integrating.md")) == 1
