"""Where the metal's surface lies among the cells, read from their shares of metal.

A cell is a node of the metal or of what is around it (see `cells.shared_out`). Of each face between
the two kinds the solve needs how the surface lies there: its area across the face, and how far
the middle of either cell is from it. Both come from the plane that cuts the cell as its share says,
square to the rise of the shares around: no axis is told from another.
"""

from typing import Any, Final

import numpy as np
from numba import prange

from moldprep.thermal.curves import HALF, ONE, ZERO, compiled

ALIKE: Final = np.float32(0.002)
"""Shares of metal that differ by less are alike."""

THINNEST: Final = 0.01
"""Smallest part of a normal along an axis, so that one formula holds for all."""

EVEN: Final = np.float32(0.03)
"""Heights of metal that differ by less are even. [cells]"""

HALVINGS: Final = 30

SHALLOWEST: Final = 0.2
"""Least depth of a cell outside: it keeps the stable step long."""


@compiled()
def share_below(reach: Any, a: Any, b: Any, c: Any) -> Any:
    """Return how much of a unit cube lies within `reach` of its corner along (a, b, c) > 0.

    Corners cut off a pyramid, by inclusion and exclusion. R. Scardovelli, S. Zaleski, J. Comput.
    Phys. 164 (2000) 228-237 (from memory).
    """
    total = reach**3
    for one in (a, b, c):
        total -= max(reach - one, 0.0) ** 3
    for two in (a + b, b + c, a + c):
        total += max(reach - two, 0.0) ** 3
    total -= max(reach - a - b - c, 0.0) ** 3
    return total / (6.0 * a * b * c)


@compiled()
def off_surface(share: Any, normal: Any) -> Any:
    """Return how far outside the metal the middle of a cell is, given its share. [cells]"""
    a, b, c = (
        max(abs(normal[0]), THINNEST), max(abs(normal[1]), THINNEST), max(abs(normal[2]), THINNEST),
    )  # fmt: skip
    low, high = 0.0, a + b + c
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if share_below(middle, a, b, c) < share:
            low = middle
        else:
            high = middle
    return 0.5 * (a + b + c) - low


@compiled()
def add_rise(flat: Any, at: Any, x: Any, y: Any, rise: Any) -> None:
    """Add how the share falls along the axes around a flat cell, smoothed across each by 1 2 1."""
    for i in range(-1, 2):
        for j in range(-1, 2):
            weight = np.float64((2 - abs(i)) * (2 - abs(j)))
            rise[0] += weight * (flat[at - x + i * y + j] - flat[at + x + i * y + j])
            rise[1] += weight * (flat[at - y + i * x + j] - flat[at + y + i * x + j])
            rise[2] += weight * (flat[at - 1 + i * x + j * y] - flat[at + 1 + i * x + j * y])


@compiled()
def leans(flat: Any, one: Any, along: Any, aside: Any) -> Any:
    """Return whether the metal's height over a face changes to both sides of it.

    Where it does to one side only, there is an edge on that side, and the surface is flat up to it.
    """
    low = high = ZERO
    for n in range(-1, 3):
        at = one + n * along
        low += flat[at - aside] - flat[at]
        high += flat[at + aside] - flat[at]
    return min(abs(low), abs(high)) > EVEN


@compiled()
def normal_between(flat: Any, one: Any, two: Any, steps: Any, axis: Any, normal: Any) -> None:
    """Set the outward normal of the metal at the face between two flat cells; else the axis."""
    normal[:] = 0.0
    add_rise(flat, one, steps[0], steps[1], normal)
    add_rise(flat, two, steps[0], steps[1], normal)
    for aside in range(3):
        if aside != axis and not leans(flat, one, two - one, steps[aside]):
            normal[aside] = 0.0
    size = np.sqrt((normal * normal).sum())
    if size > 1e-3:
        normal /= size
    else:
        normal[axis] = 1.0


@compiled()
def depth_at(flat: Any, of_metal: Any, of_rest: Any, part: Any, normal: Any) -> Any:
    """Return how far the middle of a cell outside is from the metal, beside a cell of it.

    Of two cells that are cut, the one cut nearer to its middle knows better.
    """
    inner, outer = np.float64(flat[of_metal]), np.float64(flat[of_rest])
    weigh_in, weigh_out = inner * (1.0 - inner), outer * (1.0 - outer)
    if weigh_in + weigh_out < 1e-6:
        return 0.5 * part
    total = 0.0
    if weigh_in > 0.0:
        total += weigh_in * (off_surface(inner, normal) + part)
    if weigh_out > 0.0:
        total += weigh_out * off_surface(outer, normal)
    return total / (weigh_in + weigh_out)


