"""Pieces too large for the printer or too heavy to lift, cut where it does least harm."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from string import ascii_lowercase
from typing import Final

import numpy as np

from moldprep.errors import StageError
from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.halves import place_text
from moldprep.mold.locators import find_run, find_sites, find_slide, pin, slide, tongue
from moldprep.records import Piece, Printer, Sand
from moldprep.tolerances import SLIVER_MM3
from moldprep.units import mass_kg

WINDOW: Final = 0.2
"""How far from the even cut a plane is looked for, over the length that is cut."""

TRIES: Final = 13
"""Planes tried in that window."""

WEB_MM: Final = 12.0
"""Sand thinner than this where a plane cuts it is a web that breaks; common practice, no source."""

SKINS_MM: Final = (-WEB_MM, -0.5 * WEB_MM, 0.5 * WEB_MM, WEB_MM)
"""How far above and below a plane sand must go on: less is a skin along it."""

GLUE_MM: Final = 0.2
"""Room for glue between two parts of a piece; common practice, no source."""

PIN_ROOM_MM: Final = 30.0
"""Length left for the pins on a part."""

DEEPEST: Final = 6
"""A piece is halved at most this often: 64 parts."""

LOCATED: Final = {
    "pins": "pins",
    "tongue": "tongue and groove",
    "slide": "upright tongues and grooves",
}
"""What locates the parts of a piece, as notes say it; "" is nothing."""

ALONG: Final = (
    np.array([[0.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0]]),
    np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, 0.0]]),
    np.eye(3, 4),
)
"""Turns that lay the x, y or z axis upright, exactly."""


@dataclass(frozen=True)
class _Joint:
    """Two parts of a piece, the gaps between them, and what locates them: see `LOCATED`."""

    low: Solid
    high: Solid
    gaps: Solid
    located_by: str


def split_large(
    cutting: Cutting,
    keep_clear: Sequence[Solid],
    sand: Sand,
    printer: Printer,
    gap_mm: float,
    kind: str = "pins",
) -> Cutting:
    """Return the pieces cut into parts that the printer's box holds and the crane lifts.

    Each cut is a plane across the longest side, near the middle, where the sand it cuts has
    the least thin webs and where it misses what is to be kept clear (feeders, ingates). The parts
    are located by pins in sockets or, with `kind` "tongue", by a tongue in a groove where one has
    room, with room for glue on the face; names go on with -a, -b... What the crane cannot lift as
    a whole gets upright tongues: its parts are lowered one by one. After `DEEPEST` cuts in a
    row no more are made; what is too large still is said in a note, and left to the checks.

    Raises
    ------
    StageError
        mold/cannot-split, where no plane leaves two whole parts.
    """
    pieces: list[Piece] = []
    gaps: list[Named] = []
    notes: list[str] = []
    for piece in cutting.pieces:
        is_heavy = mass_kg(piece.solid.volume_mm3, sand.density_kg_m3) > printer.lift_kg
        maker = _Splitter(keep_clear, sand, printer, gap_mm, "slide" if is_heavy else kind)
        parts, cut_gaps, located = maker.parts(piece.solid, DEEPEST)
        if len(parts) == 1:
            pieces.append(piece)
            continue
        names = [f"{piece.name}-{letters}" for letters in part_letters(len(parts))]
        pieces += [
            replace(piece, name=name, solid=part, cut=cut, is_glued=not is_heavy)
            for name, (part, cut) in zip(names, parts, strict=True)
        ]
        gaps += [(f"{piece.name} glue gap {k}", gap) for k, gap in enumerate(cut_gaps, start=1)]
        join = "paste, and lower its parts one by one" if is_heavy else "glue"
        notes.append(
            f"{piece.name} is cut into {len(parts)}: too {_reason(piece.solid, sand, printer)};"
            f" {join}, {_located_text(located)}"
        )
        large = [n for n, (part, _) in zip(names, parts, strict=True) if not maker.is_fit(part)]
        if large:
            notes.append(
                f"{', '.join(large)}: still too large or heavy after {DEEPEST} cuts in a row; take"
                " a larger printer, or thinner walls"
            )
    return replace(cutting, pieces=tuple(pieces)).plus(gaps, notes)


def part_letters(n: int) -> list[str]:
    """Return the letters of n parts of a piece, in order.

    Examples
    --------
    >>> part_letters(28)[24:]
    ['y', 'z', 'aa', 'ab']
    """
    letters = ["", *ascii_lowercase]
    return [first + last for first in letters for last in ascii_lowercase][:n]


def fits(size_mm: Floats, printer: Printer) -> bool:
    """Return whether a box of this size goes into the printer's, turned by quarters about z."""
    wide, deep, high = np.subtract(printer.box_mm, 2.0 * printer.wall_gap_mm)
    low, long = sorted(size_mm[:2])
    return bool(low <= min(wide, deep) and long <= max(wide, deep) and size_mm[2] <= high)


