"""The inner loops of the heat solve, compiled by numba.

Arrays are (nx, ny, nz) float32 with two layers around the grid: the inner one is whatever lies
outside (`OUTSIDE`, it keeps its temperature and takes any heat), the outermost is never touched and
only spares the loops their edges. `row` is a line of cells along z, contiguous in memory. Face
conductances are kept per volume of a cell [W/(mm³ K)], so enthalpy changes by sum g (T' - T).
"""

from collections.abc import Callable
from typing import Any, Final

import numba
import numpy as np
from numba import prange

from moldprep.thermal.materials import COLDEST_C, OUTSIDE, STEP_C

SIGMA_W_MM2_K4: Final = 5.670374e-14
"""Stefan-Boltzmann constant (CODATA 2018)."""

ZERO: Final = np.float32(0.0)
HALF: Final = np.float32(0.5)
ONE: Final = np.float32(1.0)
UP: Final = np.float32(-1.0)
"""Time of a fall that has not happened; NaN is not for fast arithmetic."""


def compiled(**options: Any) -> Callable[[Any], Any]:
    """Return numba's decorator, with the compiled code kept on disk where a folder allows it."""

    def wrap(function: Any) -> Any:
        try:
            return numba.njit(cache=True, **options)(function)
        except RuntimeError:  # no folder to keep it in: compile in every process
            return numba.njit(**options)(function)

    return wrap


@compiled(fastmath=True)
def temperature_at(
    enthalpy: Any, metal: Any, other: Any, rest: Any, near_c: Any, tables: Any
) -> Any:
    """Return T of a cell with so much metal and other stuff, looking from `near_c`. [°C]"""
    n = tables.knot_c.size
    place = (near_c - np.float32(COLDEST_C)) / np.float32(STEP_C)
    i = tables.first[int(min(max(place, ZERO), np.float32(tables.first.size - 1)))]
    low = metal * tables.heat[0, i] + other * tables.heat[rest, i]
    while i > 0 and enthalpy < low:
        i -= 1
        low = metal * tables.heat[0, i] + other * tables.heat[rest, i]
    high = metal * tables.heat[0, i + 1] + other * tables.heat[rest, i + 1]
    while i < n - 2 and enthalpy > high:
        i += 1
        low = high
        high = metal * tables.heat[0, i + 1] + other * tables.heat[rest, i + 1]
    return tables.knot_c[i] + (enthalpy - low) / (high - low) * (
        tables.knot_c[i + 1] - tables.knot_c[i]
    )


@compiled(fastmath=True)
def enthalpy_at(at_c: Any, metal: Any, other: Any, rest: Any, tables: Any) -> Any:
    """Return H of a cell at a temperature; at a jump, the higher value. [J/mm³]"""
    i = tables.knot_c.size - 2
    while i > 0 and at_c < tables.knot_c[i]:
        i -= 1
    share = (at_c - tables.knot_c[i]) / (tables.knot_c[i + 1] - tables.knot_c[i])
    of_metal = tables.heat[0, i] + share * (tables.heat[0, i + 1] - tables.heat[0, i])
    of_rest = tables.heat[rest, i] + share * (tables.heat[rest, i + 1] - tables.heat[rest, i])
    return metal * of_metal + other * of_rest


@compiled(fastmath=True, inline="always")
def looked_up(rows: Any, material: Any, at_c: Any) -> Any:
    """Return a property kept at every STEP_C."""
    place = (at_c - np.float32(COLDEST_C)) / np.float32(STEP_C)
    place = min(max(place, ZERO), np.float32(rows.shape[1] - 2))
    i = np.uint32(place)
    low = rows[material, i]
    return low + (place - np.float32(i)) * (rows[material, i + np.uint32(1)] - low)


def share_work(n_cells: int) -> None:
    """Use one thread where there is too little to share out."""
    numba.set_num_threads(1 if n_cells < 30_000 else numba.config.NUMBA_NUM_THREADS)


