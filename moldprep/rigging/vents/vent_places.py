"""Where more vents may stand on a casting than its high points ask for."""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter
from shapely import contains_xy
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats
from moldprep.records import Pattern

CELLS: Final = 120
"""Columns along the longer side of the grid of places."""

FLAT_MM: Final = 3.0
"""How much the top under a vent may rise or fall. [mm]"""

BESIDE_MM: Final = 6.0
"""Sand between a vent and a wall of the casting that goes on up beside it, at least (common
practice, no source). [mm]"""

UPPER: Final = 0.35
"""Share of the casting's height, from its top, in which more vents help: lower ones fill early
(common practice, no source). [-]"""

APART: Final = 4.0
"""Vents stand this many diameters apart, at least (common practice, no source). [-]"""

MOST: Final = 8
"""More vents than this on one casting are more work to cut off than they help."""

Place = tuple[tuple[float, float, float], float]


def vent_places(
    pattern: Pattern,
    taken_mm: Floats,
    keep_out: tuple[BaseGeometry, ...],
    wanted_mm2: float,
    smallest_mm: float,
    largest_mm: float,
) -> list[Place]:
    """Return (place on the top, diameter) of vents that add up to an area, as far as there is room.

    Parameters
    ----------
    pattern
        What is cast; its own frame.
    taken_mm
        (n, 2) places of vents there already. [mm]
    keep_out
        Outlines from above with sand round them, where no vent may come up.
    wanted_mm2
        Area wanted of all of them. [mm²]
    smallest_mm, largest_mm
        Diameters a vent may have; none is more than half as thick as the metal below. [mm]

    Notes
    -----
    Places are level, seen from above, in the upper third of the casting, and as far from one
    another as they can be.
    """
    x, y, top, widest = _tops(pattern, largest_mm)
    is_free = (widest >= smallest_mm) & ~contains_xy(unary_union(keep_out).buffer(0.0), x, y)
    x, y, top, widest = x[is_free], y[is_free], top[is_free], widest[is_free]
    found: list[Place] = []
    taken = taken_mm.reshape(-1, 2)
    while len(x) and len(found) < MOST and wanted_mm2 > 0.0:
        far = _distance(x, y, taken) if len(taken) else top - top.min() + 1e3
        far = np.where(far >= APART * widest, far, -1.0)
        k = int(np.argmax(np.minimum(far, 1e4)))
        if far[k] < 0.0:
            break
        need = math.sqrt(4.0 / math.pi * wanted_mm2)
        diameter = round(float(np.clip(need, smallest_mm, widest[k])), 1)
        found.append(((float(x[k]), float(y[k]), float(top[k])), diameter))
        wanted_mm2 -= 0.25 * math.pi * diameter**2
        taken = np.vstack([taken, [x[k], y[k]]])
    return found


def _distance(x: Floats, y: Floats, taken: Floats) -> Floats:
    """Return how far each place is from the nearest one taken. [mm]"""
    away = np.hypot(x[:, None] - taken[:, 0], y[:, None] - taken[:, 1])
    return np.asarray(away.min(axis=1))


def _tops(pattern: Pattern, largest_mm: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return x, y, height of the top, and the widest vent it takes, 0 for none; (n,) each."""
    low, high = pattern.solid.bounds
    pitch = float((high - low)[:2].max()) / CELLS
    axes = [np.arange(low[k] + 0.5 * pitch, high[k], pitch) for k in (0, 1)]
    x, y = np.meshgrid(*axes, indexing="ij")
    down, rays = np.array([0.0, 0.0, -1.0]), Rays.of(pattern.solid)
    above = np.stack([x.ravel(), y.ravel(), np.full(x.size, high[2] + 1.0)], axis=1)
    fall, facet = rays.first(above, down)
    is_hit = np.isfinite(fall)
    fall = np.where(is_hit, fall, 1e6)
    wall, _ = rays.first(above + (fall + 0.01)[:, None] * down, down)
    wall = np.where(is_hit & np.isfinite(wall), wall, 0.0)
    is_hit[is_hit] &= ~pattern.is_kept_clear[facet[is_hit]]
    top = np.where(is_hit, high[2] + 1.0 - fall, -1e6).reshape(x.shape)
    size = _window(0.5 * largest_mm + 1.0, pitch)
    beside = _window(0.5 * largest_mm + BESIDE_MM, pitch)
    is_flat = _spread(top, size) <= FLAT_MM
    is_flat &= maximum_filter(top, beside, mode="constant", cval=-1e6) - top <= FLAT_MM
    is_high = top >= high[2] - UPPER * (high[2] - low[2])
    thin = minimum_filter(wall.reshape(x.shape), size)
    widest = np.where(is_flat & is_high, np.minimum(0.5 * thin, largest_mm), 0.0)
    return x.ravel(), y.ravel(), top.ravel(), widest.ravel()


def _window(reach_mm: float, pitch: float) -> int:
    """Return how many cells a window that reaches so far to all sides is wide."""
    return 2 * math.ceil(reach_mm / pitch) + 1


def _spread(top: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Return highest less lowest within a window; beyond the grid there is nothing."""
    high = maximum_filter(top, size, mode="constant", cval=-1e6)
    low = minimum_filter(top, size, mode="constant", cval=-1e6)
    return np.asarray(high - low)
