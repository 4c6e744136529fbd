"""Real servers for the tests: the one that is named, or one in Docker, or one started from local binaries.

``EVENLEAF_TEST_POSTGRESQL_URL`` names a PostgreSQL server (a SQLAlchemy URL with ``+asyncpg``, of a user who
may create databases), ``EVENLEAF_TEST_MQTT_URL`` a Mosquitto that takes anonymous clients.

What is started here is stopped here, whatever happens in between.
"""

from __future__ import annotations

import gc
import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
import warnings
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

_START_S = 30.0
_STOP_S = 20.0


class Unavailable(Exception):  # noqa: N818 - read as an answer
    """There is no way to have the service here; the message says what was looked for."""


@contextmanager
def postgresql(environ: Mapping[str, str]) -> Iterator[str]:
    """Have a PostgreSQL server; yield the SQLAlchemy URL of a database whose user may create others."""
    if url := environ.get("EVENLEAF_TEST_POSTGRESQL_URL"):
        yield url
        return
    with ExitStack() as stack:
        if docker_answers():
            from testcontainers.community.postgres import PostgresContainer

            container = PostgresContainer("postgres:17.6-alpine", driver="asyncpg")
            yield stack.enter_context(container).get_connection_url()
        else:
            folder = Path(stack.enter_context(TemporaryDirectory(prefix="evenleaf-postgresql-")))
            server = LocalPostgresql(folder)
            stack.callback(server.stop)
            server.start()
            yield server.url


@contextmanager
def mosquitto(environ: Mapping[str, str]) -> Iterator[str]:
    """Have a Mosquitto broker that takes anonymous clients; yield its ``mqtt://`` URL."""
    if url := environ.get("EVENLEAF_TEST_MQTT_URL"):
        yield url
        return
    with ExitStack() as stack:
        if docker_answers():
            from testcontainers.community.mqtt import MosquittoContainer

            broker = stack.enter_context(MosquittoContainer("eclipse-mosquitto:2.0.22"))
            yield f"mqtt://{broker.get_container_host_ip()}:{broker.get_exposed_port(1883)}"
        else:
            folder = Path(stack.enter_context(TemporaryDirectory(prefix="evenleaf-mosquitto-")))
            server = LocalMosquitto(folder)
            stack.callback(server.stop)
            server.start()
            yield server.url