@compiled(parallel=True, fastmath=True)
def start(
    temp: Any, temp_next: Any, heat: Any, heat_next: Any, cells: Any, tables: Any, metal_c: Any
) -> None:
    """Fill both enthalpies from the starting temperatures, and the second temperature.

    `temp` holds those of the rest. A cell with metal gets the heat of its metal at `metal_c` and of
    its rest, and the temperature at which they share it; below -273 °C `temp` holds for both.
    """
    metal, rest, other = cells.metal, cells.rest, cells.other
    for i in prange(temp.shape[0]):
        for j in range(temp.shape[1]):
            for k in range(temp.shape[2]):
                h, t = ZERO, temp[i, j, k]
                f, s, m = metal[i, j, k], other[i, j, k], rest[i, j, k]
                if m != OUTSIDE and f > ZERO and metal_c > np.float32(-273.0):
                    h = enthalpy_at(metal_c, f, ZERO, m, tables) + enthalpy_at(
                        t, ZERO, s, m, tables
                    )
                    t = temperature_at(h, f, s, m, metal_c, tables)
                elif m != OUTSIDE:
                    h = enthalpy_at(t, f, s, m, tables)
                heat[i, j, k] = h
                heat_next[i, j, k] = h
                temp[i, j, k] = t
                temp_next[i, j, k] = t


@compiled(fastmath=True, inline="always")
def of_metal(enthalpy: Any, metal_c: Any) -> Any:
    """Return T of pure metal from the table at even steps of enthalpy. [°C]"""
    place = max(enthalpy - metal_c[0], ZERO) * metal_c[1]
    i = np.uint32(min(place, np.float32(metal_c.size - 4)))
    low = metal_c[i + np.uint32(2)]
    return low + (place - np.float32(i)) * (metal_c[i + np.uint32(3)] - low)


@compiled(fastmath=True)
def bent(x: Any, out: Any, bends: Any) -> None:
    """Set out = a + b x + sum d max(x - x_i, 0), written out so that it runs as vectors."""
    a, b = bends[0, 0], bends[0, 1]
    x1, x2, x3 = bends[1, 0], bends[2, 0], bends[3, 0]
    x4, x5, x6 = bends[4, 0], bends[5, 0], bends[6, 0]
    d1, d2, d3 = bends[1, 1], bends[2, 1], bends[3, 1]
    d4, d5, d6 = bends[4, 1], bends[5, 1], bends[6, 1]
    for k in range(x.size):
        v = x[k]
        low = d1 * max(v - x1, ZERO) + d2 * max(v - x2, ZERO) + d3 * max(v - x3, ZERO)
        high = d4 * max(v - x4, ZERO) + d5 * max(v - x5, ZERO) + d6 * max(v - x6, ZERO)
        out[k] = a + b * v + low + high


@compiled(fastmath=True)
def flow_along(new: Any, old: Any, mid: Any, g: Any, lead: Any, step: Any) -> None:
    """Start a row: go on from the last two stages, and add the flow along the row itself.

    `mid` and `g` begin one cell earlier than `new` and `old`; `mid` ends one later.
    """
    for k in range(new.size):
        flow = g[k] * (mid[k] - mid[k + 1]) + g[k + 1] * (mid[k + 2] - mid[k + 1])
        new[k] = old[k] + lead * (old[k] - new[k]) + step * flow


@compiled(fastmath=True)
def flow_across(
    new: Any, mid: Any, low: Any, g_low: Any, high: Any, g_high: Any, step: Any
) -> None:
    """Add the flow into a row from the rows on either side."""
    for k in range(new.size):
        t = mid[k]
        new[k] += step * (g_low[k] * (low[k] - t) + g_high[k] * (high[k] - t))


