"""The command: its help, its exit codes, and a service started and stopped as a person would."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from service.cli import EXIT_FAILED, EXIT_OK, EXIT_USAGE, main
from service.clock import SystemClock
from service.records.store import Store
from service.work.access import find_access

COMMANDS = ("serve", "ingest", "migrate", "token", "user", "import", "replay", "plan", "demo")
SECRET = re.compile(r"evl_[\w-]{40,}")


@pytest.fixture(autouse=True)
def data_dir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give the command a folder of its own."""
    folder = tmp_path / "data"
    monkeypatch.setenv("EVENLEAF_DATA_DIR", str(folder))
    monkeypatch.setattr("service.opening.set_up_logging", lambda _level: None)  # pytest has its own
    return folder


# --------------------------------------------------------------------------- use


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == EXIT_OK
    text = capsys.readouterr().out
    assert all(re.search(rf"^ +{command} ", text, re.MULTILINE) for command in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == EXIT_OK
    assert capsys.readouterr().out.startswith(f"usage: evenleaf {command}")


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["plant"],
        ["migrate", "now"],
        ["token"],
        ["token", "tablet"],
        ["token", "tablet", "--scope", "everything"],
        ["demo", "--season", "winter"],
    ],
    ids=" ".join,
)
def test_wrong_use_is_code_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == EXIT_USAGE
    assert capsys.readouterr().err.startswith("usage: evenleaf")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("EVENLEAF_PORT", "http"),
        ("EVENLEAF_PROT", "8080"),
        ("EVENLEAF_CLOCK", "noon"),
        ("EVENLEAF_DATABASE_URL", "mysql://grower:secret@db/evenleaf"),
        ("EVENLEAF_DATABASE_URL_FILE", "/no/such/file"),
        ("EVENLEAF_MQTT_BIND", "1883"),
        ("EVENLEAF_CONFIG", "/no/such/file.toml"),
    ],
)
@pytest.mark.parametrize("command", [["serve"], ["ingest"], ["migrate"], ["demo", "--exit"]], ids=" ".join)
def test_a_wrong_setting_is_code_2_and_named(
    command: list[str],
    key: str,
    value: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    data_dir: Path,
) -> None:
    monkeypatch.setenv(key, value)
    assert main(command) == EXIT_USAGE
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("evenleaf: ")
    assert (value if key == "EVENLEAF_CONFIG" else key) in said.err
    assert said.err.count("\n") == 1
    assert "secret" not in said.err
    assert not data_dir.exists()


def test_a_wrong_key_of_the_file_is_code_2_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "farm.toml"
    file.write_text("prot = 8080\n")
    assert main(["--config", str(file), "migrate"]) == EXIT_USAGE
    assert "farm.toml: prot is not a setting" in capsys.readouterr().err


def test_a_broker_password_that_is_not_there_is_code_2_and_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EVENLEAF_MQTT_URL", "mqtt://grower@127.0.0.1:1")
    monkeypatch.setenv("EVENLEAF_MQTT_PASSWORD_FILE", "/no/such/file")
    assert main(["ingest"]) == EXIT_USAGE
    assert "EVENLEAF_MQTT_PASSWORD_FILE" in capsys.readouterr().err


def test_what_fails_is_code_1_in_a_sentence(data_dir: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data_dir.write_text("a file where the folder should be")
    assert main(["migrate"]) == EXIT_FAILED
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("evenleaf: FileExistsError")
    assert "Traceback" not in said.err


# --------------------------------------------------------------------------- results


def test_migrate_says_which_schema_there_is(capsys: pytest.CaptureFixture[str], data_dir: Path) -> None:
    assert main(["migrate", "--json"]) == EXIT_OK
    revision = json.loads(capsys.readouterr().out)["revision"]
    assert (data_dir / "evenleaf.sqlite3").exists()
    assert main(["migrate"]) == EXIT_OK
    assert capsys.readouterr().out == f"The database holds schema {revision}.\n"


def test_a_token_is_made_and_works(capsys: pytest.CaptureFixture[str], data_dir: Path) -> None:
    assert main(["token", "tablet", "--scope", "read", "--scope", "ingest", "--json"]) == EXIT_OK
    token = json.loads(capsys.readouterr().out)
    assert (token["name"], token["scopes"]) == ("tablet", ["read", "ingest"])
    assert SECRET.fullmatch(token["secret"])
    assert main(["token", "phone", "--scope", "read"]) == EXIT_OK
    text = capsys.readouterr().out
    (secret,) = SECRET.findall(text)
    assert text.startswith(f"Token {token['id'] + 1} for phone")

    async def access(of: str) -> frozenset[str] | None:
        store = Store.open(f"sqlite+aiosqlite:///{data_dir / 'evenleaf.sqlite3'}")
        try:
            async with store.read() as uow:
                found = await find_access(uow, SystemClock(), of)
                return found.scopes if found else None
        finally:
            await store.close()

    assert asyncio.run(access(token["secret"])) == {"read", "ingest"}
    assert asyncio.run(access(secret)) == {"read"}


def test_a_token_of_a_farm_that_is_not_there_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["token", "tablet", "--scope", "read", "--farm", "7"]) == EXIT_USAGE
    assert "no farm 7" in capsys.readouterr().err