def _reason(solid: Solid, sand: Sand, printer: Printer) -> str:
    if not fits(solid.size_mm, printer):
        return "large for the printer's box"
    return f"heavy ({mass_kg(solid.volume_mm3, sand.density_kg_m3):.0f} kg)"


def _located_text(located: Sequence[str]) -> str:
    """Return how the parts of a piece are located, for its note."""
    ways = sorted({way for way in located if way})
    bare = located.count("")
    text = " and ".join(LOCATED[way] for way in ways)
    if not bare:
        return text
    return f"{text + '; ' if text else ''}{bare} of {len(located)} joints have no room for locators"


@dataclass(frozen=True)
class _Splitter:
    """Cuts pieces in two until each part fits the printer and the crane."""

    keep_clear: Sequence[Solid]
    sand: Sand
    printer: Printer
    gap_mm: float
    kind: str

    def is_fit(self, part: Solid) -> bool:
        """Return whether a part fits the box and can be lifted."""
        is_light = mass_kg(part.volume_mm3, self.sand.density_kg_m3) <= self.printer.lift_kg
        return is_light and fits(part.size_mm, self.printer)

    def parts(
        self, solid: Solid, depth: int
    ) -> tuple[list[tuple[Solid, str]], list[Solid], list[str]]:
        """Return (part, its cuts) in order, the gaps between them, what locates each joint."""
        if depth == 0 or self.is_fit(solid):
            return [(solid, "")], [], []
        axis, longest_mm = _axis(solid.size_mm, self.printer)
        joint = _cut(solid, axis, longest_mm, self.keep_clear, self.gap_mm, self.kind)
        parts, gaps, located = [], [joint.gaps], [joint.located_by]
        for side, half in (("0", joint.low), ("1", joint.high)):
            more, more_gaps, more_located = self.parts(half, depth - 1)
            parts += [(part, side + cut) for part, cut in more]
            gaps += more_gaps
            located += more_located
        return parts, gaps, located


def _axis(size_mm: Floats, printer: Printer) -> tuple[int, float]:
    """Return the axis to cut across, and how long a part may be along it.

    It is the axis whose cut leaves the least sticking out of the box.
    """
    wide, deep, high = np.subtract(printer.box_mm, 2.0 * printer.wall_gap_mm)
    sides = np.sort([wide, deep])
    limit = np.array([*(sides if size_mm[0] <= size_mm[1] else sides[::-1]), high])

    def left_over(axis: int) -> tuple[float, float]:
        half = size_mm.copy()
        half[axis] *= 0.5
        flat = float((np.sort(half[:2]) / sides).max())
        return max(flat, float(half[2] / high)), -float(size_mm[axis])

    axis = min(range(3), key=left_over)
    return axis, float(limit[axis]) - PIN_ROOM_MM


