"""Locators: pins and sockets that let two pieces close one way only."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box
from shapely.ops import nearest_points

from moldprep.geometry.solid import Solid
from moldprep.mold.cutting import Cutting

LEAN_DEG: Final = 7.0
"""Slope of a locator's side; common practice 5 to 10, no source."""
SEAT_MM: Final = (12.0, 50.0)
"""Smallest and largest diameter of a locator; common practice 30 to 60, less on small molds."""
ODD: Final = 0.7
"""Diameter of the odd locator over the others."""
SKIN_MM: Final = 1e-3
"""Kept off the planes when sand is looked through, so that rounding is not taken for a hole."""
ROOT_MM: Final = 8.0
"""Sand a pin needs below its foot; common practice, no source."""
DEEP_MM: Final = 1.0
"""How far a pin reaches below its foot, to be one with its sand; rounding cannot part them."""
EDGE_MM: Final = 8.0
"""Sand left between a socket and the next face: 5 mm is safe, and a groove may come beside it;
common practice, no source."""

RUNS: Final = 23
"""Lines along each axis on which a run for a tongue is looked for."""
WHOLE: Final = 0.999
"""Share of its rectangle that a strip of sand right across a face has."""
SHORTEST_RUN: Final = 3.0
"""Length of a tongue over its width, at least: less is a pin."""


@dataclass(frozen=True)
class Site:
    """Where a locator stands: center in the plane and radius at its foot. [mm]"""

    x_mm: float
    y_mm: float
    radius_mm: float

    @property
    def height_mm(self) -> float:
        """Height of the pin."""
        return 1.2 * self.radius_mm


def add_locators(
    cutting: Cutting, below: str, above: str, level_mm: float, clearance_mm: float
) -> Cutting:
    """Return the pieces with pins on the lower and sockets in the upper one.

    Three pins in three of the four corners, one of them smaller: turned about z in any other way
    a pin stands on flat sand or in the wrong socket, so the halves close one way only.
    """
    lower, upper = cutting.of_name(below).solid, cutting.of_name(above).solid
    sites = find_sites(lower, upper, level_mm, clearance_mm)
    if len(sites) < 3:
        note = f"no room for three locators between {below} and {above}: guide them from outside"
        return cutting.plus(notes=[note])
    pins = Solid.union(pin(site, level_mm, 0.0) for site in sites)
    sockets = Solid.union(pin(site, level_mm, clearance_mm) for site in sites)
    cut_out, left = upper.split(sockets)
    changed = cutting.with_solids({below: lower + pins, above: left})
    return changed.plus([(f"locator gaps {below} to {above}", cut_out - pins)])


def find_sites(
    lower: Solid, upper: Solid, level_mm: float, clearance_mm: float, n_least: int = 3
) -> list[Site]:
    """Return places on sand that is solid below and above the plane, nearest the corners.

    Three where they can be had, the one furthest round smaller than the others; none where there
    are fewer than `n_least`.
    """
    low, high = lower.bounds
    largest = float(np.clip(0.12 * (high - low)[:2].min(), *SEAT_MM))
    for diameter in np.linspace(largest, SEAT_MM[0], 6):
        radius = 0.5 * float(diameter)
        free = _free_sand(lower, upper, level_mm, radius, clearance_mm)
        corners = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
        spots = [nearest_points(free, Point(c))[0] for c in corners] if not free.is_empty else []
        reach = 0.25 * float(np.hypot(*(high - low)[:2]))
        good = [
            (spot.distance(Point(c)), k, spot)
            for k, (c, spot) in enumerate(zip(corners, spots, strict=False))
            if spot.distance(Point(c)) < reach
        ]
        if len(good) >= n_least:
            chosen = sorted(good)[:3]
            odd = max(k for _, k, _ in chosen)
            return [
                Site(spot.x, spot.y, radius * (ODD if k == odd else 1.0)) for _, k, spot in chosen
            ]
    return []


def find_run(lower: Solid, upper: Solid, level_mm: float, clearance_mm: float) -> list[Site]:
    """Return both ends of the longest straight run that a tongue can take, none without room.

    It runs along x or y, on sand that is solid below and above the plane.
    """
    low, high = lower.bounds
    largest = float(np.clip(0.12 * (high - low)[:2].min(), *SEAT_MM))
    for diameter in np.linspace(largest, SEAT_MM[0], 4):
        radius = 0.5 * float(diameter)
        free = _free_sand(lower, upper, level_mm, radius, clearance_mm)
        runs: list[LineString] = []
        for axis in (0, 1):
            for at in np.linspace(low[1 - axis], high[1 - axis], RUNS + 2)[1:-1]:
                ends = np.empty((2, 2))
                ends[:, axis], ends[:, 1 - axis] = (low[axis], high[axis]), at
                cut = LineString(ends).intersection(free)
                runs += [run for run in getattr(cut, "geoms", [cut]) if run.length > 0.0]
        best = max(runs, key=lambda run: run.length, default=None)
        if best is not None and best.length > SHORTEST_RUN * diameter:
            return [Site(x, y, radius) for x, y in best.coords]
    return []