@compiled(parallel=True, fastmath=True)
def stage(
    temp: Any,
    temp_next: Any,
    heat: Any,
    heat_next: Any,
    faces: Any,
    cells: Any,
    rows: Any,
    tables: Any,
    lead: Any,
    step: Any,
) -> None:
    """Do heat_next = heat + lead (heat - heat_next) + step x flow into the cell; find temp_next.

    `rows` holds the active rows: (n, 6) int32 of ix, iy, first and last + 1 active cell, first and
    last + 1 cell that is not plain sand.
    """
    gx, gy, gz = faces.x, faces.y, faces.z
    n_last = temp.shape[2] - 2
    for r in prange(rows.shape[0]):
        i, j, lo, hi = rows[r, 0], rows[r, 1], rows[r, 2], rows[r, 3]
        new, mid = heat_next[i, j, lo:hi], temp[i, j, lo:hi]
        flow_along(
            new, heat[i, j, lo:hi], temp[i, j, lo - 1 : hi + 1], gz[i, j, lo - 1 : hi],
            lead, step,
        )  # fmt: skip
        flow_across(
            new, mid, temp[i - 1, j, lo:hi], gx[i - 1, j, lo:hi], temp[i + 1, j, lo:hi],
            gx[i, j, lo:hi], step,
        )  # fmt: skip
        flow_across(
            new, mid, temp[i, j - 1, lo:hi], gy[i, j - 1, lo:hi], temp[i, j + 1, lo:hi],
            gy[i, j, lo:hi], step,
        )  # fmt: skip
        bent(new, temp_next[i, j, lo:hi], tables.sand_h)
        for k in range(max(rows[r, 4], lo), min(rows[r, 5], hi)):
            f = cells.metal[i, j, k]
            if f == ONE:
                temp_next[i, j, k] = of_metal(heat_next[i, j, k], tables.metal_c)
                continue
            s, m = cells.other[i, j, k], cells.rest[i, j, k]
            if m == OUTSIDE:
                temp_next[i, j, k] = temp[i, j, k]
            elif m != 1 or f > ZERO or s != ONE:
                temp_next[i, j, k] = temperature_at(
                    heat_next[i, j, k], f, s, m, temp[i, j, k], tables
                )
        temp_next[i, j, 1] = temp[i, j, 1]
        temp_next[i, j, n_last] = temp[i, j, n_last]


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


@compiled(fastmath=True)
def conductance(
    temp: Any, i: Any, j: Any, k: Any, axis: Any, cells: Any, tables: Any, skin: Any, pitch: Any
) -> Any:
    """Return g of the face between cell (i, j, k) and the next along an axis. [W/(mm³ K)]

    A cell with any metal is a node of the metal. From it to a cell without, the heat goes through
    metal up to the surface, across the contact, and through the rest: the surface is where the
    cell's share of metal puts it on the line between the centers.
    """
    p, q, r = i + (axis == 0), j + (axis == 1), k + (axis == 2)
    t1, t2 = temp[i, j, k], temp[p, q, r]
    m1, m2 = cells.rest[i, j, k], cells.rest[p, q, r]
    f1, f2 = cells.metal[i, j, k], cells.metal[p, q, r]
    if m1 == OUTSIDE and m2 == OUTSIDE:
        return ZERO
    if m1 == OUTSIDE or m2 == OUTSIDE:
        if m1 == OUTSIDE:
            return to_outside(t2, f2, m2, t1, tables, skin[2 * axis], pitch)
        return to_outside(t1, f1, m1, t2, tables, skin[2 * axis + 1], pitch)
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
            contact /= max(slant(cells, i, j, k, axis), np.float32(0.1))
        return ONE / (pitch * (pitch * path + contact))
    if f1 == ZERO:
        if m1 == m2:
            return looked_up(tables.conduct, m1, mean) / (pitch * pitch)
        one, two = looked_up(tables.conduct, m1, t1), looked_up(tables.conduct, m2, t2)
        return np.float32(2.0) * one * two / ((one + two) * pitch * pitch)
    of_metal = looked_up(tables.conduct, 0, mean) / (pitch * pitch)
    if f1 == ONE and f2 == ONE:
        return of_metal
    weight = slant(cells, i, j, k, axis) ** 2
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


