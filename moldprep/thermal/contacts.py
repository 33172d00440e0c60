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

LIKE: Final = np.float32(0.002)
"""Shares of metal that differ by less are alike."""


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
def wedge(width: Any, depth: Any) -> Any:
    """Return what passes a piece of surface beside a square edge, over what its middle line says.

    Round an edge of metal the sand's temperature goes as r^⅔ sin(⅔ φ), so w^⅔ passes the piece of
    width w up to the edge. What is reckoned instead is w T / d, with T that of the middle of the
    cell of sand, at a depth d over the piece and w - ½ from the edge, all in cells. (Field at a
    wedge: L. D. Landau, E. M. Lifshitz, Electrodynamics of Continuous Media, § 3; from memory.)

    Examples
    --------
    >>> [round(float(wedge(w, 1.5 - w)), 3) for w in (1.0, 0.5)]
    [1.26, 1.455]
    """
    inward = width - HALF
    angle = np.arctan2(depth, inward) * np.float32(2.0 / 3.0)
    at_middle = (depth * depth + inward * inward) ** np.float32(1.0 / 3.0) * np.sin(angle)
    return width ** np.float32(-1.0 / 3.0) * depth / at_middle


@compiled(fastmath=True)
def beside_edges(cells: Any, i: Any, j: Any, k: Any, axis: Any) -> Any:
    """Return how much more passes the face above cell (i, j, k), a piece of surface, for its edges.

    There is an edge where beside the face neither side has metal.
    """
    p, q, r = axis == 0, axis == 1, axis == 2
    more = ONE
    for one in range(3):
        if one == axis:
            continue
        for way in (-1, 1):
            a, b, c = i + way * (one == 0), j + way * (one == 1), k + way * (one == 2)
            beside = cells.metal[a, b, c] + cells.metal[a + p, b + q, c + r]
            if beside == ZERO and cells.rest[a, b, c] != OUTSIDE:
                more *= wedge(ONE, HALF)
    return more


@compiled(fastmath=True)
def slant(cells: Any, i: Any, j: Any, k: Any, axis: Any) -> Any:
    """Return |n| along an axis of the metal's surface at the face above cell (i, j, k).

    Between a full cell and one without metal the face itself is the surface: 1, or what passes it
    beside edges.
    """
    p, q, r = i + (axis == 0), j + (axis == 1), k + (axis == 2)
    if abs(cells.metal[i, j, k] - cells.metal[p, q, r]) == ONE:
        return beside_edges(cells, i, j, k, axis)
    along, whole = ZERO, ZERO
    for one in range(3):
        part = rise(cells, i, j, k, one) + rise(cells, p, q, r, one)
        whole += part * part
        if one == axis:
            along = abs(part)
    return along / np.sqrt(whole) if whole > np.float32(1e-6) else ZERO


@compiled(parallel=True)
def lean(odd: Any, shape: Any, cells: Any) -> None:
    """Set how the metal's surface lies at the faces of the odd cells."""
    n_y, n_z = shape[1], shape[2]
    place, beside, held, flat = odd.at, odd.near, odd.metal, cells.metal.ravel()
    tilts, beyond, widths = odd.tilt, odd.beyond, odd.width
    for q in prange(place.size):
        at = place[q]
        i, j, k = at // (n_y * n_z), (at // n_z) % n_y, at % n_z
        for e in range(odd.first[q], odd.first[q + 1]):
            face, near = odd.face[e], beside[e]
            axis, back = face // 2, 1 - face % 2
            a, b, c = i - back * (axis == 0), j - back * (axis == 1), k - back * (axis == 2)
            if near < place.size:
                tilts[e], width = slant(cells, a, b, c, axis), ONE
                if (held[q] > ZERO) != (held[near] > ZERO):
                    to = odd.step[face]
                    of_metal, inward = (at, -to) if held[q] > ZERO else (at + to, to)
                    beyond[e], width = sand_up_to(flat, of_metal, inward)
                if width < ONE:
                    tilts[e] = wedge(width, beyond[e] + HALF)
                widths[e] = width


@compiled(fastmath=True, inline="always")
def to_sand(
    t1: Any, t2: Any, f: Any, m1: Any, m2: Any, tilt: Any, beyond: Any, width: Any, conduct: Any,
    contact: Any, pitch: Any,
) -> Any:  # fmt: skip
    """Return g from a cell with metal at t1 to one without. [W/(mm³ K)]

    A cell with any metal is a node of the metal. From it the heat goes through metal up to the
    surface, across the contact, and through the rest: the surface is where the cell's share of
    metal puts it on the line between the centers. `tilt`, `beyond` and `width` are as in `Odd`.
    """
    mean = HALF * (t1 + t2)
    path = beyond / looked_up(conduct, m1, mean) + HALF / looked_up(conduct, m2, mean)
    path = path / max(tilt, ONE) + max(f - HALF, ZERO) / looked_up(conduct, 0, t1)
    at_face = contact[m1 if f < ONE else m2] / min(max(tilt, np.float32(0.1)), ONE)
    return width / (pitch * (pitch * path + at_face))


@compiled(fastmath=True, inline="always")
def within_metal(
    mean: Any, f1: Any, f2: Any, s1: Any, s2: Any, m1: Any, m2: Any, tilt: Any, conduct: Any,
    capacity: Any, pitch: Any,
) -> Any:  # fmt: skip
    """Return g between two cells with metal. [W/(mm³ K)]"""
    of_metal = looked_up(conduct, 0, mean) / (pitch * pitch)
    full = looked_up(capacity, 0, mean)
    one = filled(f1, s1, looked_up(capacity, m1, mean) / full)
    two = filled(f2, s2, looked_up(capacity, m2, mean) / full)
    weight = tilt * tilt
    return of_metal * (weight * min(one, two) + (ONE - weight) * HALF * (f1 + f2))