# --------------------------------------------------------------------------- serving


def free_port() -> int:
    """Return a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving(data_dir: Path, **settings: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Have ``evenleaf serve`` run on free ports; yields the process and its URL."""
    port = free_port()
    environment = {
        **os.environ,
        "EVENLEAF_DATA_DIR": str(data_dir),
        "EVENLEAF_PORT": str(port),
        "EVENLEAF_MQTT_BIND": "127.0.0.1:0",
        "EVENLEAF_LOG_LEVEL": "WARNING",
        **settings,
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "service.cli", "serve"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process, f"http://127.0.0.1:{port}"
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def wait_until_healthy(process: subprocess.Popen[str], url: str) -> None:
    """Wait until it answers."""
    deadline = time.monotonic() + 30.0
    while process.poll() is None and time.monotonic() < deadline:
        try:
            answer = httpx.get(f"{url}/health", timeout=5.0)
        except httpx.TransportError:
            time.sleep(0.05)
        else:
            assert answer.status_code == 200
            return
    pytest.fail(
        f"it does not serve: {process.communicate(timeout=5.0) if process.poll() is not None else ''}"
    )


def told(process: subprocess.Popen[str], signal_: signal.Signals) -> tuple[str, str]:
    """Tell it to end, and return what it printed."""
    begun = time.monotonic()
    process.send_signal(signal_)
    out, err = process.communicate(timeout=15.0)
    assert process.returncode == EXIT_OK, err
    assert time.monotonic() - begun < 10.0
    return out, err


def first_line(process: subprocess.Popen[str]) -> str:
    """Return the first line it prints."""
    assert process.stdout is not None
    return process.stdout.readline()


def test_a_service_that_loses_a_part_ends_with_code_1(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    async def broken(*_args: object, **_more: object) -> None:
        await asyncio.sleep(0.1)
        raise ValueError("no listener any more")

    monkeypatch.setattr("service.process.run_ingest", broken)
    monkeypatch.setenv("EVENLEAF_MQTT_URL", "mqtt://127.0.0.1:1")
    monkeypatch.setenv("EVENLEAF_PORT", str(free_port()))
    assert main(["serve"]) == EXIT_FAILED
    assert "Evenleaf serves" in capsys.readouterr().out
    assert "listening to the broker failed: ValueError('no listener any more')" in caplog.text


def test_serve_prints_the_first_token_once_and_ends_when_told(data_dir: Path) -> None:
    with serving(data_dir) as (process, url):
        line = first_line(process)  # printed when all has started
        (secret,) = SECRET.findall(line)
        wait_until_healthy(process, url)
        houses = httpx.get(f"{url}/v1/houses", headers={"authorization": f"Bearer {secret}"})
        assert (houses.status_code, houses.json()["items"]) == (200, [])
        assert f"{url}/setup" in first_line(process)
        assert first_line(process).startswith(f"Evenleaf serves {url}")
        out, err = told(process, signal.SIGTERM)
        assert not SECRET.search(out + err)
    with serving(data_dir) as (process, url):
        assert first_line(process).startswith(f"Evenleaf serves {url}")
        assert httpx.get(f"{url}/v1/houses", headers={"authorization": f"Bearer {secret}"}).status_code == 200
        out, err = told(process, signal.SIGINT)
        assert not SECRET.search(out + err)


def test_a_start_that_fails_does_not_use_up_the_first_token(data_dir: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        with serving(data_dir, EVENLEAF_PORT=port) as (process, _):
            out, err = process.communicate(timeout=30.0)
    assert (process.returncode, out) == (EXIT_USAGE, "")
    assert f"EVENLEAF_PORT={port}" in err
    with serving(data_dir) as (process, _):
        assert SECRET.search(first_line(process))
        told(process, signal.SIGTERM)


def test_told_to_end_while_it_starts_it_ends_in_order(data_dir: Path) -> None:
    with serving(data_dir) as (process, url):
        deadline = time.monotonic() + 30.0
        while not (data_dir / "evenleaf.sqlite3").exists() and time.monotonic() < deadline:
            time.sleep(0.005)
        told(process, signal.SIGTERM)
    with pytest.raises(httpx.TransportError):
        httpx.get(f"{url}/health")


def test_an_ingest_loads_no_more_than_it_needs() -> None:
    """It runs once a slot: what only the service needs would take a hundred megabytes more, each time."""
    code = (
        "import sys, service.cli, ingest.command, ingest.broker, ingest.metrics, service.opening;"
        "print([m for m in ('scipy', 'litestar', 'apscheduler', 'alembic', 'reportlab') if m in sys.modules])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"
