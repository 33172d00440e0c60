"""The inner loops of the heat solve, compiled by numba.

Grids are (nx, ny, nz) float32 with two layers around the cells, so that the loops need no care for
their edges. A run is a piece of a row along z, contiguous in memory. Cells are of three kinds:
plain sand and inner metal, whose neighbors are all like them, and the odd ones between. The state
of a cell is its enthalpy H; from it follows the potential P that its like neighbors read, and the
temperature that odd neighbors read.
"""

from typing import Any, Final

import numba
import numpy as np
from numba import prange

from moldprep.thermal.curves import (
    ONE,
    TOKEN,
    ZERO,
    compiled,
    enthalpy_at,
    even,
    knot_below,
    state_of,
)
from moldprep.thermal.materials import OUTSIDE
from moldprep.thermal.prefetch import fetch

SIX: Final = np.float32(6.0)
LANES: Final = np.uint64(16)
"""Cells that go at once: a line of memory. A run ends in a piece with some of them masked."""

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
    """Return the sum of the neighbors' P less six times the own.

    Grids are flat, x and y the steps to the next plane and row. Numbers without sign, here and
    below, because they need no care for places before the first.
    """
    one = np.uint64(1)
    across = (p[q - x] + p[q + x]) + (p[q - y] + p[q + y])
    return (p[q - one] + p[q + one]) + across - SIX * p[q]


@compiled(fastmath=True)
def sand_on(
    p: Any, p_next: Any, old: Any, new: Any, at: Any, n: Any, x: Any, y: Any, bends: Any,
    lead: Any, step: Any,
) -> None:  # fmt: skip
    """Go on from the last two stages in a run of sand; its bends are written out for vectors."""
    a, b = bends[0, 0], bends[0, 1]
    x1, x2, x3 = bends[1, 0], bends[2, 0], bends[3, 0]
    x4, x5, x6 = bends[4, 0], bends[5, 0], bends[6, 0]
    d1, d2, d3 = bends[1, 1], bends[2, 1], bends[3, 1]
    d4, d5, d6 = bends[4, 1], bends[5, 1], bends[6, 1]
    for begin in range(at, at + n, LANES):
        for q in range(begin, begin + LANES):
            h = old[q] + lead * (old[q] - new[q]) + step * flow_into(p, q, x, y)
            low = d1 * max(h - x1, ZERO) + d2 * max(h - x2, ZERO) + d3 * max(h - x3, ZERO)
            high = d4 * max(h - x4, ZERO) + d5 * max(h - x5, ZERO) + d6 * max(h - x6, ZERO)
            if q < at + n:
                new[q] = h
                p_next[q] = a + b * h + low + high


@compiled(fastmath=True)
def metal_on(
    p: Any, p_next: Any, old: Any, new: Any, at: Any, n: Any, x: Any, y: Any, row: Any, room: Any,
    lead: Any, step: Any,
) -> None:  # fmt: skip
    """Go on from the last two stages in a run of metal; its look-ups go by themselves.

    See `curves.even`. `room` has to be a piece longer than the run.
    """
    lowest, per, last = row[0], row[1], np.float32(row.size - 4)
    for begin in range(at, at + n, LANES):
        for q in range(begin, begin + LANES):
            h = old[q] + lead * (old[q] - new[q]) + step * flow_into(p, q, x, y)
            room[q - at] = max(h - lowest, ZERO) * per
            if q < at + n:
                new[q] = h
    for k in range(n):
        i = np.uint32(min(room[k], last))
        low = row[i + np.uint32(2)]
        p_next[at + k] = low + (room[k] - np.float32(i)) * (row[i + np.uint32(3)] - low)


@compiled(fastmath=True, inline="always")
def place_of(run: Any, x: Any, y: Any) -> tuple[Any, Any]:
    """Return where a run begins in the flat grid, and its length."""
    at = np.uint64(run[0]) * x + np.uint64(run[1]) * y + np.uint64(run[2])
    return at, np.uint64(run[3] - run[2])


