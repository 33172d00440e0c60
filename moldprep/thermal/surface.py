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

STRAIGHT: Final = np.float32(0.25)
"""A height of metal that is off a line by less goes on straight. [cells]"""

STEEPEST: Final = 1.2
"""Heights tell of edges only where a surface rises by less from one cell to the next. [cells]"""

HIGHEST: Final = np.float32(4.0)
"""Cells in a column that a height is read from."""

EDGE: Final = np.float32(0.48)
"""A height that falls by more of itself to one side has an edge there: by half where an edge lies
half a cell on."""

UNLIKE: Final = np.float32(0.1)
"""Parts of neighboring lines cut off by one end differ by less."""

HALVINGS: Final = 30

SHALLOWEST: Final = 0.2
"""Least depth of a cell outside: it keeps the stable step long."""

MISSING: Final = 0.125
"""Metal missing in the cube of 3 cells a side round a cell, over the curvature of the surface."""

HOLLOW: Final = 4.0
SHARP: Final = 0.3
LOST: Final = 0.2
"""What edges need beside the curvature c they show, m of the metal missing: c / (1 + 4 |c|) in
hollows, 0.3 c² m more to conduct, 0.2 c² m more area. Fitted to the steady fields about wedges of
60 to 106 degrees and in a corner of 90, r^p sin(p angle), turned and shifted, and to the areas of
their faces."""


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
def height(flat: Any, at: Any, along: Any) -> Any:
    """Return how high the metal is over a face, in the column of two cells to both its sides."""
    return flat[at - along] + flat[at] + flat[at + along] + flat[at + 2 * along]


@compiled()
def flatter_side(flat: Any, one: Any, along: Any, aside: Any) -> Any:
    """Return how the height over a face rises along `aside` on its flatter side; and if to an edge.

    Where it falls by half of itself to one side, and to the other goes on straight for two cells,
    there is an edge, and the surface is flat up to it. A round bar has no such two cells.
    """
    own = height(flat, one, along)
    low, high = height(flat, one - aside, along), height(flat, one + aside, along)
    if abs(low - own) < abs(high - own):
        lesser, other, away = low - own, high - own, -aside
    else:
        lesser, other, away = high - own, low - own, aside
    bends = abs(other + lesser) > EDGE * own and abs(lesser) < HALF * abs(other)
    if bends:
        straight = min(max(own + lesser + lesser, ZERO), HIGHEST)
        bends = abs(height(flat, one + 2 * away, along) - straight) < STRAIGHT
    return (-lesser if away < 0 else lesser), bends


@compiled()
def normal_between(flat: Any, one: Any, two: Any, steps: Any, axis: Any, normal: Any) -> Any:
    """Set the outward normal of the metal at the face between two flat cells; else the axis.

    Return whether there is an edge beside it: the surface is flat up to it, as steep as to the
    other side.
    """
    normal[:] = 0.0
    add_rise(flat, one, steps[0], steps[1], normal)
    add_rise(flat, two, steps[0], steps[1], normal)
    steep, at_edge = abs(normal[axis]), False
    for aside in range(3):
        if aside == axis:
            continue
        lesser, bends = flatter_side(flat, one, two - one, steps[aside])
        bends = bends and abs(normal[aside]) < STEEPEST * steep
        if abs(lesser) < EVEN or (bends and lesser * normal[aside] > 0.0):
            normal[aside] = 0.0
        elif bends and abs(lesser) * steep < abs(normal[aside]):
            normal[aside] = -lesser * steep
        at_edge |= bends
    size = np.sqrt((normal * normal).sum())
    if size > 1e-3:
        normal /= size
    else:
        normal[axis] = 1.0
    return at_edge


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
def flat_share(depth: Any, normal: Any) -> Any:
    """Return how much metal a flat surface shows in the cube of 3 cells a side round a cell."""
    a, b, c = (
        max(abs(normal[0]), THINNEST), max(abs(normal[1]), THINNEST), max(abs(normal[2]), THINNEST),
    )  # fmt: skip
    return share_below(max(0.5 * (a + b + c) - depth / 3.0, 0.0), a, b, c)