@compiled(fastmath=True)
def between(low: Any, high: Any, g: Any, bends: Any, per: Any) -> None:
    """Set g of the faces between two lines of plain sand, k at the mean temperature.

    The bends of k are moved to the sum of the two temperatures, and scaled to g, beforehand.
    """
    a, b, two = per * bends[0, 0], per * HALF * bends[0, 1], ONE + ONE
    x1, x2, x3 = two * bends[1, 0], two * bends[2, 0], two * bends[3, 0]
    x4, x5, x6 = two * bends[4, 0], two * bends[5, 0], two * bends[6, 0]
    half = per * HALF
    d1, d2, d3 = half * bends[1, 1], half * bends[2, 1], half * bends[3, 1]
    d4, d5, d6 = half * bends[4, 1], half * bends[5, 1], half * bends[6, 1]
    for k in range(g.size):
        v = low[k] + high[k]
        one = d1 * max(v - x1, ZERO) + d2 * max(v - x2, ZERO) + d3 * max(v - x3, ZERO)
        more = d4 * max(v - x4, ZERO) + d5 * max(v - x5, ZERO) + d6 * max(v - x6, ZERO)
        g[k] = a + b * v + one + more


@compiled(parallel=True, fastmath=True)
def refresh(
    temp: Any, faces: Any, cells: Any, rows: Any, tables: Any, skin: Any, pitch: Any
) -> None:
    """Set the conductance of the faces above every active cell from its temperature now.

    Rows include one below the active ones on either side, so that every face of an active cell
    is set. Plain sand goes by hinges, in one sweep; the rest cell by cell.
    """
    bends, metal, rest = tables.sand_k, cells.metal, cells.rest
    per = ONE / (pitch * pitch)
    for r in prange(rows.shape[0]):
        i, j, lo, hi, odd_lo, odd_hi = rows[r]
        mid = temp[i, j, lo:hi]
        gx, gy, gz = faces.x[i, j], faces.y[i, j], faces.z[i, j]
        between(mid, temp[i + 1, j, lo:hi], gx[lo:hi], bends, per)
        between(mid, temp[i, j + 1, lo:hi], gy[lo:hi], bends, per)
        between(mid, temp[i, j, lo + 1 : hi + 1], gz[lo:hi], bends, per)
        for k in range(max(odd_lo - 1, lo), min(odd_hi, hi)):
            all_metal = metal[i, j, k] == ONE and metal[i + 1, j, k] == ONE
            if all_metal and metal[i, j + 1, k] == ONE and metal[i, j, k + 1] == ONE:
                t = temp[i, j, k]
                gx[k] = looked_up(tables.conduct, 0, HALF * (t + temp[i + 1, j, k])) * per
                gy[k] = looked_up(tables.conduct, 0, HALF * (t + temp[i, j + 1, k])) * per
                gz[k] = looked_up(tables.conduct, 0, HALF * (t + temp[i, j, k + 1])) * per
                continue
            plain = metal[i, j, k] == ZERO and rest[i, j, k] == 1
            if not (plain and metal[i + 1, j, k] == ZERO and rest[i + 1, j, k] == 1):
                gx[k] = conductance(temp, i, j, k, 0, cells, tables, skin, pitch)
            if not (plain and metal[i, j + 1, k] == ZERO and rest[i, j + 1, k] == 1):
                gy[k] = conductance(temp, i, j, k, 1, cells, tables, skin, pitch)
            if not (plain and metal[i, j, k + 1] == ZERO and rest[i, j, k + 1] == 1):
                gz[k] = conductance(temp, i, j, k, 2, cells, tables, skin, pitch)
        for k in (1, temp.shape[2] - 3, temp.shape[2] - 2):
            if lo <= k < hi:
                gx[k] = conductance(temp, i, j, k, 0, cells, tables, skin, pitch)
                gy[k] = conductance(temp, i, j, k, 1, cells, tables, skin, pitch)
                gz[k] = conductance(temp, i, j, k, 2, cells, tables, skin, pitch)