def find_slide(
    lower: Solid, upper: Solid, level_mm: float, clearance_mm: float, axis: int
) -> list[Site]:
    """Return both ends of a tongue right across the face between two parts, none without room.

    It runs along an axis (0 or 1) from one side of the face to the other, through sand that is
    solid below and above it, so that the parts can also be slid together along it.
    """
    low, high = lower.bounds
    largest = float(np.clip(0.12 * (high - low)[:2].min(), *SEAT_MM))
    face = lower.slice_at(level_mm - SKIN_MM).union(upper.slice_at(level_mm + SKIN_MM))
    middle = 0.5 * (low + high)[1 - axis]
    places = np.linspace(low[1 - axis], high[1 - axis], RUNS + 2)[1:-1]
    for diameter in np.linspace(largest, SEAT_MM[0], 4):
        radius = 0.5 * float(diameter)
        solid = _solid_both(lower, upper, level_mm, radius, clearance_mm)
        half = radius + clearance_mm + EDGE_MM
        for at in sorted(places, key=lambda place: (abs(place - middle), place)):
            corners = np.empty((2, 2))
            corners[:, axis], corners[:, 1 - axis] = (low[axis], high[axis]), (at - half, at + half)
            strip = box(*corners.ravel())
            run = face.intersection(strip)
            x0, y0, x1, y1 = run.bounds if not run.is_empty else (0.0, 0.0, 0.0, 0.0)
            length = (x1 - x0, y1 - y0)[axis]
            is_whole = run.area > WHOLE * length * 2.0 * half > 0.0
            if is_whole and solid.buffer(SKIN_MM).covers(run):
                ends = np.array([[x0, y0], [x1, y1]])
                ends[:, 1 - axis] = at
                return [Site(float(x), float(y), radius) for x, y in ends]
    return []


def tongue(ends: list[Site], level_mm: float, clearance_mm: float) -> Solid:
    """Return the tongue between two sites, or the groove it fits with a clearance."""
    return (pin(ends[0], level_mm, clearance_mm) + pin(ends[1], level_mm, clearance_mm)).hull()


def slide(
    ends: list[Site], level_mm: float, clearance_mm: float, axis: int, *, over: bool = False
) -> Solid:
    """Return the tongue right across a face, or the groove for it, which may run over its ends."""
    low, high = (np.array([end.x_mm, end.y_mm]) for end in ends)
    along = 3.0 * ends[0].radius_mm * np.eye(2)[axis]
    longer = [
        replace(end, x_mm=float(x), y_mm=float(y))
        for end, (x, y) in zip(ends, (low - along, high + along), strict=True)
    ]
    whole = tongue(longer, level_mm, clearance_mm)
    if over:
        return whole
    bottom, top = whole.bounds
    bottom[axis], top[axis] = low[axis], high[axis]
    return whole & Solid.box(tuple(bottom), tuple(top))


def _free_sand(
    lower: Solid, upper: Solid, level_mm: float, radius_mm: float, clearance_mm: float
) -> Polygon | MultiPolygon:
    """Return where the center of a locator may stand."""
    outline = _solid_both(lower, upper, level_mm, radius_mm, clearance_mm)
    return outline.buffer(-(radius_mm + clearance_mm + EDGE_MM))


def _solid_both(
    lower: Solid, upper: Solid, level_mm: float, radius_mm: float, clearance_mm: float
) -> Polygon | MultiPolygon:
    """Return where both bodies are solid as deep as a locator of this size needs."""
    height = 1.2 * radius_mm + clearance_mm + EDGE_MM
    below = _solid_through(lower, level_mm - ROOT_MM, level_mm)
    return _solid_through(upper, level_mm, level_mm + height).intersection(below)


def _solid_through(body: Solid, z_low: float, z_high: float) -> MultiPolygon | Polygon:
    """Return where the body is solid all the way from z_low to z_high."""
    low, high = body.bounds
    slab = Solid.box((low[0], low[1], z_low + SKIN_MM), (high[0], high[1], z_high - SKIN_MM))
    return box(low[0], low[1], high[0], high[1]).difference((slab - body).shadow())


def pin(site: Site, level_mm: float, clearance_mm: float) -> Solid:
    """Return the pin at a site with its root in the sand below, or its socket with a clearance."""
    height = site.height_mm + clearance_mm
    foot = site.radius_mm + clearance_mm / math.cos(math.radians(LEAN_DEG))
    tip = foot - height * math.tan(math.radians(LEAN_DEG))
    outline = Polygon([(0, -DEEP_MM), (foot, -DEEP_MM), (foot, 0), (tip, height), (0, height)])
    return Solid.revolve(outline).moved((site.x_mm, site.y_mm, level_mm))
