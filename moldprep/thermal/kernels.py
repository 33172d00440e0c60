"""The inner loops of the heat solve, compiled by numba.

Grids are (nx, ny, nz) float32 with two layers around the cells, so that the loops need no care for
their edges. A run is a piece of a row along z, contiguous in memory, of sand or of full metal. All
of a run goes on as if its neighbors were all like it; then the skins, those of its cells that have
others beside them, get what that left out. Mixtures go by themselves. The state of a cell is its
enthalpy H; from it follows the potential P that its like neighbors read, and the temperature that
others read.
"""

from typing import Any, Final

import numba
import numpy as np
from numba import prange

from moldprep.thermal.curves import (
    INNER,
    ONE,
    TOKEN,
    ZERO,
    compiled,
    enthalpy_at,
    even,
    knot_below,
    state_of,
)
from moldprep.thermal.lanes import N_LANES, load, pairs, store, whole
from moldprep.thermal.materials import OUTSIDE
from moldprep.thermal.prefetch import fetch

TWO: Final = np.float32(2.0)
SIX: Final = np.float32(6.0)
LANES: Final = np.uint64(N_LANES)
"""Cells that go at once. A run ends in a piece with some of them masked."""

RUNS_AHEAD: Final = 12
"""Runs by which memory is called before it is used."""

SPOTS_AHEAD: Final = 128
"""The same for single cells."""

UP: Final = np.float32(-1.0)
"""Time of a fall that has not happened; NaN is not for fast arithmetic."""


def share_work(n_cells: int) -> None:
    """Use one thread where there is too little to share out."""
    numba.set_num_threads(1 if n_cells < 30_000 else numba.config.NUMBA_NUM_THREADS)


