"""Labels: what is printed is where it should be, can be read by a scanner, and fits whatever the text."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from service.papers.labels import PRESETS, Label, Sheet, labels_pdf, missing_letters

DPI = 220
URL = "https://evenleaf.example.org/batches/{}"


def rendered(pdf: bytes, page: int = 0, dpi: int = DPI) -> Any:
    """Return a page as grey pixels."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return np.asarray(document[page].render(scale=dpi / 72, grayscale=True).to_numpy()).squeeze()
    finally:
        document.close()


def texts(pdf: bytes) -> str:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return "\n".join(page.get_textpage().get_text_bounded() for page in document)
    finally:
        document.close()


def tray(n: int, trays: int = 9) -> Label:
    lines = ["Alder, Birch green", "Seeded 2026-08-25", "Lot L-4711, L-4712", f"Tray {n} of {trays}"]
    return Label("N1-BUT-260825", lines, URL.format(n))


@pytest.mark.parametrize("name", PRESETS)
def test_every_code_of_a_sheet_leads_to_its_batch(name: str) -> None:
    sheet = PRESETS[name]
    places = sheet.columns * sheet.rows
    pdf = labels_pdf([tray(n, places) for n in range(1, places + 1)], sheet)
    page = rendered(pdf)
    found = zxingcpp.read_barcodes(page)
    assert {code.text for code in found} == {URL.format(n) for n in range(1, places + 1)}
    per_mm = DPI / 25.4
    for code in found:  # each lies in its own place
        place = int(code.text.rsplit("/", 1)[1]) - 1
        left, top = sheet.corner_mm(place)
        corner = code.position.top_left
        assert left < corner.x / per_mm < left + sheet.width_mm
        assert top < corner.y / per_mm < top + sheet.height_mm
    told = texts(pdf)
    for part in ("N1-BUT-260825", "Alder, Birch green", "2026-08-25", "L-4711", f"Tray {places} of {places}"):
        assert part in told.replace("\r\n", " ").replace("\n", " ")


def edges(profile: Any, per_mm: float) -> list[float]:
    """Return the middles of the dark lines of a profile, mm."""
    dark = np.flatnonzero(profile < 160)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return [float(group.mean() + 0.5) / per_mm for group in groups if group.size]


@pytest.mark.parametrize("name", ["A4 63.5x38.1", "Letter 66.7x25.4"])
def test_a_sheet_measures_what_it_says(name: str) -> None:
    sheet = PRESETS[name]
    pdf = labels_pdf([Label("", [], "x")] * (sheet.columns * sheet.rows), sheet, outlines=True)
    page = rendered(pdf, dpi=400)
    per_mm = 400 / 25.4
    assert page.shape[1] / per_mm == pytest.approx(sheet.page_width_mm, abs=0.1)
    assert page.shape[0] / per_mm == pytest.approx(sheet.page_height_mm, abs=0.1)
    # Along a line one millimetre inside the labels nothing but their edges is dark.
    across = edges(page[int((sheet.top_mm + 0.7) * per_mm)], per_mm)
    wanted = [
        edge
        for n in range(sheet.columns)
        for edge in (sheet.corner_mm(n)[0], sheet.corner_mm(n)[0] + sheet.width_mm)
    ]
    assert across == pytest.approx(wanted, abs=0.5)
    down = edges(page[:, int((sheet.left_mm + 0.7) * per_mm)], per_mm)
    rows = [sheet.corner_mm(n * sheet.columns)[1] for n in range(sheet.rows)]
    for top in rows:
        assert min(abs(edge - top) for edge in down) < 0.5
        assert min(abs(edge - top - sheet.height_mm) for edge in down) < 0.5


def test_a_sheet_may_be_begun_further_on_and_goes_on_to_the_next() -> None:
    sheet = PRESETS["A4 70x36"]
    pdf = labels_pdf([tray(n) for n in range(1, 10)], sheet, skip=20)
    first, second = (
        {int(code.text.rsplit("/", 1)[1]) for code in zxingcpp.read_barcodes(rendered(pdf, page))}
        for page in (0, 1)
    )
    assert (first, second) == ({1, 2, 3, 4}, {5, 6, 7, 8, 9})
    assert labels_pdf([tray(1)], sheet) == labels_pdf([tray(1)], sheet)
    with pytest.raises(ValueError, match="24 places"):
        labels_pdf([tray(1)], sheet, skip=24)


def test_a_lot_code_is_carried_by_a_gs1_128() -> None:
    label = Label(
        "N1-260914-01",
        ["Butterhead", "Packed 2026-09-14", "40 heads"],
        "https://evenleaf.example.org/packed-lots/3",
        gs1="010952123454321310N1-260914-01",
        small="(01)09521234543213(10)N1-260914-01",
    )
    found = zxingcpp.read_barcodes(rendered(labels_pdf([label], PRESETS["A4 70x36"])))
    by_kind = {code.symbology_identifier: code.text for code in found}
    assert (
        by_kind["]C1"] == "(01)09521234543213(10)N1-260914-01"
    )  # ]C1: Code 128 with FNC1 first, which is GS1-128
    assert by_kind["]Q1"] == label.qr
    with pytest.raises(ValueError, match="needs"):
        labels_pdf([label], replace(PRESETS["single 62x29"], page_width_mm=30, width_mm=30))


def ink_outside(page: Any, sheet: Sheet) -> int:
    """Return how many dark pixels lie outside the first label of a sheet."""
    page = page.copy()
    per_mm = DPI / 25.4
    left, top = sheet.corner_mm(0)
    page[
        int(top * per_mm) : int((top + sheet.height_mm) * per_mm) + 1,
        int(left * per_mm) : int((left + sheet.width_mm) * per_mm) + 1,
    ] = 255
    return int((page < 200).sum())


@given(
    st.text(max_size=80),
    st.lists(st.text(max_size=200), max_size=6),
    st.sampled_from(["A4 70x36", "A4 63.5x38.1", "Letter 66.7x25.4"]),
)
@settings(max_examples=8, deadline=None)
def test_text_stays_on_its_label_whatever_it_is(title: str, lines: list[str], name: str) -> None:
    label = Label(title, lines, URL.format(1))
    page = rendered(labels_pdf([label], PRESETS[name]))
    assert ink_outside(page, PRESETS[name]) == 0
    assert [c.text for c in zxingcpp.read_barcodes(page)] == [label.qr]


def test_letters_of_other_scripts_do_not_break_a_label() -> None:
    label = Label("Żółć Ångström", ["Батавия", "日本のレタス", "خس"], URL.format(1))
    pdf = labels_pdf([label], PRESETS["A4 70x36"])
    assert "Ångström" in texts(pdf).replace("\r\n", " ")
    assert missing_letters(["Ångström, crème"]) == set()
    assert "日" in missing_letters(["日本"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"columns": 4}, "the columns need 280 mm"),
        ({"rows": 9}, "the rows need 328.5 mm"),
        ({"columns": 0}, "columns"),
        ({"height_mm": 9.0}, "cannot be read"),
        ({"gap_x_mm": -1.0}, "not negative"),
        ({"page_width_mm": 0.0}, "page"),
        ({"width_mm": float("nan")}, "cannot be read"),
    ],
)
def test_a_sheet_that_cannot_be_is_refused(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        replace(PRESETS["A4 70x36"], **change)
