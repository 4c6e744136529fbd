"""The broker to listen to: one that is there already, or one of our own.

In this order: the broker named by ``EVENLEAF_MQTT_URL``; a ``mosquitto`` of our own as a child process, if
it is installed; a broker inside this process, which is slower, speaks MQTT 3.1.1 only and does not send again
what was not acknowledged when a connection breaks.
"""

from __future__ import annotations

import asyncio
import getpass
import logging
import os
import shutil
import signal
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import quote, urlsplit, urlunsplit

from service.settings import Settings

_log = logging.getLogger(__name__)

_CONF_FILE = "mosquitto.conf"
_PID_FILE = "mosquitto.pid"
_START_S = 10.0
_STOP_S = 10.0
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 1.0, 60.0
"""Before a broker that ended is started again; it doubles each time, until one has lasted longer."""
_LOOPBACK = {"127.0.0.1", "::1", "localhost"}


class BrokerError(Exception):
    """The broker cannot be had; the message names the setting to change."""


@dataclass(frozen=True)
class BrokerHandle:
    """A broker that can be connected to."""

    url: str = field(repr=False)
    """``mqtt://[user:password@]host:port``."""
    kind: Literal["external", "mosquitto", "in-process"]
    mqtt5: bool
    """Whether it speaks MQTT 5; otherwise 3.1.1."""
    redelivers: bool
    """Whether it sends again what was not acknowledged when a connection broke."""


@asynccontextmanager
async def running_broker(settings: Settings) -> AsyncIterator[BrokerHandle]:
    """Provide a broker for as long as the context lasts.

    Raises
    ------
    BrokerError
        If there is none to be had.
    """
    if settings.mqtt_url:
        url = _with_password(settings.mqtt_url, settings.mqtt_password_file)
        yield BrokerHandle(url, "external", mqtt5=True, redelivers=True)
        return
    broker_dir = settings.data_dir / "mosquitto"
    with _alone_in(settings.data_dir):
        await _end_orphan(broker_dir)
        async with _own_broker(settings, broker_dir) as handle:
            yield handle


@contextmanager
def _alone_in(data_dir: Path) -> Iterator[None]:
    """Keep the folder to ourselves: two processes would end each other's broker."""
    data_dir.mkdir(parents=True, exist_ok=True)
    with (data_dir / "evenleaf.lock").open("w", encoding="ascii") as held:
        try:
            import fcntl
        except ImportError:  # not a POSIX system
            yield
            return
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise BrokerError(
                f"EVENLEAF_DATA_DIR={data_dir} is in use by another evenleaf process"
            ) from error
        yield


@asynccontextmanager
async def _own_broker(settings: Settings, broker_dir: Path) -> AsyncIterator[BrokerHandle]:
    host, port = _free_bind(settings.mqtt_bind)
    if host not in _LOOPBACK:
        _log.warning("EVENLEAF_MQTT_BIND=%s: whoever reaches this address can publish", settings.mqtt_bind)
    program = find_mosquitto()
    if program is not None:
        async with _mosquitto(program, host, port, broker_dir) as handle:
            yield handle
    else:
        async with _in_process(host, port) as handle:
            yield handle