@compiled(parallel=True, fastmath=True)
def start(temp: Any, heat: Any, cells: Any, tables: Any, metal_c: Any) -> None:
    """Set the enthalpies from the starting temperatures, and what `temp` becomes when shared.

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
                    t = state_of(h, f, s, m, metal_c, tables)[0]
                elif m != OUTSIDE:
                    h = enthalpy_at(t, f, s, m, tables)
                heat[i, j, k] = h
                temp[i, j, k] = t


@compiled(parallel=True, fastmath=True)
def states(heat: Any, cells: Any, tables: Any, which: int, out: Any) -> None:
    """Set out to T (0) or P (1) of every cell from its enthalpy; the outside keeps its value."""
    for i in prange(heat.shape[0]):
        for j in range(heat.shape[1]):
            for k in range(heat.shape[2]):
                m = cells.rest[i, j, k]
                if m != OUTSIDE:
                    f, s = cells.metal[i, j, k], cells.other[i, j, k]
                    t, p = state_of(heat[i, j, k], f, s, m, tables.zero_c, tables)
                    out[i, j, k] = t if which == 0 else p


@compiled(fastmath=True, inline="always")
def flow_into(p: Any, q: Any, x: Any, y: Any) -> Any:
    """Return the sum of the neighbors' P less six times the own, of the cells from a place on.

    Grids are flat, x and y the steps to the next plane and row. Numbers without sign, here and
    below, because they need no care for places before the first.
    """
    one = np.uint64(1)
    across = (load(p, q - x) + load(p, q + x)) + (load(p, q - y) + load(p, q + y))
    return (load(p, q - one) + load(p, q + one)) + across - SIX * load(p, q)


@compiled(**INNER)
def sand_on(
    p: Any, p_next: Any, old: Any, new: Any, at: Any, n: Any, x: Any, y: Any, bends: Any,
    lead: Any, step: Any,
) -> None:  # fmt: skip
    """Go on from the last two stages in a run of sand."""
    a, b = bends[0, 0], bends[0, 1]
    x1, x2, x3 = bends[1, 0], bends[2, 0], bends[3, 0]
    x4, x5, x6 = bends[4, 0], bends[5, 0], bends[6, 0]
    d1, d2, d3 = bends[1, 1], bends[2, 1], bends[3, 1]
    d4, d5, d6 = bends[4, 1], bends[5, 1], bends[6, 1]
    for q in range(at, at + n, LANES):
        was = load(old, q)
        h = was + lead * (was - load(new, q)) + step * flow_into(p, q, x, y)
        low = d1 * max(h - x1, ZERO) + d2 * max(h - x2, ZERO) + d3 * max(h - x3, ZERO)
        high = d4 * max(h - x4, ZERO) + d5 * max(h - x5, ZERO) + d6 * max(h - x6, ZERO)
        store(new, q, h, at + n - q)
        store(p_next, q, a + b * h + low + high, at + n - q)


@compiled(**INNER)
def metal_on(
    p: Any, p_next: Any, old: Any, new: Any, at: Any, n: Any, x: Any, y: Any, row: Any, lead: Any,
    step: Any,
) -> None:  # fmt: skip
    """Go on from the last two stages in a run of metal; its P is that of `curves.even`."""
    lowest, per, last = row[0], row[1], np.float32(row.size - 4)
    for q in range(at, at + n, LANES):
        was = load(old, q)
        h = was + lead * (was - load(new, q)) + step * flow_into(p, q, x, y)
        place = max(h - lowest, ZERO) * per
        i = whole(min(place, last))
        low, high = pairs(row, i + TWO)
        store(new, q, h, at + n - q)
        store(p_next, q, low + (place - i) * (high - low), at + n - q)


@compiled(fastmath=True, inline="always")
def place_of(run: Any, x: Any, y: Any) -> tuple[Any, Any]:
    """Return where a run begins in the flat grid, and its length."""
    at = np.uint64(run[0]) * x + np.uint64(run[1]) * y + np.uint64(run[2])
    return at, np.uint64(run[3] - run[2])


@compiled(**INNER)
def sweep_runs(
    p: Any, p_next: Any, heat: Any, heat_next: Any, runs: Any, first: Any, end: Any, x: Any, y: Any,
    tables: Any, lead: Any, step: Any,
) -> None:  # fmt: skip
    """Do a stage in runs of sand and of full metal, in flat grids.

    All neighbors are taken as like them; where they are not, the skins are mended afterwards. Runs
    are short and lie far apart in memory, so each is called into the cache a dozen runs beforehand.
    """
    sand_p, metal_p = tables.sand_p, tables.metal_p
    for r in range(first, end):
        at, n = place_of(runs[min(r + RUNS_AHEAD, end - 1)], x, y)
        for q in range(at, at + n + LANES, LANES):
            fetch(p, q + x)
            fetch(p_next, q)
            fetch(heat, q)
            fetch(heat_next, q)
        at, n = place_of(runs[r], x, y)
        if runs[r, 4] == 1:
            sand_on(p, p_next, heat, heat_next, at, n, x, y, sand_p, lead, step)
        else:
            metal_on(p, p_next, heat, heat_next, at, n, x, y, metal_p, lead, step)


@compiled(**INNER)
def find_piece(
    piece: Any, h: Any, near_c: Any, metal: Any, other: Any, rest: Any, tables: Any
) -> None:  # fmt: skip
    """Set the piece of a mixture's T(H) that an enthalpy is on, looking from `near_c`."""
    knot_c = tables.knot_c
    i, low, high = knot_below(h, metal, other, rest, near_c, tables.heat, tables.first)
    piece[0], piece[1], piece[2] = low, high, knot_c[i]
    piece[3] = (knot_c[i + 1] - knot_c[i]) / (high - low)


@compiled(fastmath=True, inline="always")
def unlike_flow(p: Any, at: Any, odd: Any, q: Any, per: Any) -> Any:
    """Return what flows into a skin cell across its unlike faces, less what `sweep_runs` took."""
    temp, here, t, flow = odd.temp, p[at], odd.temp[q], ZERO
    for e in range(np.uint32(odd.first[q]), np.uint32(odd.first[q + np.uint32(1)])):
        beyond = p[np.uint32(at + np.uint32(odd.step[odd.face[e]]))]
        flow += odd.g[e] * (temp[np.uint32(odd.near[e])] - t) - per * (beyond - here)
    return flow


@compiled(fastmath=True, inline="always")
def outflow(odd: Any, q: Any) -> Any:
    """Return what flows out of the grid from an odd cell. [W/mm³]"""
    lost, temp = 0.0, odd.temp
    for e in range(odd.first[q], odd.first[q + np.uint32(1)]):
        near = odd.near[e]
        if near >= odd.at.size:
            lost += np.float64(odd.g[e] * (temp[q] - temp[near]))
    return lost


