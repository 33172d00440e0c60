"""How a neck is led out of a section at one height: from where, and to the sand outside."""

from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from moldprep.rigging.feed.site_maps import Bools, Floats

N_STARTS: Final = 5
"""Places of a section a neck is led out from at each height, the one next to the hot spot first."""


def spread_cells(cells: Floats, spot: Floats) -> Floats:
    """Return the cell nearest to a spot, and a few more, each the farthest from those before."""
    away = np.hypot(*(cells - spot).T)
    chosen = [int(np.argmin(away))]
    apart = np.full(len(cells), np.inf)
    while len(chosen) < min(N_STARTS, len(cells)):
        apart = np.minimum(apart, np.hypot(*(cells - cells[chosen[-1]]).T))
        chosen.append(int(np.argmax(apart)))
    return cells[chosen]


def leave_metal(
    level: NDArray[np.integer], outer: Bools, start: Floats, way: Floats
) -> Floats | None:
    """Return the first cell outside the metal along a way, or None if that is not the outside."""
    steps = _steps_to_sand(level, start, way)
    if steps == 0:
        return None
    spot = start + steps * way
    return spot - 0.5 * way if outer[tuple(np.rint(spot).astype(int))] else None


@numba.njit(cache=True)
def _steps_to_sand(level: NDArray[np.integer], start: Floats, way: Floats) -> int:
    """Return how many steps lead out of the metal; 0 where they lead out of the grid before."""
    for step in range(1, 2 * max(level.shape)):
        i, j = int(np.rint(start[0] + step * way[0])), int(np.rint(start[1] + step * way[1]))
        if not (0 <= i < level.shape[0] and 0 <= j < level.shape[1]):
            return 0
        if level[i, j] == 0:
            return step
    return 0
