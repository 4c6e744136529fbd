"""Settings: environment variables ``EVENLEAF_*`` over an optional TOML file, checked at start.

A setting that is unknown or wrong stops the start with a sentence that names its key.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, get_type_hints
from urllib.parse import urlsplit

from service.clock import parse_clock
from service.work.receivers_targets import Targets, mail_address, parse_networks
from service.work.retention import SHORTEST_DAYS

_PREFIX = "EVENLEAF_"
_DATABASES = ("sqlite+aiosqlite:///", "postgresql+asyncpg://")


class SettingsError(Exception):
    """A setting is unknown or wrong; the message names it and says what would be right."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What can be set; the environment variable is the upper-case name after ``EVENLEAF_``."""

    data_dir: Path = Path("evenleaf-data")
    """Folder of the embedded store and broker."""
    database_url: str = ""
    """SQLAlchemy URL; empty: a SQLite file in ``data_dir``. A file's path may be given in ``database_url_file``."""
    database_url_file: str = ""
    """File that holds the database URL (a mounted secret)."""
    mqtt_url: str = ""
    """``mqtt://[user:password@]host[:port]``; empty: a broker of our own on ``mqtt_bind``."""
    mqtt_password_file: str = ""
    """File that holds the broker password (a mounted secret)."""
    mqtt_bind: str = "127.0.0.1:1883"
    """Where our own broker listens, if there is no ``mqtt_url``."""
    mqtt_topic: str = "evenleaf/#"
    """Topic filter to listen to."""
    mqtt_reader: str = "auto"
    """``auto``: the fast reader where it fits the client library; ``stock``: always the library's own."""
    ingest: bool = True
    """Whether ``evenleaf serve`` also listens to the broker; false where ``evenleaf ingest`` runs beside it."""
    ingest_low_latency: bool = False
    """Whether messages are stored within milliseconds of their arrival, at about three times the work."""
    ingest_slots: int = 0
    """How many ingest processes share the messages between them (MQTT 5); 0: one takes all."""
    host: str = "127.0.0.1"
    """Address to serve HTTP on."""
    port: int = 8717
    """Port to serve HTTP on."""
    trusted_proxies: str = "127.0.0.1"
    """Addresses of proxies whose ``X-Forwarded-For`` and ``-Proto`` are believed, with commas; ``*``: any."""
    requests_per_minute: float = 6000.0
    """Requests a minute that a token or a user may send to each process; 0: any number."""
    session_idle_days: float = 7.0
    """Days without use after which a browser has to log in again."""
    session_days: float = 30.0
    """Days after a log-in at which a browser has to log in again, however much it is used."""
    clock: str = ""
    """A simulated clock, see :mod:`service.clock`; empty: the machine's time."""
    reforecast_minutes: float = 15.0
    """Minutes between two re-forecasts."""
    forecast_processes: int = 0
    """Processes that compute forecasts beside the one that serves, for many houses; 0: a thread of that one."""
    members: int = 60
    """Futures in an outlook."""
    horizon_days: int = 120
    """Days after which a date not reached is reported as not reached."""
    max_reading_age_days: float = 400.0
    """Older readings are refused as too old."""
    max_reading_lead_s: float = 300.0
    """Readings further ahead of the clock are refused as in the future."""
    reading_days: float = 0.0
    """Days that readings are kept, 90 or more; 0: for ever. Hours are kept for ever either way."""
    dead_letter_days: float = 90.0
    """Days that dead letters are kept."""
    dead_letters: int = 100_000
    """Dead letters that are kept at most, the newest."""
    watch_minutes: float = 5.0
    """Minutes between two looks at what has to be watched: solution, pumps, climate, space."""
    webhook_networks: str = ""
    """Networks that webhooks may call although they are not public, and without TLS: ``192.168.1.0/24, fd00::/8``."""
    smtp_host: str = ""
    """Mail server; empty: no mail is sent."""
    smtp_port: int = 587
    """Port of the mail server."""
    smtp_security: str = "starttls"
    """``starttls``, ``tls`` (from the first byte) or ``none``."""
    smtp_user: str = ""
    """User name at the mail server; empty: none."""
    smtp_password: str = ""
    """Password at the mail server."""
    smtp_password_file: str = ""
    """File that holds the password (a mounted secret)."""
    smtp_from: str = ""
    """Address that mail comes from."""
    public_url: str = ""
    """Where users reach the service, for links in mail, calendars and labels; empty: links are left out of mail and
    calendars, and labels lead to where they were asked for."""
    log_level: str = "INFO"
    """DEBUG, INFO, WARNING or ERROR."""
    log_format: str = "text"
    """``text``, or ``json``: one JSON object a line."""
    ingest_metrics_bind: str = ""
    """Where ``evenleaf ingest`` tells its metrics over HTTP, ``host:port``; empty: nowhere."""
    metrics_token: str = ""
    """Token that ``/metrics`` asks for; empty: metrics are told on the service's own machine only."""
    metrics_token_file: str = ""
    """File that holds it (a mounted secret)."""

    def metrics_secret(self) -> str:
        """Return the token that ``/metrics`` asks for.

        Raises
        ------
        SettingsError
            If the file that should hold it cannot be read or is empty.
        """
        if not self.metrics_token_file:
            return self.metrics_token
        shown = f"{_PREFIX}METRICS_TOKEN_FILE={self.metrics_token_file}"
        try:
            secret = Path(self.metrics_token_file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{shown}: {error}") from error
        if not secret:
            raise SettingsError(f"{shown} is empty")
        return secret

    def store_url(self) -> str:
        """Return the SQLAlchemy URL of the store.

        Raises
        ------
        SettingsError
            If the file that should hold it cannot be read, or it is not a URL of a database that is known.
        """
        key, url = "DATABASE_URL", self.database_url
        if self.database_url_file:
            key = "DATABASE_URL_FILE"
            try:
                url = Path(self.database_url_file).read_text(encoding="utf-8").strip()
            except (OSError, UnicodeDecodeError) as error:
                raise SettingsError(f"{_PREFIX}{key}={self.database_url_file}: {error}") from error
        elif not url:
            return f"sqlite+aiosqlite:///{self.data_dir / 'evenleaf.sqlite3'}"
        if not url.startswith(_DATABASES):  # not shown: it may hold a password
            raise SettingsError(f"{_PREFIX}{key} is not a URL that begins with {' or '.join(_DATABASES)}")
        return url

    def smtp_secret(self) -> str:
        """Return the password at the mail server.

        Raises
        ------
        SettingsError
            If the file that should hold it cannot be read.
        """
        if not self.smtp_password_file:
            return self.smtp_password
        try:
            return Path(self.smtp_password_file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{_PREFIX}SMTP_PASSWORD_FILE={self.smtp_password_file}: {error}") from error

    def targets(self) -> Targets:
        """Return where notices may go."""
        return Targets(parse_networks(self.webhook_networks), self.mqtt_topic, mail=bool(self.smtp_host))


def load_settings(environ: Mapping[str, str] | None = None, file: Path | None = None) -> Settings:
    """Return the settings from a TOML file, if any, and the environment, which wins.

    Raises
    ------
    SettingsError
        If a key is unknown or a value is not what the key takes.
    """
    environ = os.environ if environ is None else environ
    hints = get_type_hints(Settings)
    known = {f.name: hints[f.name] for f in fields(Settings)}
    values: dict[str, Any] = {}
    path = file or (Path(environ[f"{_PREFIX}CONFIG"]) if environ.get(f"{_PREFIX}CONFIG") else None)
    if path is not None:
        try:
            given = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise SettingsError(f"{path}: {error}") from error
        for key, value in given.items():
            values[key] = _convert(f"{path}: {key}", key, value, known)
    for name, value in environ.items():
        if name.startswith(_PREFIX) and name != f"{_PREFIX}CONFIG":
            key = name.removeprefix(_PREFIX).lower()
            values[key] = _convert(name, key, value, known)
    settings = Settings(**values)
    _check(settings)
    return settings


def _convert(shown: str, key: str, value: Any, known: Mapping[str, type]) -> Any:
    if key not in known:
        raise SettingsError(f"{shown} is not a setting. Settings are: {', '.join(sorted(known))}")
    kind = known[key]
    try:
        if not isinstance(value, _TAKEN[kind]) or (isinstance(value, bool) and kind is not bool):
            raise TypeError
        if kind is bool:
            return _TRUTH[str(value).lower()]
        if kind is Path and not value:
            raise ValueError
        return kind(value)
    except (ValueError, TypeError, KeyError):
        raise SettingsError(f"{shown}={value!r} is not {_SAID[kind]}") from None


_TRUTH = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}
# What a setting may be written as: text in the environment, a value of its own type in a file.
_TAKEN: dict[Any, tuple[type, ...]] = {
    bool: (str, bool),
    int: (str, int),
    float: (str, int, float),
    str: (str,),
    Path: (str,),
}
_SAID: dict[Any, str] = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "a text",
    Path: "a path",
}


