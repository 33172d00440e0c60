"""Scratch marks: letters sunk into an outside face, in a font that comes with a dependency."""

from collections.abc import Sequence
from functools import lru_cache
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cores import Core
from moldprep.mold.cutting import Cutting
from moldprep.mold.features import STRAP_AT, STRAP_MM, Outside
from moldprep.mold.mouths import frame
from moldprep.records import Piece, Sand
from moldprep.units import mass_kg

if TYPE_CHECKING:  # a quarter of a second to load, for marks alone
    from matplotlib.ft2font import FT2Font

FONT: Final = Path("fonts", "ttf", "DejaVuSans-Bold.ttf")
"""Below the font library's data."""

POINTS: Final = 64.0
"""Size the letters are drawn at before they are scaled."""

LINE: Final = 1.5
"""Height of a line over the height of a capital."""

DEPTH_MM: Final = 1.5
"""How deep letters are sunk; common practice 1.5 to 2, no source."""

PROUD_MM: Final = 1.0
"""How far the cutting body stands out of the face."""

EDGE_MM: Final = 3.0
"""Sand kept round a mark."""

SIDES: Final = ((1, 0), (1, 1), (0, 0), (0, 1))
"""Outside faces in the order they are marked: (axis, end); front first."""

PLACES: Final = 15
"""Places tried for a mark along each side of the end of a print or a plug."""

SIZES: Final = 6
"""Sizes of letters tried there."""

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


def _glyph(font: "FT2Font", letter: str) -> tuple[float, Polygon | MultiPolygon]:
    """Return (advance, outline) of one letter."""
    from matplotlib import path

    advance = font.load_char(ord(letter)).linearHoriAdvance / 65536.0
    points, codes = font.get_path()
    outline: Polygon | MultiPolygon = Polygon()
    if np.size(points) == 0:
        return advance, outline
    loops = path.Path(points, codes).to_polygons()
    rings = [Polygon(ring) for ring in loops if np.shape(ring)[0] > 3]
    for ring in sorted(rings, key=lambda r: -r.area):
        outline = outline.symmetric_difference(ring.buffer(0.0))
    return advance, outline


def _capital() -> float:
    """Return the height of a capital in the font's size."""
    _, glyph = _glyph(_font(), "H")
    return float(glyph.bounds[3])


def _font() -> "FT2Font":
    from matplotlib import get_data_path
    from matplotlib.ft2font import FT2Font

    font = FT2Font(str(get_data_path() / FONT))
    font.set_size(POINTS, 72.0)
    return font


def add_marks(
    cutting: Cutting,
    job_name: str,
    sprue_mm: Floats | None,
    cores: Sequence[Core],
    outside: Outside,
    sand: Sand,
) -> Cutting:
    """Return the pieces with their marks sunk into them.

    Halves and their parts carry name, job, mass and an arrow to the sprue on an outside face (the
    front where they have it), cores their name on the end of a print, plugs and lids on top.
    """
    notes = []
    for piece in cutting.pieces:
        lip = outside.lip_of(piece)
        if lip is None:
            continue
        body = _side_mark(piece, lip, job_name, sprue_mm, outside, sand)
        if body is None:
            notes.append(f"{piece.name} has no room for its mark: write it on")
        else:
            cutting = cutting.cut([(f"{piece.name} mark", body)], only=[piece.name])
    for piece in cutting.pieces:
        own = [core for core in cores if core.name == piece.name]
        if not own and piece.role not in ("plug", "lid"):
            continue
        body = _core_mark(piece, own[0]) if own else _top_mark(piece)
        if body is None:
            notes.append(f"{piece.name} has no room for its mark: write it on")
        else:
            cutting = cutting.cut([(f"{piece.name} mark", body)], only=[piece.name])
    return cutting.plus(notes=notes)


