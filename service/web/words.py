"""What alerts and advice say, worded from the catalogue in the reader's units; see :mod:`service.work.words`.

What has no words, or no text in the catalogue, is shown in the sentence that was kept with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import groupby
from operator import itemgetter
from typing import Any

from service.records.tables import Advice, Alert
from service.web.texts import Formats


@dataclass(frozen=True)
class AlertSaid:
    """What an alert says."""

    title: str
    detail: str
    next_step: str


def alert_said(formats: Formats, alert: Alert) -> AlertSaid:
    """Return what an alert says to this reader."""
    words = alert.words or {}
    code, step = words.get("code", "is"), words.get("next", "next")
    key = f"alert.{alert.kind}"
    why = [_text(formats, f"why.{one.get('code')}", one) for one in words.get("why") or []]
    reasons = " ".join(one for one in why if one) if all(why) else ""
    return AlertSaid(
        _text(formats, f"{key}.{code}", words) or alert.title,
        reasons or _text(formats, f"{key}.{code}_detail", words) or alert.detail,
        _text(formats, f"{key}.{step}" if step == "next" else f"{key}.next_{step}", words) or alert.next_step,
    )


def advice_said(formats: Formats, succession: str, advice: Advice) -> str:
    """Return what an advice says in a sentence."""
    code = "hold" if advice.decision == "hold" else "change"
    if "headsOrdered" in advice.outcome:
        code = "orders" if advice.seedings else "orders_none"
    elif advice.outcome.get("paused"):  # unknown of what a former version advised
        code = "pause" if advice.seedings else "stop"
    return formats.texts.text(
        f"advice.sentence_{code}",
        succession=succession,
        now=formats.days(advice.interval_days),
        advised=formats.days(advice.advised_interval_days),
        cells=advice.cells_per_seeding,
        day=formats.day(advice.from_on),
        seedings=figure(formats, "seedings", advice.seedings[:3]),
    )


def reasons_said(
    formats: Formats, sentences: Sequence[str], why: Sequence[Mapping[str, Any]] | None
) -> list[str]:
    """Return reasons as they are said to this reader."""
    coded = why if why is not None and len(why) == len(sentences) else [{}] * len(sentences)
    return [
        _text(formats, f"why.{words.get('code')}", words) or sentence
        for sentence, words in zip(sentences, coded, strict=True)
    ]


def _text(formats: Formats, key: str, words: Mapping[str, Any]) -> str | None:
    if not words or key not in formats.texts:
        return None
    figures = {name: figure(formats, name, value) for name, value in words.items() if name != "why"}
    try:
        return formats.texts.text(key, **figures)
    except KeyError:  # said by a version that gave other figures
        return None


def figure(formats: Formats, name: str, value: Any) -> Any:
    """Return a figure as it is written; the end of its name says what it is."""
    if value is None or value == []:
        return formats.texts.text("format.none")
    if name == "seedings":
        return "; ".join(
            formats.texts.text(
                "format.seeding", cells=cells, days=figure(formats, "seedOn", [s["on"] for s in of])
            )
            for cells, of in groupby(value, key=itemgetter("cells"))
        )
    if isinstance(value, list):
        return ", ".join(str(figure(formats, name, one)) for one in value)
    if isinstance(value, str):
        return _named(formats, name, value)
    return _counted(formats, name, value)


def _named(formats: Formats, name: str, value: str) -> str:
    if name.endswith("On"):
        return formats.day(date.fromisoformat(value))
    return formats.moment(datetime.fromisoformat(value)) if name.endswith("At") else value


def _counted(formats: Formats, name: str, value: float) -> Any:
    if name == "months":
        return formats.texts.text(f"format.months.m{value}")
    for end, write in (
        ("ByC", formats.warmth),
        ("C", formats.temperature),
        ("G", formats.weight),
        ("Days", formats.days),
        ("Share", formats.percent),
    ):
        if name.endswith(end):
            return write(float(value))
    return value if isinstance(value, int) else formats.plain(value, 2)
