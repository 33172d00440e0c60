"""Stretches of a wall as wide as a gate, each judged by all it covers; a compiled loop."""

from typing import Final

import numba
import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.solid import Floats, Ints

LEAST_UNEVEN_MM: Final = 2.0
"""A gate on a thin wall may still go in this much deeper at one edge than at the other. [mm]"""


@numba.njit(cache=True)
def even_windows(
    before: Ints, half: int, nearest: Floats, farthest: Floats, thinnest: Floats,
    most_mm: float, hump_mm: float,
) -> Flags:  # fmt: skip
    """Return (n,) amid which windows of `half` places to both sides the wall takes a gate.

    Parameters
    ----------
    before
        (n + 1,) how many places before each take any gate: all of a window must.
    half
        Places on each side; a window reaches past no end.
    nearest, farthest, thinnest
        (n,) nearest and farthest hit, and thickness, at each place. [mm]
    most_mm
        How far the hits of a gate may differ, which is half its thinnest wall at most. [mm]
    hump_mm
        How far both flanks may lie behind the nearest hit. [mm]
    """
    is_even = np.zeros(len(nearest), np.bool_)
    for middle in range(half, len(nearest) - half):
        first, last = middle - half, middle + half
        if before[last + 1] - before[first] < 2 * half + 1:
            continue
        near, far, wall = nearest[first], farthest[first], thinnest[first]
        for k in range(first + 1, last + 1):
            near, far = max(near, nearest[k]), min(far, farthest[k])
            wall = min(wall, thinnest[k])
        flank = max(nearest[first], nearest[last])
        is_level = near - far <= min(most_mm, max(0.5 * wall, LEAST_UNEVEN_MM))
        is_even[middle] = is_level and near - flank <= hump_mm
    return is_even
