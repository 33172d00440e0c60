"""Cavity faces that no straight look from outside reaches, so that no brush or spray coats them."""

from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Floats, Solid

SPOTS: Final = 8_000
"""Points that hidden faces are measured with: about 1 % of the area."""

LOOKS: Final = (60, 600, 6_000)
"""Directions looked along, more of them the fewer points are left: the last ones see out of a hole
14 times as deep as wide."""

MOST_LEFT: Final = 1_000
"""Points that the last looks are tried from; of more, an even choice stands for all."""

AT_ONCE: Final = 20
"""Directions looked along together."""

GRAZING: Final = 0.02
"""A face seen at 1° or less is not seen: sine of that angle."""

CLEAR_MM: Final = 0.05
"""Looks start this far off the face."""


def find_hidden(sand: Solid, wetted: Floats) -> tuple[float, Floats]:
    """Return (area [mm²], place) of cavity face that no straight look from outside reaches.

    Parameters
    ----------
    sand
        The piece, by itself, open on all sides.
    wetted
        (n, 3, 3) triangles of the metal that press on it, outward from the metal. [mm]
    """
    nowhere = np.zeros(3)
    if len(wetted) == 0:
        return 0.0, nowhere
    spots = spread_spots(wetted, SPOTS)
    inward, area = -spots.normals, spots.area_mm2
    start, rays = spots.at_mm + CLEAR_MM * inward, Rays.of(sand)
    left = np.arange(len(start))
    for n_looks in LOOKS:
        if n_looks == LOOKS[-1] and len(left) > MOST_LEFT:
            step = -(-len(left) // MOST_LEFT)
            area, left = area * step, left[::step]
        seen = np.zeros(len(left), bool)
        for some in np.array_split(spread_directions(n_looks), n_looks // AT_ONCE):
            spot, look = np.nonzero((inward[left] @ some.T > GRAZING) & ~seen[:, None])
            is_free = ~rays.are_blocked(start[left[spot]], some[look])
            seen[spot[is_free]] = True
        left = left[~seen]
        if len(left) == 0:
            return 0.0, nowhere
    hidden = start[left]
    middle = np.linalg.norm(hidden - np.median(hidden, axis=0), axis=1).argmin()
    return float(area[left].sum()), hidden[middle]


def spread_directions(n: int) -> Floats:
    """Return (n, 3) unit vectors spread evenly over all sides, along a spiral."""
    k = np.arange(n) + 0.5
    height = 1.0 - 2.0 * k / n
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - height**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
