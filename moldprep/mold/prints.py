"""Core prints: where a core reaches out through an opening of the casting and rests in sand."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from shapely import maximum_inscribed_circle
from shapely.geometry import MultiPoint, Polygon

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.mouths import DIP_MM, Mouth, frame

PRINT_MM: Final = (12.0, 76.0)
"""Shortest print; longest one that is as long as it is thick. 76 mm: Modern Mechanical
Engineering, vol. I (print length about the diameter up to 3 in, from memory)."""

TOP_SHARE: Final = 0.5
"""Length of a print that looks up over one that looks down; same source."""

ODD: Final = 1.25
"""Length of a core's first print over the others, so that it cannot be set end for end."""

KEEL: Final = 0.8
"""Width of the flat under the far end of a print, over the print: it cannot turn."""

SEAT_DEPTH_MM: Final = 8.0
"""A level print reaches at least this far below the parting; common practice, no source."""

FREE_MM: Final = 4.0
"""Sand left between a print and other metal; common practice 3 to 5, no source."""

SHORTER: Final = (1.0, 0.75, 0.5, 0.35)
"""Lengths tried, over the wanted one, where other metal is in the way."""

OVER: Final = 0.01
"""How much wider than the sand it cuts through a gap is."""

FLUSH_MM: Final = 1e-3
"""Corners this near to the end of a print are of its end face."""

ROUND_FACETS: Final = 12

ROOT_MM: Final = 0.2
ROOT_SHRINK: Final = 0.02
"""How deep the root of a print reaches into its core and itself, and how much narrower it is."""


def _round_points() -> Floats:
    """Return points round the origin whose hull just holds the unit ball."""
    points, faces = Solid.sphere(1.0, ROUND_FACETS).mesh()
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    inner = np.einsum("ij,ij->i", normal, a) / np.linalg.norm(normal, axis=1)
    return np.asarray(points / inner.min())


ROUND: Final = _round_points()
"""Points to add to those of a body so that their hull is the body grown by at least 1 mm."""


@dataclass(frozen=True)
class Print:
    """One print.

    solid   : the sand of the print, outside the casting
    seat    : the room it sits in, print and gaps
    end     : (n, 3) corners of its end face
    end_mm  : middle of that: of the widest circle in it
    outward : unit, from the casting along the print
    thickness_mm : smaller side of the opening it goes through
    """

    solid: Solid
    seat: Solid
    end: Floats
    end_mm: Floats
    outward: Floats
    length_mm: float
    thickness_mm: float


@dataclass(frozen=True, kw_only=True)
class PrintRules:
    """What the job says about prints. [mm, deg]"""

    z_mm: float
    length_mm: float | None
    taper_deg: float
    gap_mm: float


def make_print(
    rim: Floats, mouth: Mouth, rules: PrintRules, is_first: bool, is_free: Callable[[Floats], bool]
) -> Print | None:
    """Return the print through one mouth, as long as there is room for; None without room.

    A level print is as wide as the opening at the casting, tapers outward, has a flat keel under
    its far end (it cannot roll), opens toward the parting (it can be lowered into the drag and
    the cope onto it) and reaches below the parting. One that looks up or down is a blunt cone
    with one flat side. The first print of a core is longer than the others.
    """
    across = np.ptp(np.column_stack([rim @ mouth.u, rim @ mouth.v]), axis=0)
    length = rules.length_mm or print_length_mm(float(across.min()))
    if rules.length_mm is None and mouth.is_upright and mouth.normal[2] > 0.0:
        length = max(TOP_SHARE * length, PRINT_MM[0])
    length *= ODD if is_first else 1.0
    for share in SHORTER:
        shape = _upright if mouth.is_upright else _level
        points, outward = shape(rim, mouth, rules, share * length)
        grown = (points[:, None] + FREE_MM * ROUND).reshape(-1, 3)
        if is_free(_samples(grown, mouth)):
            seat = (points[:, None] + rules.gap_mm * ROUND).reshape(-1, 3)
            end = end_corners(points, outward)
            return Print(
                solid=Solid.hull_of(points) + _root(rim, mouth),
                seat=mouth.outside(Solid.hull_of(seat)),
                end=end,
                end_mm=middle_of(end, outward)[0],
                outward=outward,
                length_mm=share * length,
                thickness_mm=float(across.min()),
            )
    return None


def end_corners(points: Floats, outward: Floats) -> Floats:
    """Return the corners of the face in which points end along a way."""
    reach = points @ outward
    return np.asarray(points[reach > reach.max() - FLUSH_MM])


def middle_of(end: Floats, outward: Floats) -> tuple[Floats, float]:
    """Return (middle, radius) of the widest circle in the flat that corners span. [mm]"""
    u, v = frame(outward)
    outline = MultiPoint(np.column_stack([end @ u, end @ v])).convex_hull
    if not isinstance(outline, Polygon):
        return np.asarray(end.mean(axis=0)), 0.0
    (x, y), on_edge = maximum_inscribed_circle(outline, tolerance=FLUSH_MM).coords
    place = x * u + y * v + float((end @ outward).mean()) * outward
    return np.asarray(place), float(np.hypot(on_edge[0] - x, on_edge[1] - y))


