"""The place of a stretch of metal from which both its ends are near."""

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Ints
from moldprep.geometry.solid import Floats
from moldprep.thermal.pools import way_mm


def midway(cells: Ints, way: NDArray[np.float32], depth: Floats, pitch_mm: float) -> Ints:
    """Return (3,) the cell whose longer way to the two ends of a stretch is shortest.

    Parameters
    ----------
    cells
        (n, 3) the stretch, at least one.
    way
        (nx, ny, nz) way from where it is fed: its end is where that is longest. [mm]
    depth
        (nx, ny, nz) distance from the sand: the place is no thinner than the rest. [cells]
    pitch_mm
        Edge of one cell. [mm]
    """
    at = tuple(cells.T)
    own = np.zeros(way.shape, np.bool_)
    own[at] = True
    from_first = _from(cells[np.argmax(way[at])], own, pitch_mm)[at]
    reached, deep = np.isfinite(from_first), depth[at]
    second = cells[np.argmax(np.where(reached, from_first, -1.0))]
    longer = np.maximum(from_first, _from(second, own, pitch_mm)[at])
    is_deep = reached & (deep >= 0.8 * deep[reached].max())
    return np.asarray(cells[np.argmin(np.where(is_deep, longer, np.inf))])


def _from(cell: Ints, own: NDArray[np.bool_], pitch_mm: float) -> NDArray[np.float32]:
    start = np.zeros(own.shape, np.uint8)
    start[tuple(cell)] = 1
    way, _ = way_mm(own, start, pitch_mm)
    return way
