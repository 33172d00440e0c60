"""Conductances of the faces that do not lie within one material: metal to sand, cuts, inserts.

A cell with any metal is a node of the metal. Conductances are kept per volume of a cell
[W/(mm³ K)], so enthalpy changes by sum g (T' - T).
"""

from typing import Any, Final

import numpy as np
from numba import prange

from moldprep.thermal.curves import HALF, ONE, ZERO, compiled, looked_up

SIGMA_W_MM2_K4: Final = 5.670374e-14
"""Stefan-Boltzmann constant (CODATA 2018)."""

PI: Final = np.float32(np.pi)

EARLIEST: Final = np.float32(0.25)
"""Least of pi a t over the face of a cell: by the end of a first step it is as much."""


@compiled(fastmath=True, inline="always")
def to_sand(
    t1: Any, t2: Any, m2: Any, area: Any, depth: Any, more: Any, tables: Any, time_s: Any,
    pitch: Any,
) -> Any:  # fmt: skip
    """Return g from a node of metal at t1 to one of anything else. [W/(mm³ K)]

    Through metal up to the surface, across the contact, and on to the middle of the other cell, as
    `depth` and `area` put the surface. `more` is what more conducts for its curvature.

    While the heat has not come as far as that middle, the difference between it and the surface
    does not tell how steep the temperature is there. So what conducts is k / d, but k / sqrt(pi a
    t) at least: what passes the face of a half space after t. The root of the sum of both squares
    gives within 3 % what passes into the first cell of a half space.
    """
    mean = HALF * (t1 + t2)
    k = looked_up(tables.conduct, m2, mean)
    reached = PI * k / looked_up(tables.capacity, m2, mean) * time_s / (pitch * pitch)
    power = ONE + HALF / depth
    early = max(reached, EARLIEST) ** (-HALF * power)
    passes = k * ((depth**-power + early) ** (ONE / power) + more)
    path = ONE / passes + max(area - depth, ZERO) / looked_up(tables.conduct, 0, t1)
    return area / (pitch * (pitch * path + tables.contact[m2]))


@compiled(fastmath=True, inline="always")
def within_metal(
    mean: Any, f1: Any, f2: Any, s1: Any, s2: Any, m1: Any, m2: Any, area: Any, conduct: Any,
    capacity: Any, pitch: Any,
) -> Any:  # fmt: skip
    """Return g between two cells with metal. [W/(mm³ K)]"""
    of_metal = looked_up(conduct, 0, mean) / (pitch * pitch)
    full = looked_up(capacity, 0, mean)
    one = filled(f1, s1, looked_up(capacity, m1, mean) / full)
    two = filled(f2, s2, looked_up(capacity, m2, mean) / full)
    return of_metal * (area * min(one, two) + (ONE - area) * HALF * (f1 + f2))


@compiled(fastmath=True)
def filled(metal: Any, other: Any, share: Any) -> Any:
    """Return twice the heat capacity of a cell over that of full metal, a half at least, at most 1.

    `share` is the capacity of the rest over that of metal. The metal of a cell that holds less than
    half is tied to the next by so much less, which is still far more than the sand conducts, and
    keeps the stable step that of full cells.
    """
    holds = metal + other * share
    return min(max(holds + holds, HALF), ONE)


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
def refresh(
    odd: Any, on: Any, is_on: Any, tables: Any, skin: Any, pitch: Any, time_s: Any, rates: Any
) -> None:  # fmt: skip
    """Set g of the faces of the active odd cells at their temperatures now, and their rates.

    `skin` is (6, 3): film [W/(mm² K)], emissivity, temperature [°C]. A face
    between two odd cells is set once, by the lower one if that is active. `rates` (n,) becomes
    sum g / C. [1/s]
    """
    first, beside, g_of, faces, twins = odd.first, odd.near, odd.g, odd.face, odd.twin
    areas, depths, mores = odd.area, odd.depth, odd.more
    temp, f_of, s_of, m_of, n_odd = odd.temp, odd.metal, odd.other, odd.rest, odd.at.size
    conduct, capacity = tables.conduct, tables.capacity
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
                    HALF * (t1 + t2), f1, f2, s_of[q], s_of[near], m1, m2, areas[e], conduct,
                    capacity, pitch,
                )  # fmt: skip
            elif f1 > ZERO:
                g = to_sand(t1, t2, m2, areas[e], depths[e], mores[e], tables, time_s, pitch)
            elif f2 > ZERO:
                g = to_sand(t2, t1, m1, areas[e], depths[e], mores[e], tables, time_s, pitch)
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
    """Set which cells, given by row and place along it, are within (rows, 2) first, end."""
    for q in prange(row.size):
        is_on[q] |= reach[row[q], 0] <= along[q] < reach[row[q], 1]
