"""The broker to listen to: which one, where, and what is said when it cannot be had."""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import socket
import sys
from pathlib import Path

import pytest

import ingest.broker
from ingest.broker import BrokerError, BrokerHandle, mosquitto_conf, running_broker
from ingest.listener import BrokerAddress
from service.settings import Settings
from tests.ingest.rig import publish, until

ROOT = Path(__file__).parents[2]
SERVE = """
import asyncio, sys
from pathlib import Path
from ingest.broker import running_broker
from service.settings import Settings

async def main():
    async with running_broker(Settings(data_dir=Path(sys.argv[1]), mqtt_bind=sys.argv[2])) as handle:
        print(handle.kind, flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


async def test_a_named_broker_is_used_as_it_is() -> None:
    async with running_broker(Settings(mqtt_url="mqtt://farm@broker.example:1884")) as handle:
        assert handle == BrokerHandle("mqtt://farm@broker.example:1884", "external", True, True)


async def test_the_password_comes_from_a_file_and_is_not_shown(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("p@ss/word\n")
    settings = Settings(mqtt_url="mqtt://farm@broker.example", mqtt_password_file=str(secret))
    async with running_broker(settings) as handle:
        address = BrokerAddress.parse(handle.url)
        assert (address.host, address.port) == ("broker.example", 1883)
        assert (address.username, address.password) == ("farm", "p@ss/word")
        assert "word" not in repr(handle)
        assert "word" not in repr(address)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        (
            Settings(mqtt_url="mqtt://farm@b", mqtt_password_file="nowhere"),
            "EVENLEAF_MQTT_PASSWORD_FILE=nowhere",
        ),
        (Settings(mqtt_bind="1883"), "EVENLEAF_MQTT_BIND='1883' is not host:port"),
        (Settings(mqtt_bind="127.0.0.1:99999"), "is not host:port"),
    ],
)
async def test_a_wrong_setting_is_named(settings: Settings, says: str) -> None:
    with pytest.raises(BrokerError, match=says):
        async with running_broker(settings):
            pass


async def test_a_password_without_a_user_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("word")
    settings = Settings(mqtt_url="mqtt://broker", mqtt_password_file=str(tmp_path / "secret"))
    with pytest.raises(BrokerError, match="needs a user in EVENLEAF_MQTT_URL"):
        async with running_broker(settings):
            pass


async def test_a_taken_port_is_said_with_the_settings_to_change(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        bind = f"127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(
            BrokerError, match=f"EVENLEAF_MQTT_BIND={bind}: cannot listen there.*EVENLEAF_MQTT_URL"
        ):
            async with running_broker(Settings(data_dir=tmp_path, mqtt_bind=bind)):
                pass


def _refused(url: str) -> bool:
    address = BrokerAddress.parse(url)
    with socket.socket() as probe:
        return probe.connect_ex((address.host, address.port)) != 0


async def test_two_processes_do_not_share_a_folder(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")
    async with running_broker(settings) as first:
        with pytest.raises(BrokerError, match="EVENLEAF_DATA_DIR"):
            async with running_broker(settings):
                raise AssertionError("a second broker in the same folder")
        assert await asyncio.to_thread(publish, first.url, [("evenleaf/still/here", b"1")]) == 1
    async with running_broker(settings) as again:
        assert again.kind == first.kind
    if again.kind == "mosquitto":
        assert await asyncio.to_thread(_refused, again.url), "one that was left at once has ended too"


async def test_our_own_broker_is_quiet_and_takes_messages(
    broker: BrokerHandle, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        sent = await asyncio.to_thread(publish, broker.url, [("a/b", b"1")] * 100)
    assert sent == 100
    assert caplog.records == []


@pytest.mark.parametrize(
    "url", ["http://broker", "mqtt://", "broker:1883", "mqtt://broker/topic", "mqtt://broker:no"]
)
def test_a_url_that_is_none_of_a_broker(url: str) -> None:
    with pytest.raises(ValueError):
        BrokerAddress.parse(url)


def test_tls_has_a_port_and_scheme_of_its_own() -> None:
    assert BrokerAddress.parse("mqtts://broker") == BrokerAddress("broker", 8883, tls=True)


def test_the_queue_of_our_own_mosquitto_has_no_bound_and_is_kept(tmp_path: Path) -> None:
    conf = mosquitto_conf("127.0.0.1", 1883, tmp_path).splitlines()
    assert "listener 1883 127.0.0.1" in conf
    assert {"persistence true", "autosave_interval 10", "max_queued_messages 0"} <= set(conf)
    assert "autosave_on_changes true" not in conf, "the queue would be written again every so many messages"


@pytest.mark.mosquitto
async def test_a_mosquitto_that_ends_is_started_again(mosquitto_url: str, tmp_path: Path) -> None:
    if ingest.broker.find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as handle:
        pid_file = tmp_path / "mosquitto" / "mosquitto.pid"
        first = int(pid_file.read_text())
        os.kill(first, signal.SIGKILL)

        async def again() -> bool:
            try:
                return await asyncio.to_thread(publish, handle.url, [("a", b"1")]) == 1
            except (OSError, RuntimeError):  # not there yet, or just going
                return False

        await until(again)
        assert int(pid_file.read_text()) != first


@pytest.mark.mosquitto
async def test_a_mosquitto_that_cannot_be_started_at_once_is_started_later(
    mosquitto_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    if ingest.broker.find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    monkeypatch.setattr(ingest.broker, "_FIRST_PAUSE_S", 0.02)
    spawn, refused = ingest.broker._spawn, [BlockingIOError(11, "no process"), OSError(12, "no memory")]
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind="127.0.0.1:0")) as handle:

        async def refusing(program: str, conf: Path) -> asyncio.subprocess.Process:
            if refused:
                raise refused.pop()
            return await spawn(program, conf)

        monkeypatch.setattr(ingest.broker, "_spawn", refusing)
        os.kill(int((tmp_path / "mosquitto" / "mosquitto.pid").read_text()), signal.SIGKILL)

        async def again() -> bool:
            try:
                return not refused and await asyncio.to_thread(publish, handle.url, [("a", b"1")]) == 1
            except (OSError, RuntimeError):  # not there yet
                return False

        await until(again)
    assert caplog.text.count("mosquitto was not started") == 2


@pytest.mark.skipif(os.name != "posix", reason="a shell stands in for the broker")
async def test_a_line_that_is_too_long_ends_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(ingest.broker, "_FIRST_PAUSE_S", 0.02)
    talker = tmp_path / "talker"
    talker.write_text("#!/bin/sh\nhead -c 200000 /dev/zero | tr '\\0' x >&2\necho >&2\necho still here >&2\n")
    talker.chmod(0o755)
    caplog.set_level(logging.INFO)
    process = await ingest.broker._spawn(str(talker), tmp_path / "none")
    keeper = asyncio.create_task(ingest.broker._keep_running(str(talker), tmp_path / "none", process))
    try:

        async def started_again() -> bool:
            assert not keeper.done()
            return caplog.text.count("mosquitto: still here") >= 2

        await until(started_again)
    finally:
        keeper.cancel()
        await asyncio.gather(keeper, return_exceptions=True)
    assert "said more in one line than can be passed on" in caplog.text


@pytest.mark.mosquitto
@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="a system without /proc")
async def test_a_mosquitto_that_outlived_a_killed_process_is_replaced(
    mosquitto_url: str, tmp_path: Path
) -> None:
    if ingest.broker.find_mosquitto() is None:
        pytest.skip("mosquitto is not installed here")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        bind = f"127.0.0.1:{probe.getsockname()[1]}"
    killed = await asyncio.create_subprocess_exec(
        sys.executable, "-c", SERVE, str(tmp_path), bind, stdout=asyncio.subprocess.PIPE, cwd=ROOT
    )
    assert killed.stdout is not None
    assert (await killed.stdout.readline()).strip() == b"mosquitto"
    killed.kill()
    await killed.communicate()
    async with running_broker(Settings(data_dir=tmp_path, mqtt_bind=bind)) as handle:
        assert await asyncio.to_thread(publish, handle.url, [("a", b"1")]) == 1
