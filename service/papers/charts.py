"""Pictures of numbers as SVG: lines, steps, bars and ranges over days, numbers or names.

No script. Colours are CSS variables with a fallback, so that a page sets them for light and dark:
``--chart-ink``, ``--chart-muted``, ``--chart-grid``, ``--chart-paper`` and ``--chart-1`` to ``--chart-4``. Series
differ by dash, marker or hatching too, never by colour alone. Title and description are there for those who do not
see the picture; the numbers belong in a table beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

SVG_TYPE = "image/svg+xml"

Kind = Literal["line", "step", "bar", "range"]
X = date | float | str

_INK = "var(--chart-ink, #1f2328)"
_MUTED = "var(--chart-muted, #57606a)"
_GRID = "var(--chart-grid, #d0d7de)"
_PAPER = "var(--chart-paper, none)"
# Mid tones that keep 3:1 to white and to near-black, for files looked at outside a page.
_COLOURS = (
    "var(--chart-1, #2f6f9f)",
    "var(--chart-2, #a8591c)",
    "var(--chart-3, #6a5aa8)",
    "var(--chart-4, #5f7a2a)",
)
_DASHES = ("", "7 4", "2 3", "9 3 2 3")
_FONT = 12.0


@dataclass(frozen=True)
class Series:
    """One row of numbers along x; None leaves a gap."""

    name: str
    kind: Kind
    y: Sequence[float | None]
    high: Sequence[float | None] = ()
    """Of a range: its upper ends; ``y`` are the lower ones."""


@dataclass(frozen=True, kw_only=True)
class Chart:
    """What is shown."""

    title: str
    description: str
    """A sentence that says what the picture shows."""
    x: Sequence[X]
    x_label: str
    y_label: str
    """With the unit."""
    series: Sequence[Series]
    from_zero: bool = True
    width: int = 720
    height: int = 320
    name: str = "chart"
    """Of its ids: unlike that of other pictures of a page."""


def svg(chart: Chart) -> str:
    """Return a picture.

    Raises
    ------
    ValueError
        If a series is not as long as x.
    """
    for series in chart.series:
        if len(series.y) != len(chart.x) or (series.kind == "range" and len(series.high) != len(chart.x)):
            raise ValueError(f"series {series.name!r} is not as long as x")
    return _Drawing(chart).draw()


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers that span a range: steps of 1, 2, 2.5 or 5 times a power of ten."""
    if not high - low > 1e-9 * max(abs(low), abs(high), 1.0):
        high = low + max(abs(low), 1.0)
    raw = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(n * step, 12) for n in range(first, last + 1)]


