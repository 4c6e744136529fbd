"""What alerts and advice say on the pages: every code has a text, in the reader's units."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.records.tables import Alert
from service.web.texts import Formats, Units, catalogue
from service.web.words import alert_said, reasons_said
from service.work.alerts import Condition
from service.work.words import ALERTS, REASONS, reason

AT = datetime(2026, 9, 14, 6, tzinfo=UTC)
KEPT = "kept in English"


def formats(units: Units) -> Formats:
    return Formats(catalogue(), ZoneInfo("Europe/Amsterdam"), units)


def sample(name: str) -> Any:
    """Return a figure such as one of this name may be."""
    for end, value in (("ByC", 3.0), ("C", 21.5), ("G", 28.35), ("On", "2026-09-20"), ("Share", 0.4)):
        if name.endswith(end):
            return value
    if name.endswith("At"):
        return AT.isoformat()
    if name in {"zone", "place", "sensor", "succession", "batch", "quantity", "unit", "lot", "other"}:
        return f"the {name}"
    seedings = [{"on": "2026-09-20", "cells": 200}, {"on": "2026-09-24", "cells": 100}]
    return {"batches": ["B1", "B2"], "months": [4, 9], "seedings": seedings}.get(name, 7)


def alert(kind: str, words: dict[str, Any] | None) -> Alert:
    return Alert(
        house_id=1,
        kind=kind,
        subject="s",
        severity="warning",
        title=KEPT,
        detail=KEPT,
        next_step=KEPT,
        evidence={},
        opened_at=AT,
        updated_at=AT,
        words=words,
    )


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_code_of_an_alert_is_worded(units: Units) -> None:
    f = formats(units)
    for kind, codes in ALERTS.items():
        for code, names in codes.items():
            words: dict[str, Any] = {"code": code, **{name: sample(name) for name in names}}
            if kind == "seeding_interval":
                words["why"] = [reason("", "measured", zone="Channels", dliMol=13.3, meanC=20.0).words]
            said = alert_said(f, alert(kind, words))
            text = f"{said.title} {said.detail}"
            assert KEPT not in text, (kind, code)
            assert "{" not in text + said.next_step
            if kind == "seeding_interval" or any(name.endswith("C") for name in names):
                assert ("°F" in text, "°C" in text) == ((True, False) if units == "us" else (False, True))


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_reason_is_worded(units: Units) -> None:
    f = formats(units)
    for code, names in REASONS.items():
        one = reason(KEPT, code, **{name: sample(name) for name in names})
        (said,) = reasons_said(f, [one.text], [one.words])
        assert KEPT not in said, code
        assert "{" not in said
        if any(name.endswith("C") for name in names):
            assert ("°F" in said) == (units == "us")


def test_a_difference_has_no_zero_point() -> None:
    """3 °C more are 5.4 °F more, and 24 °C are 75.2 °F."""
    words = {
        "code": "warm",
        "next": "warm",
        "zone": "Channels",
        "offByC": 3.0,
        "setPointC": 24.0,
        "hours": 6,
        "sinceAt": AT.isoformat(),
    }
    said = alert_said(formats("us"), alert("temp_off_plan", words))
    assert "5.4 °F above the ventilation set point of 75.2 °F, since Mon, Sep 14, 8:00 am" in said.detail
    assert said.next_step.startswith("Check vents")


def test_what_has_no_words_or_other_ones_is_shown_as_it_was_kept() -> None:
    f = formats("metric")
    for words in (None, {"code": "new"}, {"code": "warm", "zone": "Channels"}):
        said = alert_said(f, alert("temp_off_plan", words))
        assert (said.title in {KEPT, "Channels: warmer than the house is set to"}, said.detail) == (
            True,
            KEPT,
        )
    assert reasons_said(f, ["a", "b"], [{"code": "go_longer"}]) == ["a", "b"]
    assert reasons_said(f, ["a"], None) == ["a"]


def test_what_is_not_in_the_list_is_not_said() -> None:
    with pytest.raises(ValueError, match="go_longer"):
        reason("x", "go_longer", n=1)
    with pytest.raises(ValueError, match="temp_off_plan"):
        Condition(
            kind="temp_off_plan",
            subject="s",
            severity="info",
            title="t",
            detail="d",
            next_step="n",
            words={"code": "warm"},
        )
