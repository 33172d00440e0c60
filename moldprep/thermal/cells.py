"""What the cells of the heat solve hold, and which of them it visits.

Sand and full metal are visited as runs along z, as if the neighbors of each cell were all like it.
The odd cells (at the metal's skin, cut, inserts, at the edge of the grid) are kept in a list, each
with the conductances of its faces to unlike cells.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.thermal import contacts, surface
from moldprep.thermal.materials import OUTSIDE

SAND, METAL, MIXED = np.uint8(1), np.uint8(2), np.uint8(3)
"""Kinds of cells: sand alone, full metal, and mixtures and inserts; 0 is outside."""

ODD_WORK = 4
"""Work on an odd cell, in plain ones."""

Field = NDArray[np.float32]
Ints = NDArray[np.int32]
Flags = NDArray[np.bool_]

NODE: Final = 0.23
"""A cell with more metal than this stands for metal, one with less for what is around it."""

SHARES_A_THREAD = 4
"""Shares of the work for each thread: enough that none waits long for the last."""

MOST_AT_ONCE = 3
"""Stages whose planes are in the cache at once."""


class Cells(NamedTuple):
    """What is in each cell, in cells.

    metal : how much metal it holds
    other : how much else
    rest  : which medium that is: 1 sand, …, OUTSIDE

    A cut cell holds either, and its neighbors the other, so they may hold more than there is room.
    """

    metal: Field
    other: Field
    rest: NDArray[np.uint8]


LIKE: Final = -1
"""Stands for a face within sand or within metal."""


class Odd(NamedTuple):
    """The cells with faces between unlike cells: mixtures, and what lies beside them or at an edge.

    Plane by plane; in each sand, then full metal, then mixtures, for quick loops, and of each kind
    first those with few unlike faces. Those of sand and of full metal are in runs as well, and hold
    their heat in the grid. What else the odd cells hold stands side by side here, since in the grid
    each would lie in a line of memory of its own; the heat of mixtures goes back after every step.

    at              : (n,) place in the flat grid
    first           : (n + 1,) where the faces of each begin
    temp, temp_next : (n + 6,) temperatures at the last two stages, and of the six sides [°C]
    seen            : (n + 6,) those that the sand sees: its own, and means of the rest over a step
    heat, heat_next : (n,) enthalpy of mixtures at the last two stages [J/mm³]
    piece           : (n, 4) the piece of a mixture's T(H) it was last on: its H, next H, T, dT/dH
    sum, sum_next   : (n,) sums of T over time in the step that is being made [K s]
    metal, other, rest : (n,) what they hold, as in `Cells`
    is_edge         : (n,) whether a face is outside
    step            : (6,) steps of the flat grid to the cell across each face

    Of their faces to unlike cells, m in all:

    near            : (m,) the odd cell across; n + side where it is outside
    face            : (m,) which face of the cell it is (low x, high x, low y, …)
    twin            : (m,) the same face as the cell across has it; -1 outside
    g               : (m,) conductance
    area            : (m,) area of the metal's surface along the axis over that of the face; |n|
                      along the axis between cells with metal
    depth           : (m,) how far the middle of the cell without metal is from the surface [cells]
    more            : (m,) how much more conducts there than to a flat surface [k / cell]
    """

    at: Ints
    first: Ints
    temp: Field
    temp_next: Field
    seen: Field
    heat: Field
    heat_next: Field
    piece: Field
    sum: Field
    sum_next: Field
    metal: Field
    other: Field
    rest: NDArray[np.uint8]
    is_edge: Flags
    step: Ints
    near: Ints
    face: NDArray[np.uint8]
    twin: Ints
    g: Field
    area: Field
    depth: Field
    more: Field


class Part(NamedTuple):
    """What a sweep goes through: the sand, or all the rest.

    runs  : (n, 5) ix, iy, first, last + 1, and 1 for sand or 2 for full metal
    on    : (n,) odd cells
    sand, metal, mixed : those of sand, of full metal, and the others: mixtures and inserts
    ends  : (nx + 1, 4) where runs, sand, metal, and mixed of each plane begin
    cuts  : plane that each share of the work begins with, and the end
    at_once : stages that follow each other by a plane; shares have at least two planes for each
    n     : cells in all
    """

    runs: Ints
    on: Ints
    sand: Ints
    metal: Ints
    mixed: Ints
    ends: Ints
    cuts: Ints
    at_once: int
    n: int


class Visits(NamedTuple):
    """The part of the grid that is visited: what is not sand, and the sand the heat has reached.

    rows  : (n, 4) ix, iy, first, last + 1 of each row the heat has reached
    on    : (n,) odd cells
    is_on : (all odd cells,) whether they are among them
    sand, quick : what lies in them: the sand, and what heat spreads in much faster
    """

    rows: Ints
    on: Ints
    is_on: Flags
    sand: Part
    quick: Part


class Plan:
    """The cells sorted by kind; gives what is to be visited for a reach of the heat."""

    def __init__(self, cells: Cells, share: Field, n_threads: int) -> None:
        self._shape, self._n_threads = cells.rest.shape, n_threads
        kind = np.where(cells.metal == 1.0, METAL, MIXED)
        kind[(cells.metal == 0.0) & (cells.rest == 1)] = SAND
        kind[cells.rest == OUTSIDE] = 0
        self.odd = _odd_cells(kind, cells, share)
        self._kind = kind.ravel()[self.odd.at]
        self.is_sand = self._kind == SAND
        self._row, self._along = np.divmod(self.odd.at, np.int32(self._shape[2]))
        runs = _runs(kind)
        self._sand_runs, metal_runs = (runs[runs[:, 4] == of] for of in (SAND, METAL))
        self._quick = self.part(metal_runs, np.flatnonzero(~self.is_sand).astype(np.int32))

    @property
    def n_bytes(self) -> int:
        """What the lists hold."""
        lists = (self._sand_runs, self._row, self._along, self._kind, self.is_sand)
        return sum(held.nbytes for held in (*lists, *self._quick[:6]))

    def all_rows(self) -> Ints:
        """Return every row within the grid, as `Visits.rows`."""
        n_x, n_y, n_z = self._shape
        at = np.indices((n_x - 2, n_y - 2)).reshape(2, -1).T + 1
        return np.hstack([at, np.broadcast_to([1, n_z - 1], at.shape)]).astype(np.int32)

    def visits(self, reach: Ints) -> Visits:
        """Return what to visit, given (nx, ny, 2) first and last + 1 of each row."""
        at = np.argwhere(reach[..., 1] > reach[..., 0])
        rows = np.hstack([at, reach[at[:, 0], at[:, 1]]]).astype(np.int32)
        is_on = ~self.is_sand
        contacts.within(self._along, self._row, reach.reshape(-1, 2), is_on)
        on = np.flatnonzero(is_on).astype(np.int32)
        sand = self.part(_clipped(self._sand_runs, reach), on[self.is_sand[on]])
        return Visits(rows, on, is_on, sand, self._quick)

    def part(self, runs: Ints, on: Ints) -> Part:
        """Return these runs and odd cells as what a sweep goes through."""
        sand, metal, mixed = (on[self._kind[on] == of] for of in (SAND, METAL, MIXED))
        planes = [runs[:, 0], *(self._row[of] // self._shape[1] for of in (sand, metal, mixed))]
        begins = np.arange(self._shape[0] + 1)
        ends = np.column_stack([np.searchsorted(of, begins) for of in planes]).astype(np.int32)
        length = np.concatenate([[0], np.cumsum(runs[:, 3] - runs[:, 2])])
        work = length[ends[:, 0]] + ODD_WORK * ends[:, 1:].sum(axis=1)
        n_planes = int((np.diff(work) > 0).sum())
        at_once = max(1, min(n_planes // (4 * self._n_threads), MOST_AT_ONCE))
        shares = np.linspace(0.0, work[-1], SHARES_A_THREAD * self._n_threads + 1)
        cuts = _apart(np.unique(np.searchsorted(work, shares)), 2 * at_once)
        n = int(length[-1]) + len(mixed)
        return Part(runs, on, sand, metal, mixed, ends, cuts, at_once, n)


def _runs(kind: NDArray[np.uint8]) -> Ints:
    """Return the runs of sand and metal as in `Part`."""
    ends = np.flatnonzero(np.diff(kind.ravel())) + 1
    begin, end = ends[:-1], ends[1:]
    what = kind.ravel()[begin]
    is_run = (what == SAND) | (what == METAL)
    begin, end, what = begin[is_run], end[is_run], what[is_run]
    row, first = np.divmod(begin, kind.shape[2])
    where = np.divmod(row, kind.shape[1])
    return np.column_stack([*where, first, first + end - begin, what]).astype(np.int32)


def _apart(cuts: NDArray[np.intp], least: int) -> Ints:
    """Return the cuts with the first and the last, and of the others those so far apart."""
    kept = [cuts[0]]
    for cut in cuts[1:-1]:
        if cut - kept[-1] >= least and cuts[-1] - cut >= least:
            kept.append(cut)
    return np.array([*kept, cuts[-1]], np.int32)


def _clipped(runs: Ints, reach: Ints) -> Ints:
    """Return what of the runs lies within a reach, see `Plan.visits`."""
    reached = reach.reshape(-1, 2)[runs[:, 0] * np.int32(reach.shape[1]) + runs[:, 1]]
    first = np.maximum(runs[:, 2], reached[:, 0])
    last = np.minimum(runs[:, 3], reached[:, 1])
    kept = np.flatnonzero(last > first)
    runs = runs[kept]
    runs[:, 2], runs[:, 3] = first[kept], last[kept]
    return runs


def _odd_cells(kind: NDArray[np.uint8], cells: Cells, share: Field) -> Odd:
    """Return the cells with unlike neighbors, given the kind of each."""
    faces = _unlike_faces(kind)
    is_odd = (kind > 0) & ((kind == MIXED) | (faces > 0) | ((kind == SAND) & (cells.other != 1.0)))
    flat, n = kind.ravel(), int(is_odd.sum())
    by_place = np.flatnonzero(is_odd).astype(np.int32)
    plane = by_place // (kind.shape[1] * kind.shape[2])
    order = np.lexsort((faces.ravel()[by_place], flat[by_place], plane))
    at, rank = by_place[order], np.argsort(order).astype(np.int32)
    n_y, n_z = kind.shape[1:]
    step = np.array([-n_y * n_z, n_y * n_z, -n_z, n_z, -1, 1], np.int32)
    near = np.full((n, 6), LIKE, np.int32)
    for face in range(6):
        beyond = flat[at + step[face]]
        is_unlike = (beyond != flat[at]) | (beyond == MIXED)
        place = rank[np.searchsorted(by_place, at + step[face]).clip(0, n - 1)]
        near[is_unlike, face] = place[is_unlike]
        near[beyond == 0, face] = n + face
    cell, side = np.nonzero(near != LIKE)
    number = np.full((n + 6, 6), -1, np.int32)
    number[cell, side] = np.arange(len(cell))
    near = near[cell, side]
    temp = np.zeros(n + 6, np.float32)
    held = (cells.metal.ravel()[at], cells.other.ravel()[at], cells.rest.ravel()[at])
    heat, heat_next, total, total_next = np.zeros((4, n), np.float32)
    is_edge = np.zeros(n, np.bool_)
    is_edge[cell[near >= n]] = True
    odd = Odd(
        at, np.searchsorted(cell, np.arange(n + 1)).astype(np.int32), temp, temp.copy(),
        temp.copy(), heat, heat_next, np.zeros((n, 4), np.float32), total, total_next, *held,
        is_edge, step, near, side.astype(np.uint8), number[near, side ^ 1],
        *np.zeros((4, len(near)), np.float32),
    )  # fmt: skip
    surface.lean(odd, kind.shape, share)
    return odd


def _unlike_faces(kind: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return how many of its six neighbors are of another kind than each cell."""
    faces = np.zeros_like(kind)
    for axis in range(3):
        for shift in (1, -1):
            faces += kind != np.roll(kind, shift, axis)
    return faces