def find_mosquitto() -> str | None:
    """Return the ``mosquitto`` program, if it is installed; Debian keeps it where users have no PATH."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def _with_password(url: str, password_file: str) -> str:
    """Return the URL with the password that a file holds."""
    if not password_file:
        return url
    try:
        password = Path(password_file).read_text(encoding="utf-8").strip()
    except OSError as error:
        raise BrokerError(f"EVENLEAF_MQTT_PASSWORD_FILE={password_file}: {error.strerror}") from error
    parts = urlsplit(url)
    if not parts.username:
        raise BrokerError("EVENLEAF_MQTT_PASSWORD_FILE needs a user in EVENLEAF_MQTT_URL, mqtt://user@host")
    place = parts.netloc.rpartition("@")[2]
    return urlunsplit(parts._replace(netloc=f"{parts.username}:{quote(password, safe='')}@{place}"))


def _free_bind(bind: str) -> tuple[str, int]:
    """Return host and port to listen on, port 0 replaced by a free one.

    Raises
    ------
    BrokerError
        If the setting is not an address, or the port is taken.
    """
    host, _, port_text = bind.rpartition(":")
    host = host.strip("[]")
    if not host or not port_text.isdecimal() or int(port_text) > 65535:
        raise BrokerError(f"EVENLEAF_MQTT_BIND={bind!r} is not host:port, for example 127.0.0.1:1883")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, int(port_text)))
        except OSError as error:
            raise BrokerError(
                f"EVENLEAF_MQTT_BIND={bind}: cannot listen there ({error.strerror}). Set it to a free port,"
                " for example 127.0.0.1:1884, or EVENLEAF_MQTT_URL to the broker that is there"
                " already."
            ) from error
        return host, int(probe.getsockname()[1])


# --------------------------------------------------------------------------- mosquitto as a child


def mosquitto_conf(host: str, port: int, data_dir: Path) -> str:
    """Return the configuration of our own mosquitto."""
    lines = [
        f"listener {port} {host}",
        "allow_anonymous true",
        "persistence true",
        f"persistence_location {data_dir}/",
        f"pid_file {data_dir / _PID_FILE}",
        # A killed broker may lose what it accepted since it last saved, that is of the last so many seconds; a
        # stopped one loses nothing. By the number of changes (autosave_on_changes) it would write its whole queue
        # again and again, and the longer the queue the slower.
        "autosave_interval 10",
        # Small packets at once: gathered (Nagle) they would wait up to 40 ms.
        "set_tcp_nodelay true",
        # The queue of a listener that is away must not overflow: by default only 1000 messages are kept.
        "max_queued_messages 0",
        "max_inflight_messages 10000",
        # A larger message ends the sender's connection; up to here it is kept as a dead letter.
        "max_packet_size 8388608",
        "log_dest stderr",
        "log_timestamp false",
        "log_type error",
        "log_type warning",
    ]
    if os.name == "posix" and os.geteuid() == 0:
        lines.append(
            f"user {getpass.getuser()}"
        )  # started as root it would change to a user without our files
    return "\n".join(lines) + "\n"


def _write_conf(host: str, port: int, data_dir: Path) -> Path:
    folder = data_dir.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    conf = folder / _CONF_FILE
    conf.write_text(mosquitto_conf(host, port, folder), encoding="utf-8")
    return conf


@asynccontextmanager
async def _mosquitto(program: str, host: str, port: int, data_dir: Path) -> AsyncIterator[BrokerHandle]:
    conf = _write_conf(host, port, data_dir)
    process = await _spawn(program, conf)
    try:
        await _until_answering(process, host, port)
    except BaseException:
        await _end(process)
        raise
    keeper = asyncio.create_task(_keep_running(program, conf, process))
    await asyncio.sleep(0)  # it has begun: a task that is cancelled before that never gets to end the broker
    try:
        yield BrokerHandle(f"mqtt://{_url_host(host)}:{port}", "mosquitto", mqtt5=True, redelivers=True)
    finally:
        keeper.cancel()
        with suppress(asyncio.CancelledError):
            await keeper


async def _end_orphan(data_dir: Path) -> None:
    """End our own mosquitto that outlived a process which was killed: it holds the port and the messages."""
    loop = asyncio.get_running_loop()
    deadline = loop.time() + _STOP_S
    while (pid := _orphan(data_dir)) is not None and loop.time() < deadline:
        with suppress(ProcessLookupError, PermissionError):
            os.kill(pid, signal.SIGTERM)
        await asyncio.sleep(0.1)


def _orphan(data_dir: Path) -> int | None:
    """Return the process that our pid file names, if it really runs our configuration."""
    folder = data_dir.resolve()
    try:
        pid = int((folder / _PID_FILE).read_text(encoding="ascii"))
        arguments = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except (OSError, ValueError):
        return None  # no such file or process, or a system without /proc: then the port is reported as taken
    return pid if os.fsencode(folder / _CONF_FILE) in arguments else None


async def _spawn(program: str, conf: Path) -> asyncio.subprocess.Process:
    # A session of its own: the terminal's Ctrl-C reaches us alone, and the broker outlives the last writes.
    return await asyncio.create_subprocess_exec(
        program,
        "-c",
        str(conf),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,
    )


async def _until_answering(process: asyncio.subprocess.Process, host: str, port: int) -> None:
    deadline = asyncio.get_running_loop().time() + _START_S
    while asyncio.get_running_loop().time() < deadline:
        if process.returncode is not None:
            said = (await process.stderr.read()).decode(errors="replace").strip() if process.stderr else ""
            raise BrokerError(
                f"mosquitto ended at once ({said or process.returncode}). Set EVENLEAF_MQTT_BIND to a free"
                " port, or EVENLEAF_MQTT_URL to a broker that runs."
            )
        try:
            _, writer = await asyncio.open_connection(host, port)
        except OSError:
            await asyncio.sleep(0.02)
        else:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()
            return
    raise BrokerError(f"mosquitto does not answer at {host}:{port}; see EVENLEAF_MQTT_BIND")


async def _keep_running(program: str, conf: Path, process: asyncio.subprocess.Process) -> None:
    """Pass on what the broker says, and start it again whenever it ends; end it when cancelled."""
    loop = asyncio.get_running_loop()
    pause_s, began = _FIRST_PAUSE_S, loop.time()
    try:
        while True:
            await _pass_on(process)
            code = await process.wait()
            if loop.time() - began > _LONGEST_PAUSE_S:
                pause_s = _FIRST_PAUSE_S
            _log.error("mosquitto ended (%s); starting it again in %g s", code, pause_s)
            await asyncio.sleep(pause_s)
            pause_s = min(2.0 * pause_s, _LONGEST_PAUSE_S)
            began = loop.time()
            try:
                process = await _spawn(program, conf)
            except Exception:  # noqa: BLE001 - no memory, no process to be had: there may be one later
                _log.exception("mosquitto was not started")
    finally:
        await asyncio.shield(_end(process))


async def _pass_on(process: asyncio.subprocess.Process) -> None:
    """Log what the broker says, until it closes its output."""
    while process.stderr is not None:
        try:
            line = await process.stderr.readline()
        except ValueError:  # longer than the reader takes; that much of it is gone
            _log.warning("mosquitto said more in one line than can be passed on")
            continue
        except OSError:
            _log.exception("what mosquitto says cannot be read any more")
            return
        if not line:
            return
        said = line.decode(errors="replace").rstrip()
        _log.log(logging.ERROR if "Error" in said else logging.INFO, "mosquitto: %s", said)


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is not None:
        return
    with suppress(ProcessLookupError):
        process.send_signal(signal.SIGTERM)
    try:
        # Reading on keeps a last word from blocking it.
        await asyncio.wait_for(process.communicate(), _STOP_S)
    except TimeoutError:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


# --------------------------------------------------------------------------- inside this process


@asynccontextmanager
async def _in_process(host: str, port: int) -> AsyncIterator[BrokerHandle]:
    from ingest.embedded import in_process_broker

    _log.warning(
        "mosquitto is not installed: the broker inside this process takes over. It does not send again what"
        " was not acknowledged when a connection breaks; install mosquitto to lose nothing."
    )
    async with in_process_broker(f"{_url_host(host)}:{port}") as user:
        yield BrokerHandle(
            f"mqtt://{user}@{_url_host(host)}:{port}", "in-process", mqtt5=False, redelivers=False
        )


def _url_host(host: str) -> str:
    reachable = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - where to connect to it
    return f"[{reachable}]" if ":" in reachable else reachable