@compiled(fastmath=True)
def sweep_runs(
    p: Any, p_next: Any, heat: Any, heat_next: Any, runs: Any, first: Any, end: Any, x: Any, y: Any,
    room: Any, tables: Any, lead: Any, step: Any,
) -> None:  # fmt: skip
    """Do a stage in runs of sand and of full metal, in flat grids.

    Their neighbors are taken as like them; where they are not, `sweep_odd` sets P afterwards, and
    what is left as heat here is not read. Runs are short and lie far apart in memory, so each is
    called into the cache a dozen runs beforehand.
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
            metal_on(p, p_next, heat, heat_next, at, n, x, y, metal_p, room, lead, step)


@compiled(fastmath=True, inline="always")
def is_mixture(metal: Any, rest: Any) -> Any:
    """Return whether an odd cell is neither full of metal nor of sand alone."""
    return metal != ONE and (metal > ZERO or rest != 1)


@compiled(fastmath=True)
def find_piece(
    piece: Any,
    h: Any,
    near_c: Any,
    f: Any,
    other: Any,
    rest: Any,
    knot_c: Any,
    heat: Any,
    first: Any,
) -> None:
    """Set the piece of a mixture's T(H) that an enthalpy is on, looking from `near_c`."""
    i, low, high = knot_below(h, f, other, rest, near_c, heat, first)
    piece[0], piece[1], piece[2] = low, high, knot_c[i]
    piece[3] = (knot_c[i + 1] - knot_c[i]) / (high - low)


@compiled(fastmath=True)
def sweep_odd(
    p: Any, p_next: Any, odd: Any, on: Any, tables: Any, per: Any, lead: Any, step: Any
) -> Any:  # fmt: skip
    """Do a stage in odd cells; return the flow out of the grid. [W/mm³]

    Each temperature is summed up over time in the same way as its heat, so that what lies beside
    can be given exactly what has left here. The P of mixtures, which nobody reads, is left.
    """
    lost = 0.0
    place, begins, beside, g_of, is_edge = odd.at, odd.first, odd.near, odd.g, odd.is_edge
    temp, temp_next, first_outside = odd.temp, odd.temp_next, odd.at.size
    to, is_like = odd.step, odd.like
    held, held_next, total, total_next = odd.heat, odd.heat_next, odd.sum, odd.sum_next
    metal, other, rest, pieces = odd.metal, odd.other, odd.rest, odd.piece
    sand_c, sand_p, metal_c, metal_p = (
        tables.sand_c, tables.sand_p, tables.metal_c, tables.metal_p,
    )  # fmt: skip
    knot_c, knot_heat, first = tables.knot_c, tables.heat, tables.first
    a_c, b_c, a_p, b_p = sand_c[0, 0], sand_c[0, 1], sand_p[0, 0], sand_p[0, 1]
    x1, x2, x3 = sand_c[1, 0], sand_c[2, 0], sand_c[3, 0]
    x4, x5, x6 = sand_c[4, 0], sand_c[5, 0], sand_c[6, 0]
    c1, c2, c3 = sand_c[1, 1], sand_c[2, 1], sand_c[3, 1]
    c4, c5, c6 = sand_c[4, 1], sand_c[5, 1], sand_c[6, 1]
    d1, d2, d3 = sand_p[1, 1], sand_p[2, 1], sand_p[3, 1]
    d4, d5, d6 = sand_p[4, 1], sand_p[5, 1], sand_p[6, 1]
    s0, s1, s2, s3, s4, s5 = to[0], to[1], to[2], to[3], to[4], to[5]
    for s in range(on.size):
        q = np.uint32(on[s])
        t, f, at = temp[q], metal[q], place[q]
        begin, end = np.uint32(begins[q]), np.uint32(begins[q + np.uint32(1)])
        flow, mixed = ZERO, is_mixture(f, rest[q])
        if mixed:  # all six faces; a loop of known length goes faster
            for e in range(begin, begin + np.uint32(6)):
                flow += g_of[e] * (temp[np.uint32(beside[e])] - t)
        else:
            for e in range(begin, end):
                flow += g_of[e] * (temp[np.uint32(beside[e])] - t)
        if is_edge[q]:
            for e in range(begin, end):
                near = beside[e]
                if near >= first_outside:
                    lost += np.float64(g_of[e] * (t - temp[near]))
        total_next[q] = total[q] + lead * (total[q] - total_next[q]) + step * t
        if not mixed:
            here, like = p[at], np.int32(is_like[q])  # each difference is exact by itself
            within = np.float32(like & 1) * (p[np.uint32(at + s0)] - here)
            within += np.float32((like >> 1) & 1) * (p[np.uint32(at + s1)] - here)
            within += np.float32((like >> 2) & 1) * (p[np.uint32(at + s2)] - here)
            within += np.float32((like >> 3) & 1) * (p[np.uint32(at + s3)] - here)
            within += np.float32((like >> 4) & 1) * (p[np.uint32(at + s4)] - here)
            within += np.float32((like >> 5) & 1) * (p[np.uint32(at + s5)] - here)
            flow += per * within
        h = held[q] + lead * (held[q] - held_next[q]) + step * flow
        held_next[q] = h
        if mixed:
            if h < pieces[q, 0] or h >= pieces[q, 1]:
                find_piece(pieces[q], h, t, f, other[q], rest[q], knot_c, knot_heat, first)
            temp_next[q] = pieces[q, 2] + (h - pieces[q, 0]) * pieces[q, 3]
        elif f == ONE:
            temp_next[q], p_next[at] = even(h, metal_c), even(h, metal_p)
        else:
            each = h / other[q]
            u1, u2, u3 = max(each - x1, ZERO), max(each - x2, ZERO), max(each - x3, ZERO)
            u4, u5, u6 = max(each - x4, ZERO), max(each - x5, ZERO), max(each - x6, ZERO)
            low_c, high_c = c1 * u1 + c2 * u2 + c3 * u3, c4 * u4 + c5 * u5 + c6 * u6
            low_p, high_p = d1 * u1 + d2 * u2 + d3 * u3, d4 * u4 + d5 * u5 + d6 * u6
            temp_next[q] = a_c + b_c * each + (low_c + high_c)
            p_next[at] = a_p + b_p * each + (low_p + high_p)
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
def hand_back(heat: Any, p: Any, odd: Any, quick: Any, sand: Any, zero_c: Any) -> None:
    """Show what a step has done wherever it is read.

    The heat of odd cells in the grid, of mixtures a P that shows whether they are warm, and the new
    temperatures of sand.
    """
    flat, flat_p = heat.ravel(), p.ravel()
    place, heats, temp, temp_next, seen = odd.at, odd.heat, odd.temp, odd.temp_next, odd.seen
    for s in prange(quick.size):
        fetch(flat, np.uint32(place[quick[min(s + SPOTS_AHEAD, quick.size - 1)]]))
        q = quick[s]
        flat[place[q]] = heats[q]
        if is_mixture(odd.metal[q], odd.rest[q]):
            flat_p[place[q]] = TOKEN * (temp[q] - zero_c)
    for s in prange(sand.size):
        fetch(flat, np.uint32(place[sand[min(s + SPOTS_AHEAD, sand.size - 1)]]))
        q = sand[s]
        flat[place[q]] = heats[q]
        seen[q] = temp_next[q] = temp[q]