def _check(settings: Settings) -> None:
    bounds = {
        "port": (1, 65535),
        "requests_per_minute": (0, 1e9),
        "session_idle_days": (0.01, 400),
        "session_days": (0.01, 400),
        "reforecast_minutes": (0.5, 1440),
        "members": (10, 1000),
        "horizon_days": (30, 365),
        "max_reading_age_days": (1, 36500),
        "max_reading_lead_s": (0, 86400),
        "watch_minutes": (0.5, 60),
        "smtp_port": (1, 65535),
        "ingest_slots": (0, 64),
        "forecast_processes": (0, 64),
        "reading_days": (0, 36500),
        "dead_letter_days": (1, 36500),
        "dead_letters": (100, 10_000_000),
    }
    for key, (low, high) in bounds.items():
        value = getattr(settings, key)
        if not low <= value <= high:
            raise SettingsError(f"{_PREFIX}{key.upper()}={value!r} is not between {low} and {high}")
    if 0 < settings.reading_days < SHORTEST_DAYS:
        raise SettingsError(
            f"{_PREFIX}READING_DAYS={settings.reading_days!r} is not 0 (for ever) or {SHORTEST_DAYS:g} and more"
        )
    try:
        parse_clock(settings.clock)
    except ValueError as error:
        raise SettingsError(f"{_PREFIX}CLOCK: {error}") from error
    if settings.mqtt_url and not _is_broker(settings.mqtt_url):  # not shown: it may hold a password
        raise SettingsError(f"{_PREFIX}MQTT_URL is not mqtt[s]://[user[:password]@]host[:port]")
    if not _is_bind(settings.mqtt_bind):
        raise SettingsError(
            f"{_PREFIX}MQTT_BIND={settings.mqtt_bind!r} is not host:port, for example 127.0.0.1:1883"
        )
    _check_ingest_metrics(settings)
    for key in ("mqtt_topic", "host"):
        if not getattr(settings, key):
            raise SettingsError(f"{_PREFIX}{key.upper()} is empty")
    if settings.public_url and urlsplit(settings.public_url).scheme not in {"http", "https"}:
        raise SettingsError(
            f"{_PREFIX}PUBLIC_URL={settings.public_url!r} is not a URL, for example https://evenleaf.example.org"
        )
    settings.store_url()
    settings.metrics_secret()
    if settings.log_format not in {"text", "json"}:
        raise SettingsError(f"{_PREFIX}LOG_FORMAT={settings.log_format!r} is not text or json")
    _check_ways_out(settings)
    if settings.mqtt_reader not in {"auto", "stock"}:
        raise SettingsError(f"{_PREFIX}MQTT_READER={settings.mqtt_reader!r} is not auto or stock")
    if settings.log_level not in {"DEBUG", "INFO", "WARNING", "ERROR"}:
        raise SettingsError(f"{_PREFIX}LOG_LEVEL={settings.log_level!r} is not DEBUG, INFO, WARNING or ERROR")