def docker_answers() -> bool:
    """Tell whether a Docker engine, not only a client, is there."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # a client without an engine leaves a socket open
        try:
            import docker

            client = docker.from_env(timeout=3)
            try:
                return bool(client.ping())
            finally:
                client.close()
        except Exception:  # noqa: BLE001 - not installed, no engine, no permission: all mean no
            return False
        finally:
            gc.collect()


def free_port() -> int:
    """Return a TCP port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class LocalServer:
    """A server from binaries of this machine, on a free port, which tests may stop and start again."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    stop_signal = signal.SIGTERM

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        self.process = self.launch()
        deadline = time.monotonic() + _START_S
        while not self.answers():
            if self.process.poll() is not None or time.monotonic() > deadline:
                self.kill()
                raise RuntimeError(f"{type(self).__name__} did not start:\n{self.log()}")
            time.sleep(0.02)

    def stop(self) -> None:
        """Stop it in the orderly way."""
        self._end(self.stop_signal)

    def kill(self) -> None:
        """End it as a crash would."""
        self._end(signal.SIGKILL)

    def log(self) -> str:
        """Return what it said."""
        file = self.folder / "log"
        return file.read_text(errors="replace") if file.exists() else ""

    def answers(self) -> bool:
        """Tell whether it takes connections."""
        with socket.socket() as probe:
            probe.settimeout(1)
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def launch(self) -> subprocess.Popen[bytes]:
        """Start the process."""
        raise NotImplementedError

    def _end(self, how: signal.Signals) -> None:
        if self.process is None:
            return
        self.process.send_signal(how)
        try:
            self.process.wait(_STOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process = None


@dataclass
class LocalPostgresql(LocalServer):
    """PostgreSQL on a folder of its own, without waiting for the disk unless it is to be durable."""

    durable: bool = False

    stop_signal = signal.SIGINT  # "fast": does not wait for clients to leave

    @property
    def url(self) -> str:
        """The SQLAlchemy URL of its first database."""
        return f"postgresql+asyncpg://postgres@127.0.0.1:{self.port}/postgres"

    def answers(self) -> bool:
        """Tell whether it takes connections: its port opens before it has recovered."""
        ready = [_postgresql_bin() / "pg_isready", "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        return subprocess.run(ready, check=False).returncode == 0

    def launch(self) -> subprocess.Popen[bytes]:
        """Make the cluster the first time; start the server."""
        binaries, data, account = _postgresql_bin(), self.folder / "data", _account()
        if not data.exists():
            if account:
                shutil.chown(self.folder, account.pw_uid, account.pw_gid)
            make = [
                binaries / "initdb",
                "-D",
                data,
                "-U",
                "postgres",
                "-A",
                "trust",
                "--no-sync",
                "-E",
                "UTF8",
            ]
            done = _run([*make, "--locale=C.UTF-8"], account, self.folder / "log").wait()
            if done != 0:
                raise RuntimeError(f"initdb failed:\n{self.log()}")
        options = {
            "listen_addresses": "127.0.0.1",
            "port": self.port,
            "unix_socket_directories": self.folder,
            "max_connections": 100,
        }
        if not self.durable:
            options |= {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
        command = [
            binaries / "postgres",
            "-D",
            data,
            *(f"--{name}={value}" for name, value in options.items()),
        ]
        return _run(command, account, self.folder / "log")


class LocalMosquitto(LocalServer):
    """Mosquitto with a configuration and persistence of its own."""

    @property
    def url(self) -> str:
        """Its ``mqtt://`` URL."""
        return f"mqtt://127.0.0.1:{self.port}"

    def launch(self) -> subprocess.Popen[bytes]:
        """Write the configuration and start the broker."""
        binary = shutil.which("mosquitto", path=_path("/usr/sbin", "/usr/local/sbin"))
        if binary is None:
            raise Unavailable("no EVENLEAF_TEST_MQTT_URL, no Docker engine and no mosquitto on PATH")
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {self.folder}/",
            # Kept through kill(): without these, all since the last half-hourly save would be lost.
            "autosave_on_changes true",
            "autosave_interval 1",
            "max_queued_messages 0",
        ]
        if os.geteuid() == 0:
            lines.append("user root")  # it would give up root, and with it the folder
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")
        return _run([binary, "-c", self.folder / "mosquitto.conf"], None, self.folder / "log")


def _run(command: list[str | Path], account: pwd.struct_passwd | None, log: Path) -> subprocess.Popen[bytes]:
    change: dict[str, object] = {}
    if account:
        change = {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
    with log.open("ab") as out:
        return subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=out, **change)


def _account() -> pwd.struct_passwd | None:
    """Return the account to run PostgreSQL under, which refuses to run as root; none: as we are."""
    if os.geteuid() != 0:
        return None
    try:
        return pwd.getpwnam("postgres")
    except KeyError:
        raise Unavailable("PostgreSQL does not run as root, and there is no account postgres") from None


def _postgresql_bin() -> Path:
    """Return the folder that holds initdb and postgres, the newest version first."""
    on_path = [Path(folder) for folder in os.environ.get("PATH", "").split(os.pathsep) if folder]
    packaged = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=_version, reverse=True)
    for folder in (*on_path, *packaged):
        if all((folder / name).exists() for name in ("initdb", "postgres", "pg_isready")):
            return folder
    raise Unavailable(
        "no EVENLEAF_TEST_POSTGRESQL_URL, no Docker engine and no initdb on PATH or in /usr/lib/postgresql"
    )


def _version(folder: Path) -> int:
    return int(folder.parent.name) if folder.parent.name.isdigit() else 0


def _path(*more: str) -> str:
    return os.pathsep.join((os.environ.get("PATH", ""), *more))