@compiled(fastmath=True)
def sand_up_to(metal: Any, a: Any, inward: Any) -> tuple[Any, Any]:
    """Return how far the surface is behind the outer face of flat cell a with metal, and how wide.

    The mean height of the metal in the line of cells that goes in, in cells: on a slope the next
    cell in is cut too, and what it lacks counts, unless it lacks it on its far side. Where the next
    two are cut alike, the line runs along a side of the metal, and the surface is its end: as wide
    as they are full.
    """
    held, next_in, beyond = metal[a], metal[a + inward], metal[a + 2 * inward]
    if ZERO < next_in < ONE and abs(next_in - beyond) < LIKE and held <= next_in:
        return ONE - held / next_in, next_in
    lacks = ONE - held
    if ZERO < next_in <= beyond:
        lacks += ONE - next_in
    return lacks, ONE


@compiled(fastmath=True)
def filled(metal: Any, other: Any, share: Any) -> Any:
    """Return the heat capacity of a cell over that of full metal, a half at least, at most 1.

    `share` is the capacity of the rest over that of metal. The metal of a cell that holds little is
    tied to the next by so much less, which is still far more than the sand conducts, and keeps the
    stable step near that of full cells.
    """
    return min(max(metal + other * share, HALF), ONE)


@compiled(fastmath=True)
def to_outside(
    at_c: Any, metal: Any, rest: Any, outside_c: Any, conduct: Any, skin: Any, pitch: Any
) -> Any:
    """Return g from a cell's center to the outside: half a cell, then film and radiation.

    `skin` is (film [W/(mm² K)], emissivity).
    """
    k = metal * looked_up(conduct, 0, at_c)
    k += (ONE - metal) * looked_up(conduct, rest, at_c)
    hot, cold = np.float64(at_c) + 273.15, np.float64(outside_c) + 273.15
    film = skin[0] + skin[1] * SIGMA_W_MM2_K4 * (hot * hot + cold * cold) * (hot + cold)
    if film <= 0.0:
        return ZERO
    return np.float32(1.0 / (pitch * (1.0 / film + 0.5 * pitch / k)))


@compiled(parallel=True, fastmath=True)
def refresh(odd: Any, on: Any, is_on: Any, tables: Any, skin: Any, pitch: Any, rates: Any) -> None:
    """Set g of the faces of the active odd cells at their temperatures now, and their rates.

    `skin` is (6, 3): film [W/(mm² K)], emissivity, temperature [°C]. A face
    between two odd cells is set once, by the lower one if that is active. `rates` (n,) becomes
    sum g / C. [1/s]
    """
    first, beside, g_of, faces, twins = odd.first, odd.near, odd.g, odd.face, odd.twin
    tilts, beyond, widths = odd.tilt, odd.beyond, odd.width
    temp, f_of, s_of, m_of, n_odd = odd.temp, odd.metal, odd.other, odd.rest, odd.at.size
    conduct, capacity, contact = tables.conduct, tables.capacity, tables.contact
    for s in prange(on.size):
        q = on[s]
        t1, f1, m1 = temp[q], f_of[q], m_of[q]
        for e in range(first[q], first[q + 1]):
            near = beside[e]
            if near >= n_odd:
                film = skin[near - n_odd]
                g_of[e] = to_outside(t1, f1, m1, film[2], conduct, film, pitch)
                continue
            if faces[e] % 2 == 0 and is_on[near]:
                continue
            t2, f2, m2 = temp[near], f_of[near], m_of[near]
            if f1 > ZERO and f2 > ZERO:
                g = within_metal(
                    HALF * (t1 + t2), f1, f2, s_of[q], s_of[near], m1, m2, tilts[e], conduct,
                    capacity, pitch,
                )  # fmt: skip
            elif f1 > ZERO:
                g = to_sand(
                    t1, t2, f1, m1, m2, tilts[e], beyond[e], widths[e], conduct, contact, pitch
                )
            elif f2 > ZERO:
                g = to_sand(
                    t2, t1, f2, m2, m1, tilts[e], beyond[e], widths[e], conduct, contact, pitch
                )
            else:
                one, two = looked_up(conduct, m1, t1), looked_up(conduct, m2, t2)
                g = np.float32(2.0) * one * two / ((one + two) * pitch * pitch)
            g_of[e] = g
            g_of[twins[e]] = g
    for s in prange(on.size):
        q = on[s]
        m, f, t = m_of[q], f_of[q], temp[q]
        own = looked_up(conduct, 0 if f > ZERO else m, t) / (pitch * pitch)
        total = own * np.float32(6 - (first[q + 1] - first[q]))
        for e in range(first[q], first[q + 1]):
            total += g_of[e]
        holds = f * looked_up(capacity, 0, t)
        if f < ONE:
            holds += s_of[q] * looked_up(capacity, m, t)
        rates[s] = total / holds


@compiled(parallel=True)
def within(along: Any, row: Any, reach: Any, is_on: Any) -> None:
    """Set (n,) whether cells, given by row and place along it, are within (rows, 2) first, end."""
    for q in prange(row.size):
        is_on[q] = reach[row[q], 0] <= along[q] < reach[row[q], 1]
