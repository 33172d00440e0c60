"""Bores in cores: from over a high point of the metal, through the core's sand, to a print's vent.

A bore stays closed toward the metal: air and gas pass the sand between. A printed core may have it
run round corners; where it lies, the sand keeps the wall that every core vent keeps.
"""

from collections.abc import Sequence
from itertools import pairwise, product
from typing import Final

import edt
import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Flags
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.mold.cores import Core
from moldprep.mold.cutting import Cutting, Named
from moldprep.mold.features import VENT_MM, VENT_WALL_MM, Outside, rod, vent_axis
from moldprep.records import CoreVentPlan
from moldprep.thermal.pools import way_mm

RADIUS_MM: Final = 0.5 * VENT_MM[0]
CELLS: Final = 1_500_000
FINEST_MM: Final = 1.0

NEAREST_MM: Final = 25.0
"""How far from the high point its bore may begin: air passes so much sand (common practice, no
source)."""

NEIGHBORS: Final = np.array([step for step in product((-1, 0, 1), repeat=3) if any(step)])


def add_bores(
    cutting: Cutting, cores: Sequence[Core], planned: Sequence[CoreVentPlan], outside: Outside
) -> Cutting:
    """Return the pieces with a bore for each planned core vent, as far as cores have room.

    Parameters
    ----------
    cutting
        The pieces with the vents of their prints.
    cores
        Their bodies and prints.
    planned
        The high points; each bore is cut under its plan's name.
    outside
        Heights of the joints, onto which vents of prints are moved.
    """
    tools: list[Named] = []
    notes = []
    for vent in planned:
        found = [_bore(core, np.array(vent.at_mm), outside.levels) for core in cores]
        ways = [way for way in found if way is not None]
        if not ways:
            notes.append(f"{vent.name}: no core over it has room for a bore to a print")
            continue
        points = min(ways, key=lambda way: float(np.linalg.norm(way[0] - np.array(vent.at_mm))))
        tools.append((vent.name, _swept(points)))
    return cutting.cut(tools).plus(notes=notes)


def _bore(core: Core, at_mm: Floats, levels: Sequence[float]) -> Floats | None:
    """Return the corners of a bore from near a point to the nearest print, None without room."""
    low, high = core.solid.bounds
    is_far = ((at_mm < low - NEAREST_MM) | (at_mm > high + NEAREST_MM)).any()
    axes = [axis for one in core.prints if (axis := vent_axis(one, levels)) is not None]
    if is_far or not axes:
        return None
    pitch = max(FINEST_MM, float((np.prod(high - low) / CELLS) ** (1.0 / 3.0)))
    lattice = Lattice.around(core.solid.bounds, pitch, belt=1)
    deep = edt.edt(shares_of(core.solid, lattice) >= 0.5, black_border=True) * pitch
    free = np.asarray(deep >= RADIUS_MM + VENT_WALL_MM)
    start = _nearest_free(free, lattice, at_mm)
    ends = [_cell(lattice, axis[0]) for axis in axes]
    seeds = np.zeros(free.shape, np.uint8)
    for number, end in enumerate(ends, start=1):
        seeds[tuple(end)] = number
        free[tuple(end)] = True
    way, which = way_mm(free, seeds, pitch)
    if start is None or not np.isfinite(way[tuple(start)]):
        return None
    cells = _straightened(_downhill(way, start), free)
    points = lattice.center_mm(cells)
    return np.vstack([points[:-1], axes[int(which[tuple(start)]) - 1][0]])


def _cell(lattice: Lattice, at_mm: Floats) -> Ints:
    index = np.floor((at_mm - lattice.origin_mm) / lattice.pitch_mm).astype(np.int64)
    return np.clip(index, 0, np.array(lattice.shape) - 1)


def _nearest_free(free: Flags, lattice: Lattice, at_mm: Floats) -> Ints | None:
    """Return the free cell over a point and nearest to it, None where that is too far off."""
    cells = np.argwhere(free)
    points = lattice.center_mm(cells)
    away = np.where(points[:, 2] > at_mm[2], np.linalg.norm(points - at_mm, axis=1), np.inf)
    if not len(cells) or away.min() > NEAREST_MM:
        return None
    return np.asarray(cells[int(np.argmin(away))])


def _downhill(way: NDArray[np.float32], start: Ints) -> Ints:
    """Return (n, 3) cells from a start to where the way is none."""
    cells = [start]
    while way[tuple(cells[-1])] > 0.0:
        beside = cells[-1] + NEIGHBORS
        beside = beside[((beside >= 0) & (beside < way.shape)).all(axis=1)]
        cells.append(beside[int(np.argmin(way[tuple(beside.T)]))])
    return np.array(cells)


def _straightened(cells: Ints, free: Flags) -> Ints:
    """Return the corners of a way that goes straight wherever free cells let it."""
    kept = [0]
    while kept[-1] < len(cells) - 1:
        here = kept[-1]
        ahead = range(len(cells) - 1, here, -1)
        kept.append(next((k for k in ahead if _sees(cells[here], cells[k], free)), here + 1))
    return np.asarray(cells[kept])


def _sees(a: Ints, b: Ints, free: Flags) -> bool:
    """Return whether the straight line between two cells passes free cells only."""
    steps = np.linspace(0.0, 1.0, 2 * int(np.abs(b - a).max()) + 1)[:, None]
    line = np.rint(a + steps * (b - a)).astype(np.int64)
    return bool(free[tuple(line.T)].all())


def _swept(points: Floats) -> Solid:
    """Return round bars along a line, with balls at its corners."""
    bars = [rod(a, b, RADIUS_MM) for a, b in pairwise(points)]
    balls = [Solid.sphere(RADIUS_MM, 32).moved(point) for point in points]
    return Solid.union([*bars, *balls])