def _cut(
    solid: Solid,
    axis: int,
    longest_mm: float,
    keep_clear: Sequence[Solid],
    gap_mm: float,
    kind: str,
) -> _Joint:
    """Return the piece cut by the best plane across an axis that leaves two whole parts."""
    turn = ALONG[axis]
    upright = solid.transformed(turn)
    clear = [body.transformed(turn) for body in keep_clear]
    low, high = upright.bounds[:, 2]
    levels = 0.5 * (low + high) + np.linspace(-WINDOW, WINDOW, TRIES) * (high - low)
    share_mm = np.ceil(0.5 * np.ceil((high - low) / longest_mm)) * longest_mm

    def rank(z: float) -> tuple[bool, float, float]:
        is_long = max(z - low, high - z) > share_mm
        return is_long, _harm(upright, z, clear), abs(z - 0.5 * (low + high))

    order = sorted(levels.tolist(), key=rank)
    for level in order:
        joint = _joint(upright, level, gap_mm, kind, axis)
        if joint is not None:
            back = np.column_stack([turn[:, :3].T, np.zeros(3)])
            low_part, high_part, gaps = (
                body.transformed(back) for body in (joint.low, joint.high, joint.gaps)
            )
            return _Joint(low_part, high_part, gaps, joint.located_by)
    raise StageError(
        f"a piece of {' x '.join(f'{s:.0f}' for s in solid.size_mm)} mm is too large, and no plane"
        f" across its {'xyz'[axis]} axis leaves two whole parts",
        code="mold/cannot-split",
        where=place_text(0.5 * (solid.bounds[0] + solid.bounds[1])),
        fix="take a larger printer, thinner walls, or set [mold] split_too_large = false",
    )


def _harm(upright: Solid, level: float, clear: Sequence[Solid]) -> int:
    """Return the area of thin webs a plane cuts or leaves, and of what it should miss, to 1 mm²."""
    face = upright.slice_at(level)
    webs = face.area - face.buffer(-0.5 * WEB_MM).buffer(0.5 * WEB_MM).intersection(face).area
    for off in SKINS_MM:  # sand between the plane and a hollow along it
        webs += face.difference(upright.slice_at(level + off)).area
    hit = sum(
        body.slice_at(level).area
        for body in clear
        if body.bounds[0, 2] - WEB_MM < level < body.bounds[1, 2] + WEB_MM
    )
    return round(float(webs + hit))


def _joint(upright: Solid, level: float, gap_mm: float, kind: str, axis: int) -> _Joint | None:
    """Return the two located parts, None where one of them falls apart."""
    above, below = upright.split_at((0.0, 0.0, 1.0), level)
    high, rest = above.split_at((0.0, 0.0, 1.0), level + GLUE_MM)
    if any(_n_parts(part) != 1 for part in (high, below)):
        return None
    located_by, keys, sockets = _locators(below, above, level, gap_mm, kind, axis)
    cut_out, left = high.split(sockets)
    return _Joint(below + keys, left, (rest + cut_out) - keys, located_by)


def _locators(
    below: Solid, above: Solid, level: float, gap_mm: float, kind: str, axis: int
) -> tuple[str, Solid, Solid]:
    """Return (what locates two parts, the keys on the lower one, their sockets).

    A slide runs along what is upright in the mold: x of the turned piece where it is cut across
    its x axis, y where across its y axis. Parts cut across z go straight down on any pins.
    """
    if kind == "slide" and axis < 2:
        ends = find_slide(below, above, level, gap_mm, axis)
        if not ends:
            return "", Solid.empty(), Solid.empty()
        return "slide", slide(ends, level, 0.0, axis), slide(ends, level, gap_mm, axis, over=True)
    run = find_run(below, above, level, gap_mm) if kind == "tongue" else []
    if run:
        return "tongue", tongue(run, level, 0.0), tongue(run, level, gap_mm)
    sites = find_sites(below, above, level, gap_mm, n_least=2)
    keys, sockets = (Solid.union(pin(site, level, gap) for site in sites) for gap in (0.0, gap_mm))
    return "pins" if sites else "", keys, sockets


def _n_parts(body: Solid) -> int:
    return sum(part.volume_mm3 > SLIVER_MM3 for part in body.parts())
