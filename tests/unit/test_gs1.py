"""GS1: check digits, lot codes and element strings, against published examples and another implementation."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from biip.gs1_messages import GS1Message
from biip.gtin import Gtin
from hypothesis import given
from hypothesis import strategies as st

from service.work import gs1

# The first is the worked example of gs1.org's "How to calculate a check digit manually"; the sums of all of them by
# the same rule: 57, 63, 23, 90 and 77.
CHECKED = [
    ("629104150021", 3),
    ("890400021003", 7),
    ("730001100001", 7),
    ("501234567890", 0),
    ("0952123454321", 3),
]


@pytest.mark.parametrize(("digits", "check"), CHECKED)
def test_published_check_digits(digits: str, check: int) -> None:
    assert gs1.check_digit(digits) == check
    assert gs1.check_gtin(f"{digits}{check}") == f"{digits}{check}"
    with pytest.raises(ValueError, match=f"the check digit of {digits} is {check}"):
        gs1.check_gtin(f"{digits}{(check + 1) % 10}")


@given(st.sampled_from([7, 11, 12, 13]).flatmap(lambda n: st.text("0123456789", min_size=n, max_size=n)))
def test_check_digits_agree_with_another_implementation(digits: str) -> None:
    gtin = f"{digits}{gs1.check_digit(digits)}"
    assert int(Gtin.parse(gtin.rjust(14, "0")).check_digit) == gs1.check_digit(digits)


@given(st.text("0123456789", min_size=13, max_size=13), st.integers(0, 13), st.integers(1, 9))
def test_one_wrong_digit_is_always_found(digits: str, place: int, off: int) -> None:
    gtin = f"{digits}{gs1.check_digit(digits)}"
    wrong = gtin[:place] + str((int(gtin[place]) + off) % 10) + gtin[place + 1 :]
    with pytest.raises(ValueError, match="check digit"):
        gs1.check_gtin(wrong)


@pytest.mark.parametrize(
    "value", ["", "123", "629104150021", "62910415002l3", "６２９１０４１５００２１３", 6291041500213]
)
def test_what_is_no_gtin_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="digit"):
        gs1.check_gtin(value)


@pytest.mark.parametrize("value", ["N1-260914-01", "A", "x" * 20, "!\"%&'()*+,-./:;<=>?_"])
def test_lot_codes_that_can_be_carried(value: str) -> None:
    assert gs1.check_lot(value) == value


@pytest.mark.parametrize("value", ["", "x" * 21, "N1 260914", "Lot#1", "grün", "a\x1db", None, 7])
def test_lot_codes_that_cannot_be_carried(value: object) -> None:
    with pytest.raises(ValueError, match=r"it (must be|has)"):
        gs1.check_lot(value)


def test_character_set_82_has_82_characters() -> None:
    assert len(gs1.CHARACTERS_82) == 82


# 1.250 kg is (3103)001250 in the GS1 General Specifications; the others by the same rule.
@pytest.mark.parametrize(
    ("weight_kg", "ai", "value"),
    [
        (1.25, "3103", "001250"),
        (0.001, "3103", "000001"),
        (999.9994, "3103", "999999"),
        (1234.5678, "3102", "123457"),
        (12345.678, "3101", "123457"),
        (123456.7, "3100", "123457"),
    ],
)
def test_net_weight(weight_kg: float, ai: str, value: str) -> None:
    assert gs1.net_weight_kg(weight_kg) == (ai, value)


@pytest.mark.parametrize("weight_kg", [0.0, -1.0, 1e6, 0.0001])
def test_weight_that_cannot_be_carried(weight_kg: float) -> None:
    with pytest.raises(ValueError, match="kg"):
        gs1.net_weight_kg(weight_kg)


FIXED, VARIES = "9521234543213", "99521234543216"  # their first 12 and 13 digits are example numbers of GS1


def test_element_string_of_a_packed_lot() -> None:
    lot: dict[str, Any] = {
        "lot": "N1-260914-01",
        "packed_on": date(2026, 9, 14),
        "weight_kg": 1.25,
        "heads": 40,
    }
    elements = gs1.packed_lot_elements(gtin=FIXED, **lot)
    assert gs1.for_people(elements) == "(01)09521234543213(13)260914(10)N1-260914-01"
    assert gs1.element_string(elements) == "01095212345432131326091410N1-260914-01"
    elements = gs1.packed_lot_elements(gtin=VARIES, **lot)
    assert gs1.for_people(elements) == "(01)99521234543216(13)260914(3103)001250(10)N1-260914-01(30)40"
    assert gs1.element_string(elements) == "019952123454321613260914310300125010N1-260914-01\x1d3040"


@given(
    st.text(sorted(gs1.CHARACTERS_82), min_size=1, max_size=20),
    st.dates(date(2020, 1, 1), date(2049, 12, 31)),
    st.none() | st.floats(0.001, 9e5),
    st.none() | st.integers(1, 10**6),
)
def test_another_implementation_reads_the_same(
    lot: str, packed_on: date, weight_kg: float | None, heads: int | None
) -> None:
    elements = gs1.packed_lot_elements(
        gtin=VARIES, lot=lot, packed_on=packed_on, weight_kg=weight_kg, heads=heads
    )
    read = GS1Message.parse(gs1.element_string(elements))
    assert [(e.ai.ai, e.value) for e in read.element_strings] == elements
    assert read.as_hri() == gs1.for_people(elements)
    found = {e.ai.ai[:3]: e for e in read.element_strings}
    assert found["01"].gtin is not None
    assert found["13"].date == packed_on
    assert found["10"].value == lot
    if weight_kg is not None:
        assert float(found["310"].decimal or 0) == pytest.approx(weight_kg, rel=1e-5, abs=5.001e-4)
    assert ("30" in found) == (heads is not None)
