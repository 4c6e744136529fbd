"""The texts of the pages: one catalogue a language, with plurals; and how numbers, days and amounts are written.

A catalogue is ``texts.toml``; another language is another file of the same keys. A text may name parameters in
braces. One that depends on a number has the forms ``one`` and ``other`` and is chosen by the parameter ``n``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

Units = Literal["metric", "us"]

_GRAMS_OUNCE = 28.349523125  # exact, avoirdupois
_M2_FT2 = 0.09290304  # exact


class Catalogue:
    """The texts of one language."""

    def __init__(self, texts: Mapping[str, Any]) -> None:
        self._texts: dict[str, str | dict[str, str]] = {}
        self._add("", texts)
        # Most of a page's texts name no parameter, and there are thousands on a page.
        self._plain = {
            key: value
            for key, value in self._texts.items()
            if isinstance(value, str) and "{" not in value and "}" not in value
        }

    def _add(self, prefix: str, texts: Mapping[str, Any]) -> None:
        for name, value in texts.items():
            key = f"{prefix}{name}"
            if isinstance(value, Mapping) and set(value) != {"one", "other"}:
                self._add(f"{key}.", value)
            else:
                self._texts[key] = dict(value) if isinstance(value, Mapping) else str(value)

    @property
    def keys(self) -> frozenset[str]:
        """Every key."""
        return frozenset(self._texts)

    def __contains__(self, key: str) -> bool:
        return key in self._texts

    def text(self, key: str, /, **parameters: Any) -> str:
        """Return a text.

        Raises
        ------
        KeyError
            If there is no such text, or it names a parameter that is not given.
        """
        plain = self._plain.get(key)
        if plain is not None:
            return plain
        found = self._texts[key]
        if isinstance(found, dict):
            found = found["one" if parameters["n"] == 1 else "other"]
        shown = {name: _shown(value) for name, value in parameters.items()}
        return found.format_map(shown)

    def below(self, prefix: str) -> dict[str, str]:
        """Return the texts under a prefix, by the rest of their keys."""
        start = f"{prefix}."
        return {
            key.removeprefix(start): value
            for key, value in self._texts.items()
            if key.startswith(start) and isinstance(value, str)
        }


def _shown(value: Any) -> str:
    return f"{value:,}" if isinstance(value, int) and not isinstance(value, bool) else str(value)


@cache
def catalogue(language: str = "en") -> Catalogue:
    """Return the catalogue of a language."""
    name = "texts.toml" if language == "en" else f"texts-{language}.toml"
    return Catalogue(tomllib.loads((Path(__file__).parent / name).read_text(encoding="utf-8")))


@dataclass(frozen=True)
class Formats:
    """How numbers, days and amounts are written for one reader of one house."""

    texts: Catalogue
    zone: ZoneInfo
    units: Units = "metric"
    _days: dict[tuple[str, date], str] = field(default_factory=dict, init=False, repr=False, compare=False)

    # ------------------------------------------------------------------- numbers and amounts

    def number(self, value: float | None, digits: int = 0) -> str:
        """Return a number with so many digits after the point; none: a dash."""
        return self.texts.text("format.none") if value is None else f"{value:,.{digits}f}"

    def plain(self, value: float, digits: int = 2) -> str:
        """Return a number without trailing zeros."""
        return f"{value:,.{digits}f}".rstrip("0").rstrip(".") if value % 1 else f"{value:,.0f}"

    def percent(self, share: float) -> str:
        """Return a share, 0..1, in percent."""
        return self.texts.text("format.percent", value=f"{100 * share:.0f}")

    def weight(self, grams: float | None) -> str:
        """Return a plant's weight."""
        if grams is None:
            return self.texts.text("format.none")
        value = grams / _GRAMS_OUNCE if self.units == "us" else grams
        digits = 2 if value < 1 else 1 if value < 10 else 0
        return self.texts.text(f"unit.{self.units}.weight_value", value=self.number(value, digits))

    def temperature(self, celsius: float | None) -> str:
        """Return a temperature."""
        if celsius is None:
            return self.texts.text("format.none")
        value = celsius * 9 / 5 + 32 if self.units == "us" else celsius
        return self.texts.text(f"unit.{self.units}.temperature_value", value=self.number(value, 1))

    def reading(self, quantity: str, unit: str, value: float) -> str:
        """Return what a sensor said; temperatures in the reader's unit, units as they are written by hand."""
        if quantity.startswith("temp_"):
            return self.temperature(value)
        key = f"unit.of.{quantity}"
        shown = self.texts.text(key) if key in self.texts else unit
        return f"{self.plain(value, 2)} {shown}"

    def warmth(self, celsius: float) -> str:
        """Return a difference of temperatures."""
        value = celsius * 9 / 5 if self.units == "us" else celsius
        return self.texts.text(f"unit.{self.units}.temperature_value", value=self.number(value, 1))

    def days(self, value: float | None) -> str:
        """Return a number of days."""
        if value is None:
            return self.texts.text("format.none")
        shown = self.plain(value, 1)
        return self.texts.text("format.days", n=1 if shown == "1" else shown)

    # ------------------------------------------------------------------- days and moments

    def local(self, moment: datetime) -> datetime:
        """Return a moment in the house's zone."""
        return moment.astimezone(self.zone)

    def day(self, when: date | datetime | None) -> str:
        """Return a day with its weekday, for example Mon 14 Sep."""
        return self._day("format.day", when)

    def short_day(self, when: date | datetime | None) -> str:
        """Return a day without its weekday, for example 14 Sep."""
        return self._day("format.short_day", when)

    def full_day(self, when: date | datetime | None) -> str:
        """Return a day with its year, for example Mon 14 Sep 2026."""
        return self._day("format.full_day", when)

    def moment(self, when: datetime | None) -> str:
        """Return a moment, for example Mon 14 Sep, 08:30."""
        if when is None:
            return self.texts.text("format.none")
        return self.texts.text("format.moment", day=self.day(when), time=self.time(when))

    def time(self, when: datetime) -> str:
        """Return the time of day."""
        local = self.local(when)
        if self.units == "us":
            half = self.texts.text("format.am" if local.hour < 12 else "format.pm")
            return f"{local.hour % 12 or 12}:{local:%M} {half}"
        return f"{local:%H:%M}"

    def range(self, first: datetime | None, last: datetime | None) -> str:
        """Return two days as a range; a day that is none lies beyond what can be foreseen."""
        if first is None:
            return self.texts.text("format.later")
        if last is None:
            return self.texts.text("format.from", day=self.short_day(first))
        if self.local(first).date() == self.local(last).date():
            return self.short_day(first)
        return self.texts.text("format.range", first=self.short_day(first), last=self.short_day(last))

    def between(self, first: datetime | None, last: datetime | None) -> str:
        """Return when something lies within a range of days, as it stands in a sentence."""
        if first is None or last is None:
            return self.range(first, last)
        if self.local(first).date() == self.local(last).date():
            return self.texts.text("format.on", day=self.short_day(first))
        return self.texts.text("format.between", first=self.short_day(first), last=self.short_day(last))

    def _day(self, key: str, when: date | datetime | None) -> str:
        if when is None:
            return self.texts.text("format.none")
        day = self.local(when).date() if isinstance(when, datetime) else when
        written = self._days.get((key, day))
        if written is None:
            written = self._days[key, day] = self._written(key, day)
        return written

    def _written(self, key: str, day: date) -> str:
        # The day alone, not as a number with separators.
        return self.texts.text(
            f"{key}_us" if self.units == "us" else key,
            weekday=self.weekday(day.isoweekday()),
            day=str(day.day),
            month=self.texts.text(f"format.months.m{day.month}"),
            year=str(day.year),
        )

    def weekday(self, iso: int) -> str:
        """Return the short name of a weekday, 1 Monday .. 7 Sunday."""
        return self.texts.text(f"format.weekdays.d{iso}")

    # ------------------------------------------------------------------- what is typed

    @property
    def weight_scale(self) -> float:
        """Grams in the unit in which this reader types a plant's weight."""
        return _GRAMS_OUNCE if self.units == "us" else 1.0

    @property
    def density_scale(self) -> float:
        """Plants a square metre in the unit in which this reader types a spacing."""
        return 1.0 / _M2_FT2 if self.units == "us" else 1.0

    @property
    def height_scale(self) -> float:
        """Metres in the unit in which this reader types a height."""
        return 0.3048 if self.units == "us" else 1.0
