"""Stretches of a wall as wide as a gate, each judged by all it covers; a compiled loop."""

from typing import Final

import numba
import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.solid import Floats, Ints

LEAST_UNEVEN_MM: Final = 2.0
"""A gate on a thin wall may still go in this much deeper at one edge than at the other. [mm]"""


@numba.njit(cache=True)
def is_even(
    middles: Ints, half: int, nearest: Floats, farthest: Floats, thinnest: Floats,
    most_mm: float, hump_mm: float,
) -> Flags:  # fmt: skip
    """Return whether the wall is even enough on `half` places to both sides of each middle.

    Parameters
    ----------
    middles
        (k,) places; none has a side that reaches past an end.
    half
        Places on each side.
    nearest, farthest, thinnest
        (n,) nearest and farthest hit, and thickness, at each place. [mm]
    most_mm
        How far the hits of a gate may differ, which is half its thinnest wall at most. [mm]
    hump_mm
        How far both flanks may lie behind the nearest hit. [mm]
    """
    even = np.zeros(len(middles), np.bool_)
    for row in range(len(middles)):
        first, last = middles[row] - half, middles[row] + half
        near, far, wall = nearest[first], farthest[first], thinnest[first]
        for k in range(first + 1, last + 1):
            near, far = max(near, nearest[k]), min(far, farthest[k])
            wall = min(wall, thinnest[k])
        flank = max(nearest[first], nearest[last])
        is_level = near - far <= min(most_mm, max(0.5 * wall, LEAST_UNEVEN_MM))
        even[row] = is_level and near - flank <= hump_mm
    return even