@compiled(fastmath=True)
def sweep_plane(
    p: Any, p_next: Any, heat: Any, heat_next: Any, odd: Any, part: Any, i: Any, x: Any, y: Any,
    room: Any, tables: Any, per: Any, lead: Any, step: Any,
) -> Any:  # fmt: skip
    """Do a stage in what a part has in a plane, in flat grids; return the flow out of the grid."""
    sweep_runs(
        p, p_next, heat, heat_next, part.runs, part.run_ends[i], part.run_ends[i + 1], x, y, room,
        tables, lead, step * per,
    )  # fmt: skip
    on = part.on[part.odd_ends[i] : part.odd_ends[i + 1]]
    return sweep_odd(p, p_next, odd, on, tables, per, lead, step)


@compiled(fastmath=True, inline="always")
def stage_in_plane(
    fields: Any, odd: Any, turned: Any, s: Any, part: Any, i: Any, x: Any, y: Any, room: Any,
    tables: Any, per: Any, leads: Any, steps: Any,
) -> Any:  # fmt: skip
    """Do stage s of several in a plane: every second one goes the other way."""
    p, p_next, heat, heat_next = fields
    lead, step = leads[s], steps[s]
    if s % 2 == 0:
        return sweep_plane(
            p, p_next, heat, heat_next, odd, part, i, x, y, room, tables, per, lead, step
        )
    return sweep_plane(
        p_next, p, heat_next, heat, turned, part, i, x, y, room, tables, per, lead, step
    )


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
        room = np.empty(y + LANES, np.float32)
        for ahead in range(cuts[c], cuts[c + 1] + n - 1):
            for s in range(n):
                i = ahead - s
                first, end = (
                    cuts[c] + (s if c > 0 else 0),
                    cuts[c + 1] - (s if c < n_shares - 1 else 0),
                )
                if first <= i < end:
                    lost[c, s] += stage_in_plane(
                        fields, odd, turned, s, part, i, x, y, room, tables, per, leads, steps
                    )
    for c in prange(1, n_shares):
        room = np.empty(y + LANES, np.float32)
        for s in range(1, n):
            for i in range(cuts[c] - s, cuts[c] + s):
                lost[c, s] += stage_in_plane(
                    fields, odd, turned, s, part, i, x, y, room, tables, per, leads, steps
                )


@compiled(parallel=True)
def span(heat: Any, runs: Any, low: Any, high: Any) -> None:
    """Set (n,) least and largest enthalpy of each run of metal; others are left."""
    for r in prange(runs.shape[0]):
        if runs[r, 4] == 2:
            row = heat[runs[r, 0], runs[r, 1], runs[r, 2] : runs[r, 3]]
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