@compiled(**INNER)
def sweep_sand_skin(
    p: Any, p_next: Any, heat_next: Any, odd: Any, on: Any, tables: Any, per: Any, step: Any
) -> Any:  # fmt: skip
    """Mend a stage in sand beside other cells; return the flow out of the grid. [W/mm³]"""
    lost, place, other, temp_next = 0.0, odd.at, odd.other, odd.temp_next
    sand_c, sand_p = tables.sand_c, tables.sand_p
    a_c, b_c, a_p, b_p = sand_c[0, 0], sand_c[0, 1], sand_p[0, 0], sand_p[0, 1]
    x1, x2, x3 = sand_c[1, 0], sand_c[2, 0], sand_c[3, 0]
    x4, x5, x6 = sand_c[4, 0], sand_c[5, 0], sand_c[6, 0]
    c1, c2, c3 = sand_c[1, 1], sand_c[2, 1], sand_c[3, 1]
    c4, c5, c6 = sand_c[4, 1], sand_c[5, 1], sand_c[6, 1]
    d1, d2, d3 = sand_p[1, 1], sand_p[2, 1], sand_p[3, 1]
    d4, d5, d6 = sand_p[4, 1], sand_p[5, 1], sand_p[6, 1]
    for s in range(on.size):
        q = np.uint32(on[s])
        at = np.uint32(place[q])
        h = heat_next[at] + step * unlike_flow(p, at, odd, q, per)
        heat_next[at], each = h, h / other[q]
        u1, u2, u3 = max(each - x1, ZERO), max(each - x2, ZERO), max(each - x3, ZERO)
        u4, u5, u6 = max(each - x4, ZERO), max(each - x5, ZERO), max(each - x6, ZERO)
        low_c, high_c = c1 * u1 + c2 * u2 + c3 * u3, c4 * u4 + c5 * u5 + c6 * u6
        low_p, high_p = d1 * u1 + d2 * u2 + d3 * u3, d4 * u4 + d5 * u5 + d6 * u6
        temp_next[q] = a_c + b_c * each + (low_c + high_c)
        p_next[at] = a_p + b_p * each + (low_p + high_p)
        if odd.is_edge[q]:
            lost += outflow(odd, q)
    return lost


@compiled(**INNER)
def sweep_metal_skin(
    p: Any, p_next: Any, heat_next: Any, odd: Any, on: Any, tables: Any, per: Any, lead: Any,
    step: Any,
) -> Any:  # fmt: skip
    """Mend a stage in full metal beside other cells; return the flow out of the grid. [W/mm³]"""
    lost, place, temp, temp_next = 0.0, odd.at, odd.temp, odd.temp_next
    total, total_next, metal_c, metal_p = odd.sum, odd.sum_next, tables.metal_c, tables.metal_p
    for s in range(on.size):
        q = np.uint32(on[s])
        at = np.uint32(place[q])
        h = heat_next[at] + step * unlike_flow(p, at, odd, q, per)
        total_next[q] = total[q] + lead * (total[q] - total_next[q]) + step * temp[q]
        heat_next[at] = h
        temp_next[q], p_next[at] = even(h, metal_c), even(h, metal_p)
        if odd.is_edge[q]:
            lost += outflow(odd, q)
    return lost


@compiled(**INNER)
def sweep_mixed(odd: Any, on: Any, tables: Any, lead: Any, step: Any) -> Any:
    """Do a stage in mixtures and inserts; return the flow out of the grid. [W/mm³]

    Their P, which nobody reads, is left.
    """
    lost, begins, beside, g_of = 0.0, odd.first, odd.near, odd.g
    temp, temp_next, held, held_next = odd.temp, odd.temp_next, odd.heat, odd.heat_next
    total, total_next, pieces = odd.sum, odd.sum_next, odd.piece
    for s in range(on.size):
        q = np.uint32(on[s])
        t, begin, flow = temp[q], np.uint32(begins[q]), ZERO
        for e in range(begin, begin + np.uint32(6)):
            flow += g_of[e] * (temp[np.uint32(beside[e])] - t)
        total_next[q] = total[q] + lead * (total[q] - total_next[q]) + step * t
        h = held[q] + lead * (held[q] - held_next[q]) + step * flow
        held_next[q] = h
        if h < pieces[q, 0] or h >= pieces[q, 1]:
            find_piece(pieces[q], h, t, odd.metal[q], odd.other[q], odd.rest[q], tables)
        temp_next[q] = pieces[q, 2] + (h - pieces[q, 0]) * pieces[q, 3]
        if odd.is_edge[q]:
            lost += outflow(odd, q)
    return lost