@compiled()
def share_around(flat: Any, at: Any, x: Any, y: Any) -> Any:
    """Return how much metal there is in the cube of 3 cells a side round a cell."""
    held = 0.0
    for i in range(-1, 2):
        for j in range(-1, 2):
            for k in range(-1, 2):
                held += flat[at + i * x + j * y + k]
    return held / 27.0


@compiled()
def crowding(curve: Any, missing: Any, depth: Any) -> Any:
    """Return how much more conducts than to a flat surface. [1/cells]

    Outside a surface whose curvatures sum to c, the flux is k (1 / sqrt(pi a t) + c / 2) soon after
    the start, and k (1 / d + c / 2) from d deep once it is steady: the same more at any time. H. S.
    Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., 13.5 (from memory).
    """
    if curve < 0.0:
        return max(0.5 * curve / (1.0 - HOLLOW * curve), -0.4 / depth)
    return 0.5 * curve + SHARP * curve * curve * missing


@compiled()
def area_over(curve: Any, missing: Any, depth: Any, part: Any) -> Any:
    """Return the area of a curved surface over that between the cells in and out of it.

    The faces of the cells lie d - n / 2 off the surface. Where much is missing there is an edge,
    and the normals, which are between those of its sides, give too little area.
    """
    smooth = curve * max(1.0 - 2.0 * abs(missing), 0.0)
    lost = LOST * curve * curve * missing if curve > 0.0 and part < 1.0 else 0.0
    return min(max(1.0 - smooth * (depth - 0.5 * part) + lost, 0.7), 1.3)


@compiled(fastmath=True)
def side_end(flat: Any, of_metal: Any, inward: Any, steps: Any) -> Any:
    """Return whether the line of cells that goes in runs along a side of the metal and ends here.

    Then the next two are cut alike: the surface is the end, as wide as they are full; and it cuts
    off the same part of the lines beside this one.
    """
    held, next_in, beyond = flat[of_metal], flat[of_metal + inward], flat[of_metal + 2 * inward]
    if next_in <= ZERO or next_in >= ONE or abs(next_in - beyond) > ALIKE or held > next_in:
        return False
    for step in steps:
        if step == abs(inward):
            continue
        for at in (of_metal - step, of_metal + step):
            if abs(flat[at] * next_in - flat[at + inward] * held) > UNLIKE:
                return False
    return True


@compiled(parallel=True)
def lean(odd: Any, shape: Any, share: Any) -> None:
    """Set how the metal's surface lies at the faces of the odd cells, see `cells.Odd`."""
    x, y = np.int64(shape[1] * shape[2]), np.int64(shape[2])
    place, beside, held, flat = odd.at, odd.near, odd.metal, share.ravel()
    area, depth, more = odd.area, odd.depth, odd.more
    for q in prange(place.size):
        normal, steps = np.empty(3), (x, y, np.int64(1))
        for e in range(odd.first[q], odd.first[q + 1]):
            near, face = beside[e], odd.face[e]
            area[e], more[e] = ONE, ZERO
            depth[e] = HALF
            if near >= place.size or (held[q] == ZERO and held[near] == ZERO):
                continue
            axis, at = face // 2, np.int64(place[q])
            across = at + np.int64(odd.step[face])
            at_edge = normal_between(flat, at, across, steps, axis, normal)
            part = abs(normal[axis])
            if held[q] > ZERO and held[near] > ZERO:
                area[e] = part
                continue
            inner, outer = (at, across) if held[q] > ZERO else (across, at)
            if flat[inner] == ONE and flat[outer] == ZERO:
                normal[:] = 0.0
                normal[axis] = part = 1.0
            elif side_end(flat, inner, inner - outer, steps):
                area[e] = flat[2 * inner - outer]
                depth[e] = np.float32(1.5) - flat[inner] / area[e]
                normal[:] = 0.0
                normal[axis] = part = 1.0
            else:
                area[e] = part
                depth[e] = max(depth_at(flat, inner, outer, part, normal), SHALLOWEST)
            away = np.float64(depth[e])
            expected, found = flat_share(away, normal), share_around(flat, outer, x, y)
            curve = (expected - found) / MISSING
            missing = 1.0 - found / max(expected, 0.03)
            more[e] = crowding(curve, missing, away)
            if not at_edge:
                area[e] *= area_over(curve, missing, away, part)