class _Drawing:
    """Places and draws one chart."""

    def __init__(self, chart: Chart) -> None:
        self._chart = chart
        values = [v for s in chart.series for v in (*s.y, *s.high) if v is not None and math.isfinite(v)]
        low, high = min(values, default=0.0), max(values, default=1.0)
        if chart.from_zero or any(s.kind == "bar" for s in chart.series):
            low, high = min(low, 0.0), max(high, 0.0)
        self._ticks = ticks(low, high)
        self._low, self._high = self._ticks[0], self._ticks[-1]
        widest = max(len(_number(t)) for t in self._ticks)
        self._left, self._right = 34.0 + 7.2 * widest, chart.width - 16.0
        self._top = 30.0 + 20.0 * self._legend_rows()
        self._bottom = chart.height - 46.0
        self._bars = [s for s in chart.series if s.kind == "bar"]
        self._numbers = self._as_numbers()

    def draw(self) -> str:
        chart = self._chart
        shown = [*self._grid(), *self._x_axis(), *self._shapes(), *self._legend()]
        title, desc = f"{chart.name}-title", f"{chart.name}-desc"
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {chart.width} {chart.height}"'
            f' width="{chart.width}" height="{chart.height}" role="img"'
            f" aria-labelledby={quoteattr(f'{title} {desc}')}"
            f' font-family="system-ui, sans-serif" font-size="{_FONT:g}">'
            f"<title id={quoteattr(title)}>{_escaped(chart.title)}</title>"
            f"<desc id={quoteattr(desc)}>{_escaped(chart.description)}</desc>"
            f"<defs>{''.join(self._hatches())}</defs>"
            f'<rect width="100%" height="100%" fill="{_PAPER}"/>'
            f"{self._text(12, 18, chart.title, weight='600')}"
            f"{''.join(shown)}</svg>"
        )

    # ----------------------------------------------------------------------- scales

    def _as_numbers(self) -> list[float]:
        return [
            float(x.toordinal()) if isinstance(x, date) else float(n) if isinstance(x, str) else float(x)
            for n, x in enumerate(self._chart.x)
        ]

    def _span(self) -> tuple[float, float]:
        low, high = min(self._numbers, default=0.0), max(self._numbers, default=1.0)
        half = self._step() / 2 if self._bars or isinstance(next(iter(self._chart.x), None), str) else 0.0
        return (low - half, high + half) if high + half > low - half else (low - 0.5, low + 0.5)

    def _step(self) -> float:
        """Return the least distance of two x: the room of one group of bars."""
        every = sorted(set(self._numbers))
        return min((b - a for a, b in pairwise(every)), default=1.0)

    def _x(self, value: float) -> float:
        low, high = self._span()
        return self._left + (value - low) / (high - low) * (self._right - self._left)

    def _y(self, value: float) -> float:
        return self._bottom - (value - self._low) / (self._high - self._low) * (self._bottom - self._top)

    # ----------------------------------------------------------------------- axes

    def _grid(self) -> list[str]:
        parts = []
        for tick in self._ticks:
            y = self._y(tick)
            ink = _MUTED if tick == 0 else _GRID
            parts.append(
                f'<line x1="{self._left:.1f}" x2="{self._right:.1f}" y1="{y:.1f}" y2="{y:.1f}" stroke="{ink}"/>'
            )
            parts.append(self._text(self._left - 6, y + 4, _number(tick), anchor="end", ink=_MUTED))
        middle = (self._top + self._bottom) / 2
        turned = f' transform="rotate(-90 14 {middle:.1f})"'
        parts.append(self._text(14, middle, self._chart.y_label, anchor="middle", ink=_MUTED, more=turned))
        return parts

    def _x_axis(self) -> list[str]:
        shown = self._x_ticks()
        parts = [
            self._text(self._x(at), self._bottom + 16, label, anchor="middle", ink=_MUTED)
            for at, label in shown
        ]
        parts += [
            f'<line x1="{self._x(at):.1f}" x2="{self._x(at):.1f}" y1="{self._bottom:.1f}"'
            f' y2="{self._bottom + 4:.1f}" stroke="{_MUTED}"/>'
            for at, _ in shown
        ]
        centre = (self._left + self._right) / 2
        parts.append(
            self._text(centre, self._chart.height - 8, self._chart.x_label, anchor="middle", ink=_MUTED)
        )
        return parts

    def _x_ticks(self) -> list[tuple[float, str]]:
        xs = list(self._chart.x)
        if not xs:
            return []
        room = self._right - self._left
        if isinstance(xs[0], str):
            most = max(int(room / (7.2 * max(len(str(x)) for x in xs) + 12)), 1)
            every = math.ceil(len(xs) / most)
            return [(float(n), str(x)) for n, x in enumerate(xs) if n % every == 0]
        if isinstance(xs[0], date):
            days = sorted({x for x in xs if isinstance(x, date)})
            most = max(int(room / 84), 1)
            if len(days) <= most:
                return [(float(x.toordinal()), x.isoformat()) for x in days]
            every = math.ceil((days[-1] - days[0]).days / most)
            every = math.ceil(every / 7) * 7 if every > 3 else every
            count = (days[-1] - days[0]).days // every + 1
            at = [days[0] + timedelta(days=n * every) for n in range(count)]
            return [(float(x.toordinal()), x.isoformat()) for x in at]
        low, high = min(self._numbers), max(self._numbers)
        return [(t, _number(t)) for t in ticks(low, high, 8) if low - 1e-9 <= t <= high + 1e-9]

    # ----------------------------------------------------------------------- series

    def _shapes(self) -> list[str]:
        order = {"range": 0, "bar": 1, "step": 2, "line": 3}
        numbered = sorted(enumerate(self._chart.series), key=lambda pair: order[pair[1].kind])
        draws = {"range": self._range, "bar": self._bar, "step": self._line, "line": self._line}
        return [part for n, series in numbered for part in draws[series.kind](n, series)]

    def _runs(self, series: Series) -> list[list[int]]:
        """Return the places of unbroken runs of values."""
        runs: list[list[int]] = [[]]
        for i, y in enumerate(series.y):
            known = y is not None and (series.kind != "range" or series.high[i] is not None)
            if known:
                runs[-1].append(i)
            elif runs[-1]:
                runs.append([])
        return [run for run in runs if run]

    def _line(self, n: int, series: Series) -> list[str]:
        parts = []
        colour, dash = _COLOURS[n % 4], _DASHES[n % 4]
        for run in self._runs(series):
            path = ""
            for k, i in enumerate(run):
                x, y = self._x(self._numbers[i]), self._y(_known(series.y[i]))
                if not k:
                    path = f"M{x:.1f} {y:.1f}"
                else:
                    path += f"H{x:.1f}V{y:.1f}" if series.kind == "step" else f"L{x:.1f} {y:.1f}"
            parts.append(
                f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="2"'
                f' stroke-dasharray="{dash or "none"}" stroke-linejoin="round"/>'
            )
            if series.kind == "line" and len(self._numbers) <= 80:
                parts += [
                    _marker(n, self._x(self._numbers[i]), self._y(_known(series.y[i])), colour) for i in run
                ]
        return parts

    def _range(self, n: int, series: Series) -> list[str]:
        parts = []
        for run in self._runs(series):
            up = [(self._x(self._numbers[i]), self._y(_known(series.high[i]))) for i in run]
            down = [(self._x(self._numbers[i]), self._y(_known(series.y[i]))) for i in reversed(run)]
            if len(run) == 1:  # a range of one day has no width of its own
                up, down = (
                    [(x + d, y) for x, y in up for d in (-3, 3)],
                    [(x + d, y) for x, y in down for d in (3, -3)],
                )
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in [*up, *down])
            colour = _COLOURS[n % 4]
            parts.append(
                f'<polygon points="{points}" fill="{colour}" fill-opacity="0.2" stroke="{colour}"'
                f' stroke-dasharray="3 3"/>'
            )
        return parts

    def _bar(self, n: int, series: Series) -> list[str]:
        place = self._bars.index(series)
        low, high = self._span()
        room = self._step() / (high - low) * (self._right - self._left) * 0.8
        width = max(room / len(self._bars), 1.0)
        zero = self._y(0.0)
        parts = []
        for i, y in enumerate(series.y):
            if y is None:
                continue
            left = self._x(self._numbers[i]) - room / 2 + place * width
            top = min(self._y(y), zero)
            parts.append(
                f'<rect x="{left:.1f}" y="{top:.1f}" width="{width:.1f}" height="{abs(self._y(y) - zero):.1f}"'
                f' fill={quoteattr(self._fill(n))} stroke="{_COLOURS[n % 4]}"/>'
            )
        return parts

    def _fill(self, n: int) -> str:
        return _COLOURS[0] if n % 4 == 0 else f"url(#{self._chart.name}-hatch-{n % 4})"

    def _hatches(self) -> list[str]:
        needed = {n % 4 for n, s in enumerate(self._chart.series) if s.kind == "bar"} - {0}
        lines = {1: "M0 8L8 0", 2: "M0 4H8", 3: "M4 0V8M0 4H8"}
        return [
            f'<pattern id={quoteattr(f"{self._chart.name}-hatch-{n}")} width="8" height="8"'
            f' patternUnits="userSpaceOnUse"><path d="{lines[n]}" stroke="{_COLOURS[n]}" stroke-width="2.5"/>'
            f"</pattern>"
            for n in sorted(needed)
        ]

    # ----------------------------------------------------------------------- legend and text

    def _legend_places(self) -> list[tuple[float, int]]:
        places, x, row = [], 12.0, 0
        for series in self._chart.series:
            width = 34.0 + 7.2 * len(series.name)
            if x + width > self._chart.width and x > 12.0:
                x, row = 12.0, row + 1
            places.append((x, row))
            x += width + 10.0
        return places

    def _legend_rows(self) -> int:
        return self._legend_places()[-1][1] + 1 if len(self._chart.series) > 1 else 0

    def _legend(self) -> list[str]:
        if len(self._chart.series) < 2:
            return []
        parts = []
        for n, (series, (x, row)) in enumerate(zip(self._chart.series, self._legend_places(), strict=True)):
            y = 36.0 + 20.0 * row
            colour = _COLOURS[n % 4]
            if series.kind == "bar":
                parts.append(
                    f'<rect x="{x}" y="{y - 6}" width="24" height="10" fill={quoteattr(self._fill(n))}'
                    f' stroke="{colour}"/>'
                )
            elif series.kind == "range":
                parts.append(
                    f'<rect x="{x}" y="{y - 6}" width="24" height="10" fill="{colour}" fill-opacity="0.2"'
                    f' stroke="{colour}" stroke-dasharray="3 3"/>'
                )
            else:
                parts.append(
                    f'<line x1="{x}" x2="{x + 24}" y1="{y}" y2="{y}" stroke="{colour}" stroke-width="2"'
                    f' stroke-dasharray="{_DASHES[n % 4] or "none"}"/>'
                )
                if series.kind == "line":
                    parts.append(_marker(n, x + 12, y, colour))
            parts.append(self._text(x + 30, y + 4, series.name))
        return parts

    @staticmethod
    def _text(
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "start",
        ink: str = _INK,
        weight: str = "",
        more: str = "",
    ) -> str:
        bold = f' font-weight="{weight}"' if weight else ""
        return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{ink}"{bold}{more}>{_escaped(text)}</text>'


def _marker(n: int, x: float, y: float, colour: str) -> str:
    shapes = (
        f"M{x - 3:.1f} {y:.1f}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0",
        f"M{x - 3:.1f} {y - 3:.1f}h6v6h-6z",
        f"M{x:.1f} {y - 4:.1f}l4 7h-8z",
        f"M{x:.1f} {y - 4:.1f}l4 4l-4 4l-4 -4z",
    )
    return f'<path d="{shapes[n % 4]}" fill="{colour}"/>'


def _known(value: float | None) -> float:
    assert value is not None  # noqa: S101 - runs hold known values only
    return value


def _number(value: float) -> str:
    return f"{value:g}" if abs(value) < 1e5 else f"{value:,.0f}"


def _escaped(text: str) -> str:
    # Control characters are not allowed in XML at all.
    return escape("".join(c if c.isprintable() else " " for c in text))
