"""Labels as PDF: on sheets of any cut, or one by one.

A label says what stands in a tray and carries a QR code that leads to the batch. Texts are wrapped, then shrunk, and
cut with an ellipsis only at the smallest size that can still be read.

The fonts embedded are those that come with reportlab (Latin letters of western Europe). Where a text needs others and
a font file that has them is given or found among the usual places of the system, that one is embedded; else its
letters are shown without marks where that is possible, and as ``?`` where it is not, and :func:`missing_letters` says
which. The QR code does not depend on fonts.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import segno
from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont
from reportlab.pdfgen.canvas import Canvas

PDF_TYPE = "application/pdf"

SMALLEST_PT = 5.0
"""Below this no text is set; common practice, no source."""
_LARGEST_PT = 16.0
_LEADING = 1.15
_PADDING_MM = 1.5
_SMALLEST_QR_MM = 8.0
_LARGEST_QR_MM = 40.0
_BAR_MM = 8.0
# Of the narrowest bar of a GS1-128: what printers and scanners at hand manage; common practice, no source. GS1 asks
# for 0.495 mm in general distribution and for less elsewhere.
_NARROWEST_BAR_MM = 0.16
_EASY_BAR_MM = 0.25
"""From this on any scanner at hand reads it: GS1's least outside general distribution (from memory)."""
_WIDEST_BAR_MM = 0.495

_OWN = {"regular": "Vera.ttf", "bold": "VeraBd.ttf"}
# Where free systems keep fonts with many scripts; none of them needs to be there.
_USUAL = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/usr/share/fonts/dejavu-sans-fonts/DejaVuSans.ttf",
    "/usr/share/fonts/TTF/DejaVuSans.ttf",
    "/usr/share/fonts/truetype/noto/NotoSans-Regular.ttf",
)


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """How a sheet is cut into labels; all measures in mm.

    Raises
    ------
    ValueError
        If the labels do not fit on the page, or are too small to be read.
    """

    page_width_mm: float
    page_height_mm: float
    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    gap_x_mm: float = 0.0
    gap_y_mm: float = 0.0

    def __post_init__(self) -> None:
        """Check that the labels fit."""
        if not (1 <= self.columns <= 50 and 1 <= self.rows <= 100):
            raise ValueError("a sheet has 1 to 50 columns and 1 to 100 rows")
        if not (10 <= self.page_width_mm <= 1000 and 10 <= self.page_height_mm <= 2000):
            raise ValueError("a page is 10 to 1000 mm wide and 10 to 2000 mm high")
        if not (self.width_mm >= 20 and self.height_mm >= 10):  # also refuses NaN
            raise ValueError("a label is at least 20 mm wide and 10 mm high: a smaller one cannot be read")
        if not all(x >= 0 for x in (self.left_mm, self.top_mm, self.gap_x_mm, self.gap_y_mm)):
            raise ValueError("margins and gaps are not negative")
        across = self.left_mm + self.columns * self.width_mm + (self.columns - 1) * self.gap_x_mm
        down = self.top_mm + self.rows * self.height_mm + (self.rows - 1) * self.gap_y_mm
        if not across <= self.page_width_mm + 0.01:
            raise ValueError(
                f"the columns need {across:g} mm, and the page is {self.page_width_mm:g} mm wide"
            )
        if not down <= self.page_height_mm + 0.01:
            raise ValueError(f"the rows need {down:g} mm, and the page is {self.page_height_mm:g} mm high")

    def corner_mm(self, place: int) -> tuple[float, float]:
        """Return left and top of a place, counted from 0 along the rows."""
        row, column = divmod(place, self.columns)
        return (
            self.left_mm + column * (self.width_mm + self.gap_x_mm),
            self.top_mm + row * (self.height_mm + self.gap_y_mm),
        )


PRESETS = {
    "A4 70x36": Sheet(
        page_width_mm=210,
        page_height_mm=297,
        columns=3,
        rows=8,
        width_mm=70,
        height_mm=36,
        left_mm=0,
        top_mm=4.5,
    ),
    "A4 63.5x38.1": Sheet(
        page_width_mm=210,
        page_height_mm=297,
        columns=3,
        rows=7,
        width_mm=63.5,
        height_mm=38.1,
        left_mm=7.25,
        top_mm=15.15,
        gap_x_mm=2.5,
    ),
    "Letter 66.7x25.4": Sheet(
        page_width_mm=215.9,
        page_height_mm=279.4,
        columns=3,
        rows=10,
        width_mm=66.7,
        height_mm=25.4,
        left_mm=4.8,
        top_mm=12.7,
        gap_x_mm=3.1,
    ),
    "single 62x29": Sheet(
        page_width_mm=62, page_height_mm=29, columns=1, rows=1, width_mm=62, height_mm=29, left_mm=0, top_mm=0
    ),
}
"""Sheets by their measures."""


@dataclass(frozen=True)
class Label:
    """What one label says."""

    title: str
    lines: Sequence[str]
    """The first of them matter most."""
    qr: str
    """What the QR code carries."""
    gs1: str | None = None
    """A GS1 element string for a GS1-128 barcode below the text, ``\\x1d`` for FNC1 between its elements."""
    small: str | None = None
    """Printed small at the bottom: what the codes say, for people."""


