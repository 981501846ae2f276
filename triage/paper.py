"""Paper: what our PDF documents share. A4, black on white, a font that comes with the PDF library.

The fonts hold Latin letters only: what they cannot draw is written without its
accents, or as a question mark, rather than as an empty box.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

import reportlab
from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String
from reportlab.lib.colors import black, grey, lightgrey, white
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont, TTFontFace
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    KeepTogether,
    ListFlowable,
    ListItem,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
)
from reportlab.platypus.flowables import Flowable

from triage.roofplan import SLOT_H, SLOT_W, RoofPlane

_FONTS: Final = {"Sheet": "Vera.ttf", "Sheet-Bold": "VeraBd.ttf"}
_WIDTH: Final = A4[0] - 36 * mm


@cache
def _fonts() -> frozenset[int]:
    """Register the fonts; returns the characters they can draw."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in _FONTS.items():
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily("Sheet", normal="Sheet", bold="Sheet-Bold", italic="Sheet", boldItalic="Sheet-Bold")
    return frozenset(TTFontFace(str(folder / _FONTS["Sheet"])).charToGlyph)


_FRACTION_SLASH: Final = "\N{FRACTION SLASH}"


def drawable(text: str) -> str:
    """The text in characters the font has."""
    known = _fonts()
    text = unicodedata.normalize("NFC", text)
    if all(ord(c) in known for c in text):
        return text
    out = []
    for c in text:
        apart = unicodedata.normalize("NFKD", c).replace(_FRACTION_SLASH, "/")  # a third must not become thirteen
        plain = c if ord(c) in known else "".join(d for d in apart if ord(d) in known)
        out.append(plain or ("" if unicodedata.combining(c) else "?"))
    return "".join(out)


@cache
def _style(name: str) -> ParagraphStyle:
    _fonts()
    base = ParagraphStyle("text", fontName="Sheet", fontSize=9.5, leading=13, spaceAfter=3)
    return {
        "text": base,
        "h1": ParagraphStyle("h1", base, keepWithNext=1, fontName="Sheet-Bold", fontSize=16, leading=20, spaceAfter=6),
        "h2": ParagraphStyle(
            "h2", base, keepWithNext=1, fontName="Sheet-Bold", fontSize=12, leading=15, spaceBefore=8, spaceAfter=4
        ),
        "h3": ParagraphStyle("h3", base, keepWithNext=1, fontName="Sheet-Bold", fontSize=10, leading=13, spaceBefore=5),
        "small": ParagraphStyle("small", base, fontSize=8, leading=10.5, textColor=grey),
        "cell": ParagraphStyle("cell", base, fontSize=8.5, leading=11, spaceAfter=0),
        "head": ParagraphStyle("head", base, fontName="Sheet-Bold", fontSize=8.5, leading=11, spaceAfter=0),
    }[name]


def text(words: str, style: str = "text") -> Paragraph:
    """A paragraph; markup in the words is shown, not obeyed."""
    return Paragraph(escape(drawable(words)), _style(style))


def listed(lines: Sequence[str], numbered: bool = False) -> Flowable:
    """A list; dashes, or numbers for an order that matters."""
    items: list[Any] = [ListItem(text(line), leftIndent=14) for line in lines]
    if numbered:
        return ListFlowable(items, bulletType="1", leftIndent=16, bulletFontName="Sheet", bulletFontSize=9)
    return ListFlowable(items, bulletType="bullet", start="–", leftIndent=14, bulletFontName="Sheet", bulletFontSize=9)


def boxed(title: str, lines: Sequence[str]) -> Flowable:
    """Cautions in a frame that is never split."""
    inner = [text(title, "h3"), listed(lines)]
    return KeepTogether(
        Table(
            [[inner]],
            colWidths=[_WIDTH],
            style=[("BOX", (0, 0), (-1, -1), 1.5, black), ("LEFTPADDING", (0, 0), (-1, -1), 8)],
        )
    )