@compiled(parallel=True, fastmath=True)
def mean_over_step(odd: Any, on: Any, length: Any) -> None:
    """Let the sand see the mean temperatures of all else over a step, and begin their sums anew."""
    seen, total, per = odd.seen, odd.sum, ONE / length
    for s in prange(on.size):
        q = on[s]
        seen[q] = total[q] * per
        total[q] = ZERO


@compiled(parallel=True, fastmath=True)
def hand_back(heat: Any, p: Any, odd: Any, mixed: Any, sand: Any, zero_c: Any) -> None:
    """Show what a step has done wherever it is read.

    The heat of mixtures in the grid, and a P that shows whether they are warm; and the new
    temperatures of sand.
    """
    flat, flat_p = heat.ravel(), p.ravel()
    place, heats, temp, temp_next, seen = odd.at, odd.heat, odd.temp, odd.temp_next, odd.seen
    for s in prange(mixed.size):
        fetch(flat, np.uint32(place[mixed[min(s + SPOTS_AHEAD, mixed.size - 1)]]))
        q = mixed[s]
        flat[place[q]] = heats[q]
        flat_p[place[q]] = TOKEN * (temp[q] - zero_c)
    for s in prange(sand.size):
        q = sand[s]
        seen[q] = temp_next[q] = temp[q]


@compiled(**INNER)
def sweep_plane(
    p: Any, p_next: Any, heat: Any, heat_next: Any, odd: Any, part: Any, i: Any, x: Any, y: Any,
    tables: Any, per: Any, lead: Any, step: Any,
) -> Any:  # fmt: skip
    """Do a stage in what a part has in a plane, in flat grids; return the flow out of the grid."""
    begin, end = part.ends[i], part.ends[i + 1]
    sweep_runs(
        p, p_next, heat, heat_next, part.runs, begin[0], end[0], x, y, tables, lead, step * per
    )
    sand, metal = part.sand[begin[1] : end[1]], part.metal[begin[2] : end[2]]
    lost = sweep_sand_skin(p, p_next, heat_next, odd, sand, tables, per, step)
    lost += sweep_metal_skin(p, p_next, heat_next, odd, metal, tables, per, lead, step)
    return lost + sweep_mixed(odd, part.mixed[begin[3] : end[3]], tables, lead, step)


@compiled(**INNER)
def stage_in_plane(
    fields: Any, odd: Any, turned: Any, s: Any, part: Any, i: Any, x: Any, y: Any,
    tables: Any, per: Any, leads: Any, steps: Any,
) -> Any:  # fmt: skip
    """Do stage s of several in a plane: every second one goes the other way."""
    p, p_next, heat, heat_next = fields
    lead, step = leads[s], steps[s]
    if s % 2 == 0:
        return sweep_plane(p, p_next, heat, heat_next, odd, part, i, x, y, tables, per, lead, step)
    return sweep_plane(p_next, p, heat_next, heat, turned, part, i, x, y, tables, per, lead, step)


@compiled(parallel=True, fastmath=True)
def sweep(
    p: Any, p_next: Any, heat: Any, heat_next: Any, odd: Any, turned: Any, part: Any, tables: Any,
    per: Any, leads: Any, steps: Any, lost: Any,
) -> None:  # fmt: skip
    """Do some stages, in the sand or in the rest, and set what flows out of the grid in each.

    A stage makes heat_next into heat + lead (heat - heat_next) + step x flow into the cell, and of
    p_next and the odd cells' temp_next what follows from it; then they change places, in the odd
    cells by `turned`. `per` is 1 / pitch², which makes a flow of a difference of P. `lost` is
    (shares, stages). [W/mm³]

    So that what is in the cache is used more than once, a stage follows the one before it by a
    plane. Each stage begins a plane later and ends a plane earlier in its share of the work than
    the one before, since it needs the planes beside; what that leaves at the cuts is done when all
    shares are.
    """
    fields = p.ravel(), p_next.ravel(), heat.ravel(), heat_next.ravel()
    n, cuts, n_shares = steps.size, part.cuts, part.cuts.size - 1
    x, y = np.uint64(p.shape[1] * p.shape[2]), np.uint64(p.shape[2])
    for c in prange(n_shares):
        for ahead in range(cuts[c], cuts[c + 1] + n - 1):
            for s in range(n):
                i = ahead - s
                first, end = (
                    cuts[c] + (s if c > 0 else 0),
                    cuts[c + 1] - (s if c < n_shares - 1 else 0),
                )
                if first <= i < end:
                    lost[c, s] += stage_in_plane(
                        fields, odd, turned, s, part, i, x, y, tables, per, leads, steps
                    )
    for c in prange(1, n_shares):
        for s in range(1, n):
            for i in range(cuts[c] - s, cuts[c] + s):
                lost[c, s] += stage_in_plane(
                    fields, odd, turned, s, part, i, x, y, tables, per, leads, steps
                )


