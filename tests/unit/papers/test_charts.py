"""Pictures: well-formed, to scale, told in words, and without colour alone."""

from __future__ import annotations

import re
from datetime import date, timedelta
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.papers.charts import Chart, Series, svg, ticks

SVG = "{http://www.w3.org/2000/svg}"


def chart(**more: Any) -> Chart:
    values: dict[str, Any] = {
        "title": "Heads & weight <by week>",
        "description": "300 heads in two weeks.",
        "x": [date(2026, 9, 7), date(2026, 9, 14), date(2026, 9, 21)],
        "x_label": "week from Monday",
        "y_label": "heads",
        "series": [Series("heads", "bar", [100.0, 200.0, None])],
        **more,
    }
    return Chart(**values)


def parsed(shown: Chart) -> ET.Element:
    return ET.fromstring(svg(shown))  # noqa: S314 - our own text


def test_bars_are_to_scale() -> None:
    root = parsed(chart())
    bars = [r for r in root.iter(f"{SVG}rect") if r.get("stroke")]
    assert len(bars) == 2
    first, second = (float(r.get("height", "nan")) for r in bars)
    assert second == pytest.approx(2 * first, rel=0.01)
    assert len({float(r.get("y", "nan")) + float(r.get("height", "nan")) for r in bars}) == 1


def test_it_is_told_in_words() -> None:
    root = parsed(chart(name="weekly"))
    assert root.get("role") == "img"
    title, desc = (root.get("aria-labelledby") or "").split()
    told = {e.get("id"): e.text for e in root if e.tag in {f"{SVG}title", f"{SVG}desc"}}
    assert told == {title: "Heads & weight <by week>", desc: "300 heads in two weeks."}
    words = {e.text for e in root.iter(f"{SVG}text")}
    assert {"2026-09-07", "2026-09-14", "heads", "week from Monday", "0", "200"} <= words


def test_series_differ_without_colour() -> None:
    x = [1.0, 2.0, 3.0]
    lines = [Series(f"line {n}", "line", [1.0, 2.0, n]) for n in range(4)]
    root = parsed(chart(x=x, series=lines))
    paths = [p for p in root.iter(f"{SVG}path") if p.get("fill") == "none"]
    assert len({p.get("stroke-dasharray") for p in paths}) == 4
    bars = [Series(f"bar {n}", "bar", [1.0, 2.0, 3.0]) for n in range(3)]
    root = parsed(chart(x=x, series=bars))
    assert len({r.get("fill") for r in root.iter(f"{SVG}rect") if r.get("stroke")}) == 3
    ids = {e.get("id") for e in root.iter() if e.get("id")}
    for used in re.findall(r"url\(#([^)]+)\)", svg(chart(x=x, series=bars))):
        assert used in ids


def test_colours_are_the_pages_and_nothing_is_run() -> None:
    text = svg(chart(series=[Series("a", "range", [1, 2, 3], [2, 3, 4]), Series("b", "step", [1, None, 3])]))
    assert "<script" not in text
    assert "style=" not in text  # a strict page policy refuses it
    for attribute in re.findall(r'(?:fill|stroke)="([^"]+)"', text):
        assert attribute == "none" or attribute.startswith(("var(--chart-", "url(#"))


def test_a_gap_breaks_a_line() -> None:
    root = parsed(chart(x=[1.0, 2.0, 3.0, 4.0], series=[Series("a", "line", [1.0, None, 3.0, 4.0])]))
    paths = [p.get("d") or "" for p in root.iter(f"{SVG}path") if p.get("fill") == "none"]
    assert [path.count("L") for path in paths] == [0, 1]


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 12))
def test_ticks_span_the_range_evenly(low: float, span: float, most: int) -> None:
    found = ticks(low, low + span, most)
    step = found[1] - found[0]
    assert found[0] <= low + 1e-6 * step
    assert found[-1] >= low + span - 1e-6 * step
    assert len(found) <= most + 2
    assert all(b - a == pytest.approx(step, rel=1e-3, abs=1e-9) for a, b in pairwise(found))


values = st.lists(st.none() | st.floats(-1e5, 1e5), min_size=0, max_size=12)


@given(
    values,
    st.sampled_from(["line", "step", "bar", "range"]),
    st.sampled_from(["day", "number", "name"]),
    st.text(),
)
def test_anything_makes_a_picture(y: list[float | None], kind: Any, what: str, title: str) -> None:
    makes: dict[str, Any] = {
        "day": lambda n: date(2026, 1, 5) + timedelta(days=7 * n),
        "number": float,
        "name": lambda n: f"S{n}",
    }
    high = [None if v is None else v + 1 for v in y] if kind == "range" else []
    series = [Series("a", kind, y, high), Series("b", "line", y)]
    root = parsed(chart(title=title, x=[makes[what](n) for n in range(len(y))], series=series))
    assert root.tag == f"{SVG}svg"
    assert "nan" not in ET.tostring(root, encoding="unicode")


def test_a_series_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match="'a' is not as long"):
        svg(chart(series=[Series("a", "line", [1.0])]))
