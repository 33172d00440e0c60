"""How a neck is led out of a section at one height: from where, and to the sand outside."""

from typing import Final

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
    spots = start + np.arange(1, 2 * max(level.shape))[:, None] * way
    cells = np.rint(spots).astype(int)
    is_in = ((cells >= 0) & (cells < level.shape)).all(axis=1)
    cells = cells[: len(cells) if is_in.all() else int(np.argmin(is_in))]
    is_sand = level[cells[:, 0], cells[:, 1]] == 0
    if not is_sand.any():
        return None
    first = int(np.argmax(is_sand))
    return spots[first] - 0.5 * way if outer[tuple(cells[first])] else None
