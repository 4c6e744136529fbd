"""The catalogue: all that is shown is in it, all in it is shown; numbers and days are written right."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import service.web
from service.web.texts import Formats, catalogue
from service.work.alert_kinds import KINDS

WEB = Path(service.web.__file__).parent
TEMPLATES = sorted((WEB / "templates").glob("*.html"))
SOURCES = [*TEMPLATES, *sorted(WEB.glob("*.py")), *sorted((WEB / "assets").glob("*.js"))]
# Made of parts in templates and code: "kind." and an entry's kind.
MADE_UP = (
    "nav.", "stage.", "event.", "kind.", "record.", "severity.", "decision.", "advice.bar_", "advice.sentence_",
    "advice.binding_", "today.due_", "said.", "error.", "crop.", "setup.step.", "unit.", "format.", "zone.", "batch.",
    "belt.gap", "belt.glut", "script.", "seed.state_", "seed.form_", "seed.reason_", "trace.kind_", "plan.",
    "orders.unit_", "orders.counted_", "report.stage_", "settings.holds_", "settings.role_", "settings.scope_",
    "receivers.", "alert.", "why.", "log.kind_", "log.save_", "log.what_", "log.event_", "log.caution_",
)  # fmt: skip


def test_no_text_stands_in_a_template() -> None:
    """What is left of a template without its tags and expressions is punctuation."""
    for file in TEMPLATES:
        classes = re.compile(r"\{% block body %\}.*?\{% endblock %\}")
        text = re.sub(
            r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}",
            " ",
            classes.sub("", file.read_text(encoding="utf-8")),
            flags=re.DOTALL,
        )
        text = re.sub(r"<[^>]*>|[\w-]+=\"[^\"]*\"", " ", text)  # tags, and attributes that a macro writes
        assert not re.search(r"[A-Za-z]{2}", text), (file.name, re.findall(r"\S*[A-Za-z]{2}\S*", text))


def test_every_text_is_used_and_every_used_text_is_there() -> None:
    """Keys written out in full are in the catalogue, and nothing in it is left over."""
    everything = "\n".join(file.read_text(encoding="utf-8") for file in SOURCES)
    known = catalogue().keys
    written = re.findall(r"""(?:\bt|(?:texts|catalogue\(\))\.text)\(\s*["']([\w.]+)["']""", everything)
    named = {key for key in written if not key.endswith((".", "_"))}
    assert named <= known
    scripts = {f"script.{key}" for key in re.findall(r"""\bsay\("(\w+)\"""", everything)}
    assert {k for k in known if k.startswith("script.")} == scripts
    assert not {k for k in known - named if not k.startswith(MADE_UP)}


@pytest.mark.parametrize(
    ("units", "day", "moment", "weight", "temperature"),
    [
        ("metric", "Mon 14 Sep", "Mon 14 Sep, 01:30", "152 g", "21.5 °C"),
        ("us", "Mon, Sep 14", "Mon, Sep 14, 1:30 am", "5.4 oz", "70.7 °F"),
    ],
)
def test_days_and_amounts(units: str, day: str, moment: str, weight: str, temperature: str) -> None:
    """In the house's zone and the reader's units."""
    f = Formats(catalogue(), ZoneInfo("Europe/Amsterdam"), units)  # type: ignore[arg-type]
    at = datetime(2026, 9, 13, 23, 30, tzinfo=UTC)
    assert f.day(at) == f.day(date(2026, 9, 14)) == day
    assert f.moment(at) == moment
    assert f.weight(152.0) == weight
    assert f.temperature(21.5) == temperature
    assert (f.number(1234567), f.number(None), f.plain(2.50), f.plain(1200.0)) == (
        "1,234,567",
        "–",
        "2.5",
        "1,200",
    )
    assert (f.days(1.0), f.days(6.5), f.percent(0.923)) == ("1 day", "6.5 days", "92 %")
    assert f.range(at, None).endswith("or later")
    assert f.range(at, at) == f.short_day(at)


def test_every_kind_of_alert_has_a_name() -> None:
    assert {f"alert.{kind}.name" for kind in KINDS} <= catalogue().keys