def table(header: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Flowable:
    """A ruled table; ``widths`` are shares of the page's width."""
    body = [[text(c, "head") for c in header], *([text(c, "cell") for c in row] for row in rows)]
    total = sum(widths)
    style: list[Any] = [
        ("GRID", (0, 0), (-1, -1), 0.4, grey),
        ("BACKGROUND", (0, 0), (-1, 0), lightgrey),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ]
    return Table(body, colWidths=[_WIDTH * w / total for w in widths], style=style, repeatRows=1)


def blanks(labels: Sequence[str]) -> Flowable:
    """Lines to write on with a pen."""
    rows = [[text(label, "cell"), ""] for label in labels]
    return Table(
        rows,
        colWidths=[_WIDTH * 0.62, _WIDTH * 0.38],
        rowHeights=None,
        style=[("LINEBELOW", (1, 0), (1, -1), 0.6, black), ("VALIGN", (0, 0), (-1, -1), "BOTTOM"),
               ("TOPPADDING", (0, 0), (-1, -1), 7)],
    )  # fmt: skip


def roof_drawing(plane: RoofPlane) -> Drawing:
    """The plan of one plane: a box per input, thick and marked where a finding is."""
    _fonts()
    scale = min(1.0, _WIDTH / plane.width)
    drawing = Drawing(plane.width * scale, plane.height * scale)
    for slot in plane.slots:
        y = plane.height - slot.y - SLOT_H
        drawing.add(
            Rect(slot.x, y, SLOT_W, SLOT_H,
                 **_shape(fillColor=lightgrey if slot.marks else white, strokeColor=black,
                                             strokeWidth=2 if slot.marks else 0.5))
        )  # fmt: skip
        drawing.add(String(slot.x + 3, y + 29, drawable(slot.label), fontName="Sheet", fontSize=8))
        if slot.numbers:
            drawing.add(String(slot.x + 3, y + 6, drawable(slot.numbers), fontName="Sheet-Bold", fontSize=14))
    drawing.scale(scale, scale)
    return drawing


def line_chart(
    series: Sequence[tuple[str, Sequence[tuple[float, float]]]],
    x_label: str,
    y_label: str,
    x_ticks: Sequence[tuple[float, str]] = (),
    height: float = 52 * mm,
) -> Drawing:
    """Lines over one scale; the first is thick, the others dashed, told apart without colour.

    Parameters
    ----------
    series : (name, points), each point (x, y); where a point is missing, its neighbours are joined.
    x_ticks : (x, text) under the axis.
    """
    _fonts()
    points = [p for _, line in series for p in line]
    drawing = Drawing(_WIDTH, height)
    if not points:
        drawing.add(String(10, height / 2, "no readings", fontName="Sheet", fontSize=8))
        return drawing
    left, bottom, right, top = 44.0, 32.0, _WIDTH - 6, height - 18
    x0, x1 = min(x for x, _ in points), max(x for x, _ in points)
    y1 = max(max(y for _, y in points), 1e-9) * 1.05

    def place(p: tuple[float, float]) -> tuple[float, float]:
        return (
            left + (right - left) * (p[0] - x0) / max(x1 - x0, 1e-9),
            bottom + (top - bottom) * max(p[1], 0.0) / y1,
        )

    drawing.add(Line(left, bottom, right, bottom, strokeColor=black, strokeWidth=0.6))
    drawing.add(Line(left, bottom, left, top, strokeColor=black, strokeWidth=0.6))
    _scale(drawing, [(y1 * n / 4, place((x0, y1 * n / 4))[1]) for n in range(5)], left, right)
    _ticks(drawing, [(place((value, 0.0))[0], label) for value, label in x_ticks], left, right, bottom)
    for n, (name, line) in enumerate(series):
        flat = [c for p in line for c in place(p)]
        if len(flat) >= 4:
            drawing.add(
                PolyLine(flat, **_shape(strokeColor=grey if n else black, strokeWidth=0.9 if n else 1.4,
                                        strokeDashArray=None if n == 0 else [4, 2]))
            )  # fmt: skip
        drawing.add(
            String(
                left + 6 + 150 * n,
                top + 6,
                f"{'—' if n == 0 else '- -'} {name}",
                fontName="Sheet",
                fontSize=8,
            )
        )
    drawing.add(String((left + right) / 2, 6, drawable(x_label), fontName="Sheet", fontSize=8, textAnchor="middle"))
    drawing.add(String(2, top + 6, drawable(y_label), fontName="Sheet", fontSize=8))
    return drawing


def _scale(drawing: Drawing, levels: Sequence[tuple[float, float]], left: float, right: float) -> None:
    """Grid lines with their values at the left; ``levels`` are (value, y)."""
    most = levels[-1][0]
    for value, y in levels:
        drawing.add(Line(left, y, right, y, strokeColor=lightgrey, strokeWidth=0.3))
        shown = f"{value:.0f}" if most >= 100 else f"{value:.3g}"
        drawing.add(String(left - 4, y - 3, shown, fontName="Sheet", fontSize=7, textAnchor="end"))


def _ticks(drawing: Drawing, ticks: Sequence[tuple[float, str]], left: float, right: float, bottom: float) -> None:
    """Marks under the axis; ``ticks`` are (x, text)."""
    for x, label in ticks:
        drawing.add(Line(x, bottom, x, bottom - 3, strokeColor=black, strokeWidth=0.6))
        anchor: Any = "end" if x > right - 30 else "start" if x < left + 10 else "middle"
        drawing.add(String(x, bottom - 12, label, fontName="Sheet", fontSize=7, textAnchor=anchor))


def _shape(**keys: Any) -> Any:
    """Style of a shape; the library's stubs are narrower than the library."""
    return keys


def gap(points: float = 6) -> Spacer:
    return Spacer(1, points)


def build_pdf(target: Any, title: str, story: Sequence[Flowable], footer: str) -> None:
    """Write the document; the same story gives the same bytes.

    Parameters
    ----------
    target : path or binary file.
    """
    _fonts()

    def foot(canvas: Canvas, document: SimpleDocTemplate) -> None:
        canvas.setFont("Sheet", 7.5)
        canvas.setFillColor(grey)
        canvas.drawString(18 * mm, 9 * mm, drawable(footer))
        canvas.drawRightString(A4[0] - 18 * mm, 9 * mm, f"page {document.page}")

    document = SimpleDocTemplate(
        target, pagesize=A4, leftMargin=18 * mm, rightMargin=18 * mm, topMargin=15 * mm, bottomMargin=17 * mm,
        title=drawable(title), author="Callout", lang="en", invariant=1,
    )  # fmt: skip
    document.build(list(story), onFirstPage=foot, onLaterPages=foot)