@compiled()
def convexity(flat: Any, of_rest: Any, x: Any, y: Any, depth: Any, normal: Any) -> Any:
    """Return which part of the metal a flat surface would show round a cell outside is missing.

    Round means in the cube of three cells a side; 0.33 beside a square edge, 0.56 beside a corner.
    """
    a, b, c = (
        max(abs(normal[0]), THINNEST), max(abs(normal[1]), THINNEST), max(abs(normal[2]), THINNEST),
    )  # fmt: skip
    held = 0.0
    for i in range(-1, 2):
        for j in range(-1, 2):
            for k in range(-1, 2):
                held += flat[of_rest + i * x + j * y + k]
    reach = 0.5 * (a + b + c) - depth / 3.0
    return 1.0 - held / 27.0 / max(share_below(max(reach, 0.0), a, b, c), 0.03)


@compiled()
def crowding(missing: Any, depth: Any) -> Any:
    """Return how much more passes than a flat surface of this depth would let."""
    missing = min(max(missing, -0.7), 0.75)
    return 1.0 + (0.65 + 0.7 * depth) * (0.6 * missing + 0.8 * missing * missing)


@compiled()
def shrunk(missing: Any, depth: Any, part: Any) -> Any:
    """Return the area of a curved surface over that between the cells in and out of it.

    What is missing round a cell outside is 0.375 c / (1.5 - d) where the surface curves by c, the
    sum of both curvatures; and the faces of the cells lie d - n / 2 off the surface.
    """
    curve = missing * (1.5 - depth) / 0.375 * max(1.0 - 2.0 * abs(missing), 0.0)
    return min(max(1.0 - curve * (depth - 0.5 * part), 0.7), 1.3)


@compiled(fastmath=True)
def side_end(flat: Any, of_metal: Any, inward: Any) -> Any:
    """Return whether the line of cells that goes in runs along a side of the metal and ends here.

    Then the next two are cut alike: the surface is the end, as wide as they are full.
    """
    held, next_in, beyond = flat[of_metal], flat[of_metal + inward], flat[of_metal + 2 * inward]
    return ZERO < next_in < ONE and abs(next_in - beyond) < ALIKE and held <= next_in


@compiled(parallel=True)
def lean(odd: Any, shape: Any, share: Any) -> None:
    """Set how the metal's surface lies at the faces of the odd cells, see `cells.Odd`."""
    x, y = np.int64(shape[1] * shape[2]), np.int64(shape[2])
    place, beside, held, flat = odd.at, odd.near, odd.metal, share.ravel()
    area, depth, edge = odd.area, odd.depth, odd.edge
    for q in prange(place.size):
        normal, steps = np.empty(3), (x, y, np.int64(1))
        for e in range(odd.first[q], odd.first[q + 1]):
            near, face = beside[e], odd.face[e]
            area[e] = edge[e] = ONE
            depth[e] = HALF
            if near >= place.size or (held[q] == ZERO and held[near] == ZERO):
                continue
            axis, at = face // 2, np.int64(place[q])
            across = at + np.int64(odd.step[face])
            normal_between(flat, at, across, steps, axis, normal)
            part = abs(normal[axis])
            if held[q] > ZERO and held[near] > ZERO:
                area[e] = part
                continue
            inner, outer = (at, across) if held[q] > ZERO else (across, at)
            if flat[inner] == ONE and flat[outer] == ZERO:
                normal[:] = 0.0
                normal[axis] = part = 1.0
            elif side_end(flat, inner, inner - outer):
                area[e] = flat[2 * inner - outer]
                depth[e] = np.float32(1.5) - flat[inner] / area[e]
                normal[:] = 0.0
                normal[axis] = part = 1.0
            else:
                area[e] = part
                depth[e] = max(depth_at(flat, inner, outer, part, normal), SHALLOWEST)
            missing = convexity(flat, outer, x, y, np.float64(depth[e]), normal)
            edge[e] = crowding(missing, np.float64(depth[e]))
            area[e] *= shrunk(missing, np.float64(depth[e]), part)