def widened(reach: NDArray[np.int32], n_z: int, cells: int = 2) -> NDArray[np.int32]:
    """Return the reached ranges grown by some cells in every direction, within 1 … n - 1."""
    first, last = reach[..., 0].copy(), reach[..., 1].copy()
    for _ in range(cells):
        for edge, pick, none in ((first, np.minimum, n_z), (last, np.maximum, 0)):
            around = np.pad(edge, 1, constant_values=none)
            for shifted in (around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2]):
                pick(edge, shifted, out=edge)
            pick(edge, around[1:-1, 2:], out=edge)
    is_on = last > first
    first = np.where(is_on, np.maximum(first - cells, 1), n_z)
    last = np.where(is_on, np.minimum(last + cells, n_z - 1), 0)
    for edge, none in ((first, n_z), (last, 0)):
        edge[[0, -1]], edge[:, [0, -1]] = none, none
    return np.stack([first, last], axis=2).astype(np.int32)


def shared_out(
    share: Field, rest: NDArray[np.uint8], metal: Field, other: Field
) -> tuple[Field, Field]:
    """Return the metal and the other stuff of all cells, each in the cells that stand for it.

    Every cell is a node of metal or of what is around it, by its share of metal: what it holds of
    the other goes in equal parts to the neighbors that stand for that. So no cell mixes what is hot
    from the start with what is cold. A cell with only metal around it hands its sand on through
    those neighbors that have sand beside them; not so a cell that is mostly sand, in a gap too
    narrow for cells of its own. Metal with no node of metal near is one itself, and keeps its sand.

    Parameters
    ----------
    share
        (nx, ny, nz) share of metal of each cell.
    rest
        (nx, ny, nz) what else is in it.
    metal, other
        (nx, ny, nz) what is handed over: amounts, or their heat.
    """
    is_node = share > NODE
    near, far = _ways_to(share, is_node)
    metal = _handed_over(metal, far, near)
    metal = _handed_over(metal, near, is_node)
    takes = (share <= NODE) & (rest != OUTSIDE) & ((share == 0.0) | near | far)
    beside_sand = is_node & (_beside(takes.astype(np.float32)) > 0.0)
    inside = is_node & ~beside_sand & (share > 0.5)
    other = _handed_over(other, inside, beside_sand)
    return metal, _handed_over(other, beside_sand, takes)


def _ways_to(share: Field, is_node: Flags) -> tuple[Flags, Flags]:
    """Return which of the cells with too little metal are beside a node, and beside those."""
    little = (share > 0.0) & ~is_node
    near = little & (_beside(is_node.astype(np.float32)) > 0.0)
    return near, little & ~near & (_beside(near.astype(np.float32)) > 0.0)


def _handed_over(held: Field, gives: Flags, takes: Flags) -> Field:
    """Return what cells hold after some hand all of it in equal parts to neighbors that take."""
    count = _beside(takes.astype(np.float32))
    gives = gives & (count > 0.0)
    part = np.divide(held, count, out=np.zeros_like(held), where=gives)
    kept = np.where(gives, np.float32(0.0), held)
    kept[takes] += _beside(part)[takes]
    return np.asarray(kept, np.float32)


def _beside(values: Field) -> Field:
    """Return the sum over the six neighbors of every cell; the border holds nothing."""
    total = np.zeros_like(values)
    for axis in range(3):
        for shift in (1, -1):
            total += np.roll(values, shift, axis)
    return total
