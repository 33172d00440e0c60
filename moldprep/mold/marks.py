"""Scratch marks: letters sunk into an outside face, in a font that comes with a dependency."""

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path as FilePath
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.ft2font import FT2Font
from matplotlib.path import Path
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.ops import unary_union

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cutting import Cutting
from moldprep.mold.features import STRAP_AT, Outside
from moldprep.records import Sand
from moldprep.units import mass_kg

FONT: Final = FilePath(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf"

POINTS: Final = 64.0
"""Size the letters are drawn at before they are scaled."""

LINE: Final = 1.5
"""Height of a line over the height of a capital."""

DEPTH_MM: Final = 1.5
"""How deep letters are sunk; common practice 1.5 to 2, no source."""

PROUD_MM: Final = 1.0
"""How far the cutting body stands out of the face."""

MARK_MM: Final = (5.0, 20.0)
"""Smallest and largest height of a capital; common practice 10 and more, no source."""


def letters(lines: Sequence[str], height_mm: float) -> MultiPolygon:
    """Return lines of text as outlines, centered on the origin, capitals of this height. [mm]"""
    scale = height_mm / _capital()
    rows: list[Polygon | MultiPolygon] = []
    for k, line in enumerate(lines):
        row = affinity.scale(_row(line), scale, scale, origin=(0.0, 0.0))
        left, _, right, _ = row.bounds if not row.is_empty else (0.0, 0.0, 0.0, 0.0)
        rows.append(affinity.translate(row, -0.5 * (left + right), -k * LINE * height_mm))
    text = unary_union(rows).simplify(0.02 * height_mm)
    low, high = text.bounds[1], text.bounds[3]
    text = affinity.translate(text, 0.0, -0.5 * (low + high))
    return text if isinstance(text, MultiPolygon) else MultiPolygon([text])


def sunk(text: MultiPolygon, at_mm: Floats, right: Floats, up: Floats) -> Solid:
    """Return the body that sinks outlines into a face at a point; the face looks right x up."""
    body = Solid.extrude(text, -DEPTH_MM, PROUD_MM)
    return body.transformed(np.column_stack([right, up, np.cross(right, up), at_mm]))


@lru_cache(maxsize=256)
def _row(line: str) -> Polygon | MultiPolygon:
    """Return one line of text from x = 0 on, on its base line, in the font's size."""
    font = _font()
    pen, glyphs = 0.0, []
    for letter in line:
        advance, glyph = _glyph(font, letter)
        glyphs.append(affinity.translate(glyph, pen, 0.0))
        pen += advance
    return unary_union(glyphs)


def _glyph(font: FT2Font, letter: str) -> tuple[float, Polygon | MultiPolygon]:
    """Return (advance, outline) of one letter."""
    advance = font.load_char(ord(letter)).linearHoriAdvance / 65536.0
    points, codes = font.get_path()
    outline: Polygon | MultiPolygon = Polygon()
    if np.size(points) == 0:
        return advance, outline
    rings = [Polygon(ring) for ring in Path(points, codes).to_polygons() if np.shape(ring)[0] > 3]
    for ring in sorted(rings, key=lambda r: -r.area):
        outline = outline.symmetric_difference(ring.buffer(0.0))
    return advance, outline


def _capital() -> float:
    """Return the height of a capital in the font's size."""
    _, glyph = _glyph(_font(), "H")
    return float(glyph.bounds[3])


def _font() -> FT2Font:
    font = FT2Font(str(FONT))
    font.set_size(POINTS, 72.0)
    return font


def add_marks(
    cutting: Cutting, job_name: str, sprue_x_mm: float | None, outside: Outside, sand: Sand
) -> Cutting:
    """Return the pieces with name, job, mass and an arrow to the sprue sunk into the -y side."""
    x0, x1 = outside.bounds[:, 0]
    notes = []
    for name, low, high in outside.lips:
        piece = cutting.of_name(name)
        left, right = piece.solid.bounds[0, 0], piece.solid.bounds[1, 0]
        kg = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3)
        arrow = _arrow(sprue_x_mm, 0.5 * (left + right), right - left)
        lines = [name.upper(), job_name, f"{kg:.1f} kg{arrow}"]
        if high - low < (3 * LINE + 1.0) * MARK_MM[0] + 4.0:
            lines = [f"{name.upper()} {job_name} {kg:.1f} kg{arrow}"]
        room = (max(left, x0 + 5.0), min(right, x1 - 5.0))
        if outside.is_block and right - left > 0.9 * (x1 - x0):
            room = tuple(
                x0 + (share + shift) * (x1 - x0)
                for share, shift in zip(STRAP_AT, (0.1, -0.1), strict=True)
            )
        body = _mark(lines, room, (low, high), float(piece.solid.bounds[0, 1]))
        if body is None:
            notes.append(f"{name} has no room for its mark: write it on")
        else:
            cutting = cutting.cut([(f"{name} mark", body)], only=[name])
    return cutting.plus(notes=notes)


def _arrow(sprue_x_mm: float | None, middle_mm: float, width_mm: float) -> str:
    """Return the arrow a person sees who looks at the -y side."""
    if sprue_x_mm is None:
        return ""
    if abs(sprue_x_mm - middle_mm) < 0.1 * width_mm:
        return " ↑"
    return " →" if sprue_x_mm > middle_mm else " ←"


def _mark(
    lines: Sequence[str], across: tuple[float, ...], up: tuple[float, float], y_mm: float
) -> Solid | None:
    """Return the body that sinks the lines into the middle of a window of the -y side."""
    wide, high = across[1] - across[0] - 6.0, up[1] - up[0] - 6.0
    unit = letters(lines, 1.0).bounds
    height = min(wide / (unit[2] - unit[0]), high / (unit[3] - unit[1]), MARK_MM[1])
    if height < MARK_MM[0]:
        return None
    at = np.array([0.5 * (across[0] + across[1]), y_mm, 0.5 * (up[0] + up[1])])
    return sunk(letters(lines, height), at, np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