@compiled(parallel=True, fastmath=True)
def fastest(temp: Any, faces: Any, cells: Any, rows: Any, tables: Any, rates: Any) -> None:
    """Set (n,) largest sum g / C of the cells of each row that are not plain sand. [1/s]"""
    gx, gy, gz = faces.x, faces.y, faces.z
    for r in prange(rows.shape[0]):
        i, j = rows[r, 0], rows[r, 1]
        top = ZERO
        for k in range(max(rows[r, 2], rows[r, 4]), min(rows[r, 3], rows[r, 5])):
            m, f = cells.rest[i, j, k], cells.metal[i, j, k]
            if m != OUTSIDE:
                g = gx[i, j, k] + gy[i, j, k] + gz[i, j, k]
                g += gx[i - 1, j, k] + gy[i, j - 1, k] + gz[i, j, k - 1]
                c = f * looked_up(tables.capacity, 0, temp[i, j, k])
                c += cells.other[i, j, k] * looked_up(tables.capacity, m, temp[i, j, k])
                top = max(top, g / c)
        rates[r] = top


@compiled(parallel=True, fastmath=True)
def warmed(temp: Any, rows: Any, rest_c: Any, off_c: Any, reach: Any) -> None:
    """Set reach (nx, ny, 2): first and last + 1 cell of each row that has left `rest_c`."""
    for r in prange(rows.shape[0]):
        i, j, lo, hi = rows[r, 0], rows[r, 1], rows[r, 2], rows[r, 3]
        row = temp[i, j]
        a, b = hi, lo
        for k in range(lo, hi):
            if abs(row[k] - rest_c) > off_c:
                a = k
                break
        for k in range(hi - 1, a - 1, -1):
            if abs(row[k] - rest_c) > off_c:
                b = k + 1
                break
        reach[i, j, 0] = a
        reach[i, j, 1] = b


@compiled(parallel=True, fastmath=True)
def mark(
    temp: Any,
    heat: Any,
    spots: Any,
    last: Any,
    levels: Any,
    cells: Any,
    now: Any,
    step: Any,
    pitch: Any,
    crossed: Any,
    gradient: Any,
) -> Any:
    """Note when each cell with metal falls through the levels of enthalpy; return how many are up.

    levels   : (3, m) enthalpy of metal (column 0) and of each rest at the levels
    spots    : (n,) flat index of the cells with metal; `last` their enthalpy a step ago
    crossed  : (n, 3) time of the last fall through each level; UP while above
    gradient : (n,) temperature gradient at the last fall through level 0 [K/mm]
    """
    n_y, n_z = temp.shape[1], temp.shape[2]
    n_up = 0
    for s in prange(spots.size):
        spot = spots[s]
        k = spot % n_z
        j = (spot // n_z) % n_y
        i = spot // (n_z * n_y)
        f, m, other = cells.metal[i, j, k], cells.rest[i, j, k], cells.other[i, j, k]
        before, after = last[s], heat[i, j, k]
        for q in range(3):
            level = f * levels[q, 0] + other * levels[q, m]
            if after > level:
                crossed[s, q] = UP
                n_up += 1 if q == 2 else 0
            elif crossed[s, q] < ZERO:
                share = (before - level) / (before - after) if before > level else ZERO
                crossed[s, q] = now - step + step * share
                if q == 0:
                    gradient[s] = steepness(temp, cells.metal, i, j, k, pitch)
        last[s] = after
    return n_up


@compiled(fastmath=True)
def steepness(temp: Any, metal: Any, i: Any, j: Any, k: Any, pitch: Any) -> Any:
    """Return the temperature gradient among the metal around a cell. [K/mm]"""
    total = ZERO
    for d, e, f in ((1, 0, 0), (0, 1, 0), (0, 0, 1)):
        rise, run = ZERO, ZERO
        if metal[i + d, j + e, k + f] > ZERO:
            rise += temp[i + d, j + e, k + f] - temp[i, j, k]
            run += pitch
        if metal[i - d, j - e, k - f] > ZERO:
            rise += temp[i, j, k] - temp[i - d, j - e, k - f]
            run += pitch
        if run > ZERO:
            total += (rise / run) ** 2
    return np.sqrt(total)
