"""Conductances of the faces that do not lie within one material: metal to sand, cuts, inserts.

A cell with any metal is a node of the metal. Conductances are kept per volume of a cell
[W/(mm³ K)], so enthalpy changes by sum g (T' - T).
"""

from typing import Any, Final

import numpy as np
from numba import prange

from moldprep.thermal.curves import HALF, ONE, ZERO, compiled, looked_up
from moldprep.thermal.materials import OUTSIDE

SIGMA_W_MM2_K4: Final = 5.670374e-14
"""Stefan-Boltzmann constant (CODATA 2018)."""

SAME: Final = -1
"""A face within one material, in `Odd.near`."""


@compiled(fastmath=True)
def rise(cells: Any, i: Any, j: Any, k: Any, axis: Any) -> Any:
    """Return how the share of metal rises along an axis across a cell; the outside mirrors it."""
    a, b, c = 1 if axis == 0 else 0, 1 if axis == 1 else 0, 1 if axis == 2 else 0
    here = cells.metal[i, j, k]
    up, down = cells.metal[i + a, j + b, k + c], cells.metal[i - a, j - b, k - c]
    if cells.rest[i + a, j + b, k + c] == OUTSIDE:
        up = here
    if cells.rest[i - a, j - b, k - c] == OUTSIDE:
        down = here
    return up - down


@compiled(fastmath=True)
def slant(cells: Any, i: Any, j: Any, k: Any, axis: Any) -> Any:
    """Return |n| along an axis of the metal's surface at the face above cell (i, j, k)."""
    p, q, r = i + (axis == 0), j + (axis == 1), k + (axis == 2)
    along, whole = ZERO, ZERO
    for one in range(3):
        part = rise(cells, i, j, k, one) + rise(cells, p, q, r, one)
        whole += part * part
        if one == axis:
            along = abs(part)
    return along / np.sqrt(whole) if whole > np.float32(1e-6) else ZERO


@compiled(parallel=True)
def lean(odd: Any, shape: Any, cells: Any) -> None:
    """Set how the metal's surface lies at each mixed face of the odd cells."""
    n_y, n_z = shape[1], shape[2]
    place, beside, tilts = odd.at, odd.near, odd.tilt
    for q in prange(place.size):
        at = place[q]
        i, j, k = at // (n_y * n_z), (at // n_z) % n_y, at % n_z
        for face in range(6):
            axis, near = face // 2, beside[q, face]
            back = 1 - face % 2
            a, b, c = i - back * (axis == 0), j - back * (axis == 1), k - back * (axis == 2)
            if 0 <= near < place.size:
                tilts[q, face] = slant(cells, a, b, c, axis)


@compiled(fastmath=True)
def conductance(
    t1: Any,
    t2: Any,
    i: Any,
    j: Any,
    k: Any,
    axis: Any,
    tilt: Any,
    cells: Any,
    tables: Any,
    pitch: Any,
) -> Any:
    """Return g of a face with mixed sides, above cell (i, j, k) along an axis. [W/(mm³ K)]

    `tilt` is |n| of the metal's surface there, along the axis.

    A cell with any metal is a node of the metal. From it to a cell without, the heat goes through
    metal up to the surface, across the contact, and through the rest: the surface is where the
    cell's share of metal puts it on the line between the centers.
    """
    p, q, r = i + (axis == 0), j + (axis == 1), k + (axis == 2)
    m1, m2 = cells.rest[i, j, k], cells.rest[p, q, r]
    f1, f2 = cells.metal[i, j, k], cells.metal[p, q, r]
    mean = HALF * (t1 + t2)
    if (f1 > ZERO) != (f2 > ZERO):
        if f1 > ZERO:
            beyond = sand_up_to(cells.metal, i, j, k, axis, -1)
        else:
            beyond = sand_up_to(cells.metal, p, q, r, axis, 1)
            f1, t1, m1, m2 = f2, t2, m2, m1
        path = max(f1 - HALF, ZERO) / looked_up(tables.conduct, 0, t1)
        path += beyond / looked_up(tables.conduct, m1, mean)
        path += HALF / looked_up(tables.conduct, m2, mean)
        contact = tables.contact[m1 if f1 < ONE else m2]
        if contact > ZERO:
            contact /= max(tilt, np.float32(0.1))
        return ONE / (pitch * (pitch * path + contact))
    if f1 == ZERO:
        one, two = looked_up(tables.conduct, m1, t1), looked_up(tables.conduct, m2, t2)
        return np.float32(2.0) * one * two / ((one + two) * pitch * pitch)
    of_metal = looked_up(tables.conduct, 0, mean) / (pitch * pitch)
    weight = tilt * tilt
    holds = min(filled(cells, i, j, k, mean, tables), filled(cells, p, q, r, mean, tables))
    return of_metal * (weight * holds + (ONE - weight) * HALF * (f1 + f2))