def _check_ingest_metrics(settings: Settings) -> None:
    bind = settings.ingest_metrics_bind
    if bind and not _is_bind(bind):
        raise SettingsError(
            f"{_PREFIX}INGEST_METRICS_BIND={bind!r} is not host:port, for example 127.0.0.1:8718"
        )
    if bind and not settings.metrics_secret() and bind.rpartition(":")[0] not in _LOOPBACK:
        raise SettingsError(
            f"{_PREFIX}INGEST_METRICS_BIND={bind!r} is open to others: set {_PREFIX}METRICS_TOKEN too"
        )


_LOOPBACK = {"127.0.0.1", "localhost", "[::1]"}


def _check_ways_out(settings: Settings) -> None:
    try:
        parse_networks(settings.webhook_networks)
    except ValueError as error:
        raise SettingsError(f"{_PREFIX}WEBHOOK_NETWORKS: {error}") from error
    if settings.smtp_security not in {"starttls", "tls", "none"}:
        raise SettingsError(f"{_PREFIX}SMTP_SECURITY={settings.smtp_security!r} is not starttls, tls or none")
    settings.smtp_secret()
    if settings.smtp_host:
        try:
            mail_address(settings.smtp_from)
        except ValueError as error:
            raise SettingsError(
                f"{_PREFIX}SMTP_FROM={settings.smtp_from!r} goes with {_PREFIX}SMTP_HOST: {error}"
            ) from error


def _is_broker(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return (
            parts.scheme in {"mqtt", "mqtts"}
            and bool(parts.hostname)
            and not parts.path.strip("/")
            and parts.port != 0
        )
    except ValueError:  # a port that is none
        return False


def _is_bind(bind: str) -> bool:
    host, _, port = bind.rpartition(":")
    return bool(host) and port.isdecimal() and int(port) <= 65535
