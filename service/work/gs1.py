"""Keys, dates, weights and element strings by the rules of GS1, as far as a packed lot needs them.

A lot code never stands alone in GS1's data structure: application identifier (AI) 10 goes with a GTIN, AI 01.
An element string is what a barcode carries; the text with the AIs in brackets is for people.

References
----------
.. [1] GS1 General Specifications, section 7.9 (check digit), figure 7.11-1 (character set 82), section 3 (AIs), as
   kept by the check-digit calculator and the barcode syntax dictionary of gs1.org. Read second-hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import ROUND_HALF_UP, Decimal

GTIN_LENGTHS = (8, 12, 13, 14)
LONGEST_LOT = 20
"""Characters of a batch or lot number, AI 10 [1]_."""

CHARACTERS_82 = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
"""What a lot number may be written with [1]_."""

SEPARATOR = "\x1d"
"""Stands for FNC1 after an element of variable length when another one follows."""

# The first two digits of AIs whose length is known to every reader, so that no separator follows them [1]_.
_KNOWN_LENGTH = frozenset({"00", "01", "02", "03", "04", *(str(n) for n in range(11, 21)), "41"}) | frozenset(
    str(n) for n in range(31, 37)
)


def check_digit(digits: str) -> int:
    """Return the check digit of a key without it.

    From the rightmost data digit on, digits weigh 3, 1, 3, 1, ...; the check digit fills the sum up to a multiple
    of ten [1]_.

    Raises
    ------
    ValueError
        If it is not a text of decimal digits.
    """
    if not digits.isascii() or not digits.isdecimal():
        raise ValueError(f"{digits!r} is not made of digits only")
    total = sum(int(digit) * (3 if n % 2 == 0 else 1) for n, digit in enumerate(reversed(digits)))
    return -total % 10


def check_gtin(value: object) -> str:
    """Return a GTIN of 8, 12, 13 or 14 digits whose check digit is right.

    Raises
    ------
    ValueError
        If it is none; says which check digit would be right.
    """
    if not isinstance(value, str) or not value.isascii() or not value.isdecimal():
        raise ValueError("it must be a GTIN: 8, 12, 13 or 14 digits without spaces")
    if len(value) not in GTIN_LENGTHS:
        raise ValueError(f"it has {len(value)} digits, and a GTIN has 8, 12, 13 or 14")
    right = check_digit(value[:-1])
    if int(value[-1]) != right:
        raise ValueError(
            f"its last digit is {value[-1]}, and the check digit of {value[:-1]} is {right}: a digit is wrong"
        )
    return value


def check_lot(value: object) -> str:
    """Return a lot code that AI 10 can carry.

    Raises
    ------
    ValueError
        If it is empty, too long, or has a character that cannot be carried, which is named.
    """
    if not isinstance(value, str) or not 1 <= len(value) <= LONGEST_LOT:
        raise ValueError(f"it must be a code of 1 to {LONGEST_LOT} characters")
    for character in value:
        if character not in CHARACTERS_82:
            raise ValueError(
                f"it has {character!r}, and may have only letters A to Z and a to z, digits and"
                " ! \" % & ' ( ) * + , - . / : ; < = > ? _"
            )
    return value


def gtin_14(gtin: str) -> str:
    """Return a GTIN with leading zeros, as AI 01 takes it."""
    return check_gtin(gtin).rjust(14, "0")


def six_digits(day: date) -> str:
    """Return a day as YYMMDD."""
    return f"{day:%y%m%d}"


def net_weight_kg(weight_kg: float) -> tuple[str, str]:
    """Return AI and value of a net weight, with as many decimals as six digits hold, at most three (whole grams).

    Raises
    ------
    ValueError
        If it is not above 0, or 1 000 000 kg or more.
    """
    exact = Decimal(repr(float(weight_kg)))
    for decimals in (3, 2, 1, 0):
        whole = (exact * 10**decimals).quantize(Decimal(1), rounding=ROUND_HALF_UP)
        if 0 < whole < 10**6:
            return f"310{decimals}", f"{int(whole):06d}"
    raise ValueError(f"{weight_kg:g} kg is not above 0 and below 1 000 000 kg")


def packed_lot_elements(
    *, gtin: str, lot: str, packed_on: date, weight_kg: float | None = None, heads: int | None = None
) -> list[tuple[str, str]]:
    """Return AIs and values of a crate of a packed lot: 01 GTIN, 13 packing date, 310n net kg, 10 lot, 30 count.

    Weight and count are of this crate, and go with a GTIN-14 whose first digit is 9: that of goods of which the
    measure varies. Of others the GTIN says how much it is, and they are left out (from memory, not read in [1]_).
    Elements of known length come first, which spares separators.
    """
    key = gtin_14(gtin)
    varies = key.startswith("9")
    elements = [("01", key), ("13", six_digits(packed_on))]
    if varies and weight_kg is not None:
        elements.append(net_weight_kg(weight_kg))
    elements.append(("10", check_lot(lot)))
    if varies and heads is not None:
        elements.append(("30", str(heads)))
    return elements


def element_string(elements: Iterable[tuple[str, str]]) -> str:
    """Return elements as a barcode carries them, :data:`SEPARATOR` standing for FNC1 between them.

    The FNC1 with which such a barcode begins belongs to the barcode and is not in the text.
    """
    every = list(elements)
    parts = [
        ai + value + ("" if ai[:2] in _KNOWN_LENGTH or n == len(every) - 1 else SEPARATOR)
        for n, (ai, value) in enumerate(every)
    ]
    return "".join(parts)


def for_people(elements: Iterable[tuple[str, str]]) -> str:
    """Return elements as they are printed, for example ``(01)09521234543213(10)N1-260914-01``."""
    return "".join(f"({ai}){value}" for ai, value in elements)
