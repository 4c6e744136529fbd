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

from service.clock import parse_clock

_PREFIX = "EVENLEAF_"


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
    ingest: bool = True
    """Whether ``evenleaf serve`` also listens to the broker; false where ``evenleaf ingest`` runs beside it."""
    host: str = "127.0.0.1"
    """Address to serve HTTP on."""
    port: int = 8717
    """Port to serve HTTP on."""
    clock: str = ""
    """A simulated clock, see :mod:`service.clock`; empty: the machine's time."""
    reforecast_minutes: float = 15.0
    """Minutes between two re-forecasts."""
    members: int = 60
    """Futures in an outlook."""
    horizon_days: int = 120
    """Days after which a date not reached is reported as not reached."""
    max_reading_age_days: float = 400.0
    """Older readings are refused as too old."""
    max_reading_lead_s: float = 300.0
    """Readings further ahead of the clock are refused as in the future."""
    log_level: str = "INFO"
    """DEBUG, INFO, WARNING or ERROR."""

    def store_url(self) -> str:
        """Return the SQLAlchemy URL of the store."""
        if self.database_url_file:
            return Path(self.database_url_file).read_text(encoding="utf-8").strip()
        return self.database_url or f"sqlite+aiosqlite:///{self.data_dir / 'evenleaf.sqlite3'}"


def load_settings(environ: Mapping[str, str] | None = None, file: Path | None = None) -> Settings:
    """Return the settings from a TOML file, if any, and the environment, which wins.

    Raises
    ------
    SettingsError
        If a key is unknown or a value is not what the key takes.
    """
    environ = os.environ if environ is None else environ
    known = {f.name: hint for f in fields(Settings) for hint in [get_type_hints(Settings)[f.name]]}
    values: dict[str, Any] = {}
    path = file or (Path(environ[f"{_PREFIX}CONFIG"]) if environ.get(f"{_PREFIX}CONFIG") else None)
    if path is not None:
        try:
            given = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, tomllib.TOMLDecodeError) as error:
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
        if kind is bool:
            if isinstance(value, bool):
                return value
            return {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}[
                str(value).lower()
            ]
        return kind(value)
    except (ValueError, TypeError, KeyError):
        raise SettingsError(f"{shown}={value!r} is not {_SAID[kind]}") from None


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
        "reforecast_minutes": (0.5, 1440),
        "members": (10, 1000),
        "horizon_days": (30, 365),
        "max_reading_age_days": (1, 36500),
        "max_reading_lead_s": (0, 86400),
    }
    for key, (low, high) in bounds.items():
        value = getattr(settings, key)
        if not low <= value <= high:
            raise SettingsError(f"{_PREFIX}{key.upper()}={value!r} is not between {low} and {high}")
    try:
        parse_clock(settings.clock)
    except ValueError as error:
        raise SettingsError(f"{_PREFIX}CLOCK: {error}") from error
    if settings.mqtt_url and not settings.mqtt_url.startswith(("mqtt://", "mqtts://")):
        raise SettingsError(
            f"{_PREFIX}MQTT_URL={settings.mqtt_url!r} does not begin with mqtt:// or mqtts://"
        )
    if settings.log_level not in {"DEBUG", "INFO", "WARNING", "ERROR"}:
        raise SettingsError(f"{_PREFIX}LOG_LEVEL={settings.log_level!r} is not DEBUG, INFO, WARNING or ERROR")