@compiled(parallel=True)
def span(heat: Any, runs: Any, low: Any, high: Any) -> None:
    """Set (n,) least and largest enthalpy of each run but its ends, which are skins."""
    for r in prange(runs.shape[0]):
        if runs[r, 3] - runs[r, 2] > 2:
            row = heat[runs[r, 0], runs[r, 1], runs[r, 2] + 1 : runs[r, 3] - 1]
            low[r], high[r] = row.min(), row.max()


@compiled(parallel=True, fastmath=True)
def warmed(p: Any, rows: Any, off: Any, reach: Any) -> None:
    """Set reach (nx, ny, 2): first and last + 1 cell of each row whose |P| is over `off`."""
    for r in prange(rows.shape[0]):
        i, j, lo, hi = rows[r, 0], rows[r, 1], rows[r, 2], rows[r, 3]
        row = p[i, j]
        a, b = hi, lo
        for k in range(lo, hi):
            if abs(row[k]) > off:
                a = k
                break
        for k in range(hi - 1, a - 1, -1):
            if abs(row[k]) > off:
                b = k + 1
                break
        reach[i, j, 0] = a
        reach[i, j, 1] = b


@compiled(parallel=True, fastmath=True)
def mark(
    heat: Any, watched: Any, levels: Any, cells: Any, tables: Any, now: Any, step: Any, pitch: Any
) -> Any:
    """Note when each cell with metal falls through the levels of enthalpy; return how many are up.

    levels   : (3, m) enthalpy of metal (column 0) and of each rest at the levels, hottest first
    watched  : spots, last, high, low, crossed, gradient; see `Watched`
    """
    n_y, n_z = heat.shape[1], heat.shape[2]
    flat, spots, last = heat.ravel(), watched.spots, watched.last
    crossed, gradient, high, low = watched.crossed, watched.gradient, watched.high, watched.low
    n_up = 0
    for s in prange(spots.size):
        fetch(flat, np.uint32(spots[min(s + SPOTS_AHEAD, spots.size - 1)]))
        spot = np.uint32(spots[s])
        before, after = last[s], flat[spot]
        last[s] = after
        if min(before, after) > high[s]:
            n_up += 1
            continue
        if max(before, after) <= low[s]:
            continue
        i, j, k = spot // (n_z * n_y), (spot // n_z) % n_y, spot % n_z
        f, m, other = cells.metal[i, j, k], cells.rest[i, j, k], cells.other[i, j, k]
        for q in range(3):
            level = f * levels[q, 0] + other * levels[q, m]
            if after > level:
                crossed[s, q] = UP
                n_up += 1 if q == 2 else 0
            elif crossed[s, q] < ZERO:
                share = (before - level) / (before - after) if before > level else ZERO
                crossed[s, q] = now - step + step * share
                if q == 0:
                    gradient[s] = steepness(heat, cells, tables, i, j, k, pitch)
    return n_up


@compiled(fastmath=True)
def celsius(heat: Any, cells: Any, tables: Any, i: Any, j: Any, k: Any) -> Any:
    """Return the temperature of a cell. [°C]"""
    f, s, m = cells.metal[i, j, k], cells.other[i, j, k], cells.rest[i, j, k]
    return state_of(heat[i, j, k], f, s, m, tables.zero_c, tables)[0]


@compiled(fastmath=True)
def steepness(heat: Any, cells: Any, tables: Any, i: Any, j: Any, k: Any, pitch: Any) -> Any:
    """Return the temperature gradient among the metal around a cell. [K/mm]"""
    here, total = celsius(heat, cells, tables, i, j, k), ZERO
    for d, e, f in ((1, 0, 0), (0, 1, 0), (0, 0, 1)):
        rise, run = ZERO, ZERO
        if cells.metal[i + d, j + e, k + f] > ZERO:
            rise += celsius(heat, cells, tables, i + d, j + e, k + f) - here
            run += pitch
        if cells.metal[i - d, j - e, k - f] > ZERO:
            rise += here - celsius(heat, cells, tables, i - d, j - e, k - f)
            run += pitch
        if run > ZERO:
            total += (rise / run) ** 2
    return np.sqrt(total)