@compiled(fastmath=True)
def sand_up_to(metal: Any, i: Any, j: Any, k: Any, axis: Any, way: Any) -> Any:
    """Return how far the surface is behind the outer face of a cell with metal. [cells]

    The mean height of the metal in the line of cells that goes in along the axis: on a slope the
    next cell in is cut too, and what it lacks counts, unless it lacks it on its far side.
    """
    a, b, c = way * (axis == 0), way * (axis == 1), way * (axis == 2)
    lacks = ONE - metal[i, j, k]
    next_in = metal[i + a, j + b, k + c]
    if ZERO < next_in <= metal[i + 2 * a, j + 2 * b, k + 2 * c]:
        lacks += ONE - next_in
    return lacks


@compiled(fastmath=True)
def filled(cells: Any, i: Any, j: Any, k: Any, at_c: Any, tables: Any) -> Any:
    """Return the heat capacity of a cell over that of full metal, a half at least, at most 1.

    The metal of a cell that holds little is tied to the next by so much less, which is still far
    more than the sand conducts, and keeps the stable step near that of full cells.
    """
    other = looked_up(tables.capacity, cells.rest[i, j, k], at_c)
    share = other / looked_up(tables.capacity, 0, at_c)
    return min(max(cells.metal[i, j, k] + cells.other[i, j, k] * share, HALF), ONE)


@compiled(fastmath=True)
def to_outside(
    at_c: Any, metal: Any, rest: Any, outside_c: Any, tables: Any, skin: Any, pitch: Any
) -> Any:
    """Return g from a cell's center to the outside: half a cell, then film and radiation.

    `skin` is (film [W/(mm² K)], emissivity).
    """
    k = metal * looked_up(tables.conduct, 0, at_c)
    k += (ONE - metal) * looked_up(tables.conduct, rest, at_c)
    hot, cold = np.float64(at_c) + 273.15, np.float64(outside_c) + 273.15
    film = skin[0] + skin[1] * SIGMA_W_MM2_K4 * (hot * hot + cold * cold) * (hot + cold)
    if film <= 0.0:
        return ZERO
    return np.float32(1.0 / (pitch * (1.0 / film + 0.5 * pitch / k)))


@compiled(parallel=True, fastmath=True)
def refresh(
    odd: Any,
    on: Any,
    is_on: Any,
    shape: Any,
    cells: Any,
    tables: Any,
    skin: Any,
    pitch: Any,
    rates: Any,
) -> None:
    """Set g of the mixed faces of the active odd cells at their temperatures now, and their rates.

    `skin` is (6, 3): film [W/(mm² K)], emissivity, temperature [°C]. A face between two odd cells
    is set once, by the lower one if that is active. `rates` (n,) becomes sum g / C. [1/s]
    """
    n_y, n_z = shape[1], shape[2]
    place, beside, g_of, temp, tilts = odd.at, odd.near, odd.g, odd.temp, odd.tilt
    for s in prange(on.size):
        q = on[s]
        at = place[q]
        i, j, k = at // (n_y * n_z), (at // n_z) % n_y, at % n_z
        t = temp[q]
        for face in range(6):
            near, axis = beside[q, face], face // 2
            if near >= place.size:
                film = skin[near - place.size]
                g_of[q, face] = to_outside(
                    t, cells.metal[i, j, k], cells.rest[i, j, k], film[2], tables, film, pitch
                )
            elif near >= 0 and face % 2 == 1:
                g = conductance(t, temp[near], i, j, k, axis, tilts[q, face], cells, tables, pitch)
                g_of[q, face] = g
                g_of[near, face - 1] = g
            elif near >= 0 and not is_on[near]:
                a, b, c = i - (axis == 0), j - (axis == 1), k - (axis == 2)
                g = conductance(temp[near], t, a, b, c, axis, tilts[q, face], cells, tables, pitch)
                g_of[q, face] = g
    for s in prange(on.size):
        q = on[s]
        at = place[q]
        i, j, k = at // (n_y * n_z), (at // n_z) % n_y, at % n_z
        m, f, t = cells.rest[i, j, k], cells.metal[i, j, k], temp[q]
        own = looked_up(tables.conduct, 0 if f > ZERO else m, t) / (pitch * pitch)
        total = ZERO
        for face in range(6):
            total += own if beside[q, face] == SAME else g_of[q, face]
        capacity = f * looked_up(tables.capacity, 0, t)
        if f < ONE:
            capacity += cells.other[i, j, k] * looked_up(tables.capacity, m, t)
        rates[s] = total / capacity


@compiled(parallel=True)
def within(at: Any, reach: Any, shape: Any, is_on: Any) -> None:
    """Set (n,) whether cells of the flat grid lie within a reach (nx, ny, 2) of its rows."""
    n_y, n_z = shape[1], shape[2]
    for q in prange(at.size):
        row, k = at[q] // n_z, at[q] % n_z
        i, j = row // n_y, row % n_y
        is_on[q] = reach[i, j, 0] <= k < reach[i, j, 1]