def labels_pdf(
    labels: Sequence[Label], sheet: Sheet, *, skip: int = 0, outlines: bool = False, font: Path | None = None
) -> bytes:
    """Return labels as a PDF.

    Parameters
    ----------
    labels
        In the order of the places of the sheet.
    sheet
        How it is cut.
    skip
        Places of the first sheet that are used already.
    outlines
        Draw the edge of each label, to check the cut on plain paper.
    font
        A TrueType file with the letters that the texts need.
    """
    if not 0 <= skip < sheet.columns * sheet.rows:
        raise ValueError(f"a sheet has {sheet.columns * sheet.rows} places, so {skip} cannot be skipped")
    file = io.BytesIO()
    canvas = Canvas(
        file,
        pagesize=(sheet.page_width_mm * mm, sheet.page_height_mm * mm),
        invariant=True,  # the same labels make the same file
        pageCompression=1,
    )
    canvas.setTitle("Labels")
    canvas.setCreator("Evenleaf")
    places = sheet.columns * sheet.rows
    for n, label in enumerate(labels):
        page, place = divmod(n + skip, places)
        if place == 0 and page and n:
            canvas.showPage()
        left, top = sheet.corner_mm(place)
        _draw(canvas, label, sheet, left, top, outlines, font)
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def missing_letters(texts: Iterable[str], font: Path | None = None) -> set[str]:
    """Return the letters that no font at hand has, so that they will not be shown as written."""
    return {
        c for text in texts for c in text if not c.isspace() and not any(_has(f, c) for f in _fonts(font))
    }


def reads_easily(elements: str, sheet: Sheet) -> bool:
    """Return whether a label is wide enough for a GS1-128 of these elements that any scanner reads."""
    return _bar_mm(elements, sheet.width_mm - 2 * _PADDING_MM) >= _EASY_BAR_MM


# --------------------------------------------------------------------------- drawing


def _draw(
    canvas: Canvas,
    label: Label,
    sheet: Sheet,
    left_mm: float,
    top_mm: float,
    outlines: bool,
    font: Path | None,
) -> None:
    width, height = sheet.width_mm, sheet.height_mm
    bottom_mm = sheet.page_height_mm - top_mm - height
    if outlines:
        canvas.setLineWidth(0.1 * mm)
        canvas.rect(left_mm * mm, bottom_mm * mm, width * mm, height * mm, stroke=1, fill=0)
    inner_w, inner_h = width - 2 * _PADDING_MM, height - 2 * _PADDING_MM
    left, top = left_mm + _PADDING_MM, bottom_mm + height - _PADDING_MM
    below = 0.0
    if label.small:
        small, size = _fitted(
            [(label.small, "regular")], inner_w * mm, 2.1 * SMALLEST_PT * _LEADING, font, 6.0
        )
        below = len(small) * size * _LEADING / mm
        _lines(canvas, small, size, left, bottom_mm + _PADDING_MM + below, font)
    if label.gs1 is not None:
        _gs1_128(canvas, label.gs1, left, bottom_mm + _PADDING_MM + below, inner_w)
        below += _BAR_MM + 1.0
    side = min(max(min(inner_h - below, inner_w * 0.42), _SMALLEST_QR_MM), _LARGEST_QR_MM)
    _qr(canvas, label.qr, left + inner_w - side, top - side, side)
    texts = [(label.title, "bold"), *((line, "regular") for line in label.lines if line)]
    room_w, room_h = inner_w - side - 1.0, inner_h - below
    lines, size = _fitted(texts, room_w * mm, room_h * mm, font, _LARGEST_PT)
    _lines(canvas, lines, size, left, top, font)


def _gs1_128(canvas: Canvas, elements: str, left_mm: float, bottom_mm: float, width_mm: float) -> None:
    """Draw a GS1-128 (Code 128 that begins with FNC1) with its quiet zones in a width.

    Raises
    ------
    ValueError
        If its bars would be too narrow to be scanned.
    """
    bar_mm = _bar_mm(elements, width_mm)
    if bar_mm < _NARROWEST_BAR_MM:
        raise ValueError(
            f"the label is {width_mm:.0f} mm wide inside, and this GS1-128 barcode needs"
            f" {width_mm / bar_mm * _NARROWEST_BAR_MM:.0f} mm"
        )
    canvas.setFillGray(0)
    _code_128(elements, bar_mm * mm).drawOn(canvas, left_mm * mm, bottom_mm * mm)


def _bar_mm(elements: str, width_mm: float) -> float:
    """Return the width of the narrowest bar of a GS1-128 that fills a width."""
    return min(width_mm / float(_code_128(elements, 1.0).width), _WIDEST_BAR_MM)


def _code_128(elements: str, bar: float) -> Code128:
    text = "\xf1" + elements.replace("\x1d", "\xf1")
    quiet = 10 * bar
    return Code128(
        text,
        barWidth=bar,
        lquiet=quiet,
        rquiet=quiet,
        barHeight=_BAR_MM * mm,
        quiet=True,
        humanReadable=False,
    )