def end_gap(rim: Floats, mouth: Mouth, gap_mm: float) -> Solid:
    """Return the gap in front of a core that ends flush with its mouth."""
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    outer = middle + (rim - middle) * (1.0 + OVER)
    return Solid.hull_of(np.vstack([outer, outer + (gap_mm + DIP_MM) * mouth.normal]))


def side_gaps(body: Solid, mouth: Mouth, gap_mm: float) -> Solid:
    """Return the gap between a core and sand beside it that its mouth's plug has cut off.

    Where an opening is a slot in the side of a bore, the bore goes on past both ends of the plug.
    """
    ways = [side * gap_mm * axis for axis in (mouth.u, mouth.v) for side in (1.0, -1.0)]
    beside = [part for way in ways for part in (body.moved(tuple(way)) & mouth.plug).parts()]
    return Solid.union(_wider(part) for part in beside)


def _wider(gap: Solid) -> Solid:
    """Return a gap that reaches a little into the metal round it: no skin of rounding is left."""
    middle = gap.bounds.mean(axis=0)
    return gap.moved(-middle).scaled((1.0 + OVER,) * 3).moved(middle)


def print_length_mm(thickness_mm: float) -> float:
    """Return the usual length of a print: its thickness, less above 76 mm. [mm]

    Examples
    --------
    >>> print_length_mm(30.0), print_length_mm(5.0), print_length_mm(176.0)
    (30.0, 12.0, 126.0)
    """
    short, long = PRINT_MM
    return max(min(thickness_mm, long), short) + 0.5 * max(thickness_mm - long, 0.0)


def _level(rim: Floats, mouth: Mouth, rules: PrintRules, length_mm: float) -> tuple[Floats, Floats]:
    """Return the corners of a level print and its direction."""
    outward = np.array([mouth.normal[0], mouth.normal[1], 0.0])
    outward /= np.linalg.norm(outward)
    lean = math.tan(math.radians(rules.taper_deg))
    middle = 0.5 * (rim @ mouth.u).min() + 0.5 * (rim @ mouth.u).max()
    half = 0.5 * float(np.ptp(rim @ mouth.u))
    narrow = max(1.0 - length_mm * lean / half, 0.6)
    end = float((rim @ outward).max()) + length_mm
    far = rim + np.outer(end - rim @ outward, outward)
    far = far + np.outer((narrow - 1.0) * (rim @ mouth.u - middle), mouth.u)
    floor = min(float(far[:, 2].min()), rules.z_mm - SEAT_DEPTH_MM)
    keel = middle + KEEL * narrow * half * np.array([-1.0, 1.0])
    base = far[0] - (far[0] @ mouth.u) * mouth.u
    keels = base + np.outer(keel, mouth.u)
    keels[:, 2] = floor
    far = np.vstack([far, keels])
    points = np.vstack([rim, far])
    side = np.sign(points @ mouth.u - middle)
    rise = rules.z_mm - points[:, 2]
    along = mouth.v / mouth.v[2]
    at_parting = points + np.outer(rise, along) + np.outer(side * np.abs(rise) * lean, mouth.u)
    return np.vstack([points, at_parting]), outward


def _upright(
    rim: Floats, mouth: Mouth, rules: PrintRules, length_mm: float
) -> tuple[Floats, Floats]:
    """Return the corners of a print that looks up or down, and its direction."""
    outward = np.array([0.0, 0.0, math.copysign(1.0, mouth.normal[2])])
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    half = 0.5 * float(np.ptp(rim[:, :2], axis=0).min())
    narrow = max(1.0 - length_mm * math.tan(math.radians(rules.taper_deg)) / half, 0.6)
    far = middle + narrow * (rim - middle)
    far[:, 2] = (rim * outward[2])[:, 2].max() * outward[2] + outward[2] * length_mm
    flat = middle[0] + 0.6 * narrow * half
    far[:, 0] = np.minimum(far[:, 0], flat)
    return np.vstack([rim, far]), outward


def _root(rim: Floats, mouth: Mouth) -> Solid:
    """Return a body through the mouth: a print reaches into its core, not just to it."""
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    inner = middle + (1.0 - ROOT_SHRINK) * (rim - middle)
    reach = ROOT_MM * mouth.normal
    return Solid.hull_of(np.vstack([inner - reach, inner + reach]))


def _samples(corners: Floats, mouth: Mouth) -> Floats:
    """Return points spread through the hull of a grown print, outside the rim of its mouth."""
    body = mouth.outside(Solid.hull_of(corners), FREE_MM + mouth.rise_mm)
    if body.is_empty:
        return np.empty((0, 3))
    surface = body.refined(2.0 * FREE_MM).mesh()[0]
    middle = surface.mean(axis=0)
    return np.vstack([middle + share * (surface - middle) for share in (1.0, 0.66, 0.33)])