def _side_mark(
    piece: Piece,
    lip: tuple[float, float],
    job_name: str,
    sprue_mm: Floats | None,
    outside: Outside,
    sand: Sand,
) -> Solid | None:
    """Return the body that sinks a piece's mark into an outside face, None without room."""
    side = next((s for s in SIDES if outside.is_outer(piece, s[0], s[1])), None)
    if side is None:
        return None
    axis, end = side
    up = np.array([0.0, 0.0, 1.0])
    outward = np.zeros(3)
    outward[axis] = 1.0 if end else -1.0
    right = np.cross(up, outward)
    ends = np.add(np.sort(piece.solid.bounds @ right), (EDGE_MM, -EDGE_MM))
    if axis == 1 and outside.is_block:
        ends = _between_straps(ends, outside, right)
    at = 0.5 * (piece.solid.bounds[0] + piece.solid.bounds[1])
    at += (0.5 * ends.sum() - at @ right) * right
    at[axis], at[2] = outside.bounds[end, axis], 0.5 * (lip[0] + lip[1])
    kg = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3)
    arrow = _arrow(sprue_mm, at, right)
    lines = [piece.name.upper(), job_name, f"{kg:.1f} kg{arrow}"]
    if lip[1] - lip[0] < (3.0 * LINE + 1.0) * MARK_MM[0] + 2.0 * EDGE_MM:
        lines = [" ".join(lines)]
    text = _fitted(lines, float(np.ptp(ends)), lip[1] - lip[0] - 2.0 * EDGE_MM)
    return None if text is None else sunk(text, at, right, up)


def _between_straps(ends: Floats, outside: Outside, right: Floats) -> Floats:
    """Return the widest stretch of a side that no strap groove crosses."""
    low, high = outside.bounds[:, 0]
    straps = np.array([low + share * (high - low) for share in STRAP_AT]) * right[0]
    cuts = np.sort(np.concatenate([straps - STRAP_MM[0], straps + STRAP_MM[0]]))
    marks = np.concatenate([ends[:1], np.clip(cuts, *ends), ends[1:]])
    stretches = marks.reshape(-1, 2)
    return np.asarray(stretches[int(np.ptp(stretches, axis=1).argmax())])


def _core_mark(piece: Piece, core: Core) -> Solid | None:
    """Return the body that sinks a core's name into the end of a print, the thickest with room."""
    for one in sorted(core.prints, key=lambda p: -p.thickness_mm):
        right, up = frame(one.outward)
        body = _end_mark(piece, one.end_mm, right, up)
        if body is not None:
            return body
    return None


def _top_mark(piece: Piece) -> Solid | None:
    """Return the body that sinks the name of a plug or a lid into its top."""
    low, high = piece.solid.bounds
    at = 0.5 * (low + high)
    at[2] = high[2]
    return _end_mark(piece, at, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))


def _end_mark(piece: Piece, at: Floats, right: Floats, up: Floats) -> Solid | None:
    """Return the body that sinks a piece's name into the flat at a point, beside its vents."""
    turn = np.array([right, up, np.cross(right, up)])
    flat = piece.solid.transformed(np.column_stack([turn, np.zeros(3)]))
    face = flat.slice_at(float(turn[2] @ at) - DEPTH_MM).buffer(-EDGE_MM)
    if face.is_empty:
        return None
    name = letters([piece.name.upper()], 1.0)
    left, low, wide, high = name.bounds
    x0, y0, x1, y1 = face.bounds
    places = sorted(
        product(np.linspace(x0, x1, PLACES), np.linspace(y0, y1, PLACES)),
        key=lambda place: (abs(place[0] - 0.5 * (x0 + x1)), abs(place[1] - 0.5 * (y0 + y1))),
    )
    for height in np.linspace(MARK_MM[1], MARK_MM[0], SIZES):
        half = 0.5 * height * np.array([wide - left, high - low])
        for place in places:
            if face.covers(box(*np.subtract(place, half), *np.add(place, half))):
                spot = np.array([*place, turn[2] @ at]) @ turn
                return sunk(letters([piece.name.upper()], float(height)), spot, right, up)
    return None


def _arrow(sprue_mm: Floats | None, at_mm: Floats, right: Floats) -> str:
    """Return the arrow a person sees who looks at a side: to the sprue, or away over the mold."""
    if sprue_mm is None:
        return ""
    aside = float((sprue_mm - at_mm) @ right)
    if abs(aside) < 0.3 * float(np.linalg.norm((sprue_mm - at_mm)[:2])):
        return " ↑"
    return " →" if aside > 0.0 else " ←"


def _fitted(lines: Sequence[str], wide_mm: float, high_mm: float) -> MultiPolygon | None:
    """Return the lines as large as a window allows, None where they would be too small."""
    left, low, right, high = letters(lines, 1.0).bounds
    height = min(wide_mm / (right - left), high_mm / (high - low), MARK_MM[1])
    return None if height < MARK_MM[0] else letters(lines, height)