def _qr(canvas: Canvas, text: str, left_mm: float, bottom_mm: float, side_mm: float) -> None:
    code = segno.make(text, micro=False, error="m")
    modules = [list(row) for row in code.matrix]
    quiet = 4  # modules around it: ISO/IEC 18004
    n = len(modules)
    cell = side_mm * mm / (n + 2 * quiet)
    canvas.setFillGray(0)
    path = canvas.beginPath()
    for i, row in enumerate(modules):
        start = None
        for j in range(len(row) + 1):
            dark = j < len(row) and bool(row[j])
            if dark and start is None:
                start = j
            elif not dark and start is not None:
                path.rect(
                    left_mm * mm + (quiet + start) * cell,
                    bottom_mm * mm + (quiet + n - 1 - i) * cell,
                    (j - start) * cell,
                    cell,
                )
                start = None
    canvas.drawPath(path, stroke=0, fill=1)


# --------------------------------------------------------------------------- text

_Line = tuple[str, str]  # text, weight


def _fitted(
    texts: Sequence[_Line], width: float, height: float, font: Path | None, largest: float
) -> tuple[list[_Line], float]:
    """Return lines wrapped to a width at the largest size at which they fit a height, and that size, in points."""
    size = largest
    while size > SMALLEST_PT:
        lines = _wrapped(texts, width, size, font)
        widest = max((_width(text, weight, size, font) for text, weight in lines), default=0.0)
        if widest <= width and len(lines) * size * _LEADING <= height:
            return lines, size
        size -= 0.25
    lines = _wrapped(texts, width, SMALLEST_PT, font)
    fit = max(int(height / (SMALLEST_PT * _LEADING)), 1)
    cut = len(lines) > fit
    lines = [(_shortened(text, weight, width, font), weight) for text, weight in lines[:fit]]
    if cut:
        text, weight = lines[-1]
        lines[-1] = (_shortened(text + " …", weight, width, font, always=True), weight)
    return lines, SMALLEST_PT


def _wrapped(texts: Sequence[_Line], width: float, size: float, font: Path | None) -> list[_Line]:
    lines: list[_Line] = []
    for text, weight in texts:
        line = ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and _width(longer, weight, size, font) > width:
                lines.append((line, weight))
                line = word
            else:
                line = longer
        lines.append((line, weight))
    return lines


def _shortened(text: str, weight: str, width: float, font: Path | None, *, always: bool = False) -> str:
    if _width(text, weight, SMALLEST_PT, font) <= width:
        return text
    text = text.removesuffix(" …") if always else text
    while text and _width(text + "…", weight, SMALLEST_PT, font) > width:
        text = text[:-1]
    return text + "…"


def _lines(
    canvas: Canvas, lines: Sequence[_Line], size: float, left_mm: float, top_mm: float, font: Path | None
) -> None:
    canvas.setFillGray(0)
    y = top_mm * mm - size * 0.95
    for text, weight in lines:
        x = left_mm * mm
        for name, run in _runs(text, weight, font):
            canvas.setFont(name, size)
            canvas.drawString(x, y, run)
            x += pdfmetrics.stringWidth(run, name, size)
        y -= size * _LEADING


def _width(text: str, weight: str, size: float, font: Path | None) -> float:
    return float(sum(pdfmetrics.stringWidth(run, name, size) for name, run in _runs(text, weight, font)))


def _runs(text: str, weight: str, font: Path | None) -> list[tuple[str, str]]:
    """Return a text in runs of one font each; what no font has is written plainer."""
    own = _own(weight)
    runs: list[tuple[str, str]] = []
    for character in unicodedata.normalize("NFC", text):
        name, shown = own, character
        if not _has(own, character):
            other = next((f for f in _fonts(font) if _has(f, character)), None)
            if other is not None:
                name = other
            else:
                shown = "".join(c for c in unicodedata.normalize("NFKD", character) if _has(own, c)) or "?"
        if runs and runs[-1][0] == name:
            runs[-1] = (name, runs[-1][1] + shown)
        else:
            runs.append((name, shown))
    return runs


def _fonts(font: Path | None) -> list[str]:
    given = [] if font is None else [_registered(str(font))]
    return [name for name in (_own("regular"), *given, *map(_registered, _USUAL)) if name is not None]


@cache
def _own(weight: str) -> str:
    name = f"evenleaf-{weight}"
    pdfmetrics.registerFont(TTFont(name, _OWN[weight]))
    return name


@cache
def _registered(file: str) -> str | None:
    if not Path(file).is_file():
        return None
    name = f"evenleaf-{Path(file).stem}"
    try:
        pdfmetrics.registerFont(TTFont(name, file))
    except TTFError:
        return None
    return name


@cache
def _has(name: str, character: str) -> bool:
    glyphs: dict[int, int] = pdfmetrics.getFont(name).face.charToGlyph
    return character == " " or glyphs.get(ord(character), 0) != 0
