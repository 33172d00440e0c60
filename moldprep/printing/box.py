"""Pieces placed in the printer's job boxes, by their extents.

Loose sand carries whatever lies above it, so a piece may sit at any height of the box. A layer
costs the same time full or empty: the aim is few boxes first, then low ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Floats
from moldprep.printing.estimate import estimate_print
from moldprep.records import BoxItem, BoxPlan, Job, Mold, Printer, Sand

ROUND_OFF_MM = 1e-6
"""A piece this much over the box is not over it."""

FEW = 16
"""Up to so many pieces in a box, every corner between them is tried: n³ of them."""


@dataclass(frozen=True)
class _Spot:
    """One piece in one box: its low corner and its extents as turned. [mm]"""

    row: int
    box: int
    is_turned: bool
    low: Floats
    size: Floats


def pack_boxes(mold: Mold, printer: Printer, sand: Sand, job: Job) -> BoxPlan:
    """Return where each piece lies in the job boxes, and what the print run takes.

    Parameters
    ----------
    mold
        Its pieces are placed, upright as they are poured, turned about z by quarter turns.
    printer
        Box, gap to the walls, layers.
    sand
        Density and binder.
    job
        Gap between pieces.
    """
    bounds = np.array([piece.solid.bounds for piece in mold.pieces]).reshape(-1, 2, 3)
    sizes = bounds[:, 1] - bounds[:, 0]
    room = usable_box(printer)
    over = overhang_mm(sizes, room)
    fits = (over <= ROUND_OFF_MM).all(axis=1)
    spots = _fill(sizes, np.flatnonzero(fits), room, job.box.gap_mm)
    heights = [
        max(float(spot.low[2] + spot.size[2]) for spot in spots if spot.box == box)
        for box in range(1 + max((spot.box for spot in spots), default=-1))
    ]
    placed_mm3 = sum(mold.pieces[row].solid.volume_mm3 for row in np.flatnonzero(fits))
    run = estimate_print(heights, placed_mm3, printer, sand)
    corner = np.array([printer.wall_gap_mm, printer.wall_gap_mm, 0.0])
    return BoxPlan(
        items=tuple(
            BoxItem(
                piece=mold.pieces[spot.row].name,
                box=spot.box + 1,
                turn_deg=90.0 if spot.is_turned else 0.0,
                move_mm=_move(bounds[spot.row], spot, corner),
            )
            for spot in sorted(spots, key=lambda spot: spot.row)
        ),
        too_large=tuple(
            (mold.pieces[row].name, np.maximum(over[row], 0.0)) for row in np.flatnonzero(~fits)
        ),
        n_boxes=len(heights),
        n_layers=run.n_layers,
        print_time_s=run.print_time_s,
        sand_kg=run.sand_kg,
        binder_kg=run.binder_kg,
        heights_mm=tuple(heights),
        printed_kg=run.printed_kg,
        fill_pct=run.fill_pct,
    )


def usable_box(printer: Printer) -> Floats:
    """Return (3,) the box less the gap to its side walls. [mm]"""
    gap = 2.0 * printer.wall_gap_mm
    return np.subtract(printer.box_mm, (gap, gap, 0.0))


def overhang_mm(sizes: Floats, room: Floats) -> Floats:
    """Return (n, 3) how far extents (n, 3) are over the room, the better way round. [mm]

    Examples
    --------
    >>> overhang_mm(np.array([[300.0, 500.0, 120.0]]), np.array([520.0, 280.0, 200.0]))
    array([[-20.,  20., -80.]])
    """
    straight = sizes - room
    turned = sizes[:, [1, 0, 2]] - room
    is_better = turned[:, :2].max(axis=1) < straight[:, :2].max(axis=1)
    return np.where(is_better[:, None], turned, straight)


def _fill(sizes: Floats, rows: NDArray[np.intp], room: Floats, gap_mm: float) -> list[_Spot]:
    """Return the best of a few packings: fewest boxes, then least total height."""
    foot = sizes[:, 0] * sizes[:, 1]
    longest = sizes[:, :2].max(axis=1)
    orders = (foot, sizes[:, 2], foot * sizes[:, 2], longest)
    tries = [
        _place(sizes, rows[np.lexsort((rows, -order[rows]))], room, gap_mm) for order in orders
    ]
    return min(tries, key=_cost)


def _cost(spots: Sequence[_Spot]) -> tuple[int, float]:
    tops: dict[int, float] = {}
    for spot in spots:
        tops[spot.box] = max(tops.get(spot.box, 0.0), float(spot.low[2] + spot.size[2]))
    return len(tops), sum(tops.values())


def _place(sizes: Floats, rows: NDArray[np.intp], room: Floats, gap_mm: float) -> list[_Spot]:
    """Return spots, each piece in turn at the corner that keeps the print lowest."""
    spots: list[_Spot] = []
    for row in rows:
        box = 0
        spot = None
        while spot is None:
            taken = [other for other in spots if other.box == box]
            spot = _lowest(int(row), box, sizes[row], taken, room, gap_mm)
            box += 1
        spots.append(spot)
    return spots


def _lowest(
    row: int, box: int, size: Floats, taken: Sequence[_Spot], room: Floats, gap_mm: float
) -> _Spot | None:
    """Return the free corner with the lowest top, or None when the box is full."""
    lows = np.array([spot.low for spot in taken]).reshape(-1, 3)
    highs = lows + np.array([spot.size for spot in taken]).reshape(-1, 3)
    best: tuple[tuple[float, ...], _Spot] | None = None
    for is_turned in (False, True):
        turned = size[[1, 0, 2]] if is_turned else size
        corners = _corners(taken, room - turned, gap_mm)
        tops = corners + turned
        clear = (
            (tops[:, None] + gap_mm <= lows[None] + ROUND_OFF_MM)
            | (corners[:, None] + ROUND_OFF_MM >= highs[None] + gap_mm)
        ).any(axis=2)
        for k in np.flatnonzero(clear.all(axis=1)):
            key = (float(tops[k, 2]), *map(float, corners[k, ::-1]), float(is_turned))
            if best is None or key < best[0]:
                best = key, _Spot(row, box, is_turned, corners[k], turned)
    return None if best is None else best[1]


def _corners(taken: Sequence[_Spot], last: Floats, gap_mm: float) -> Floats:
    """Return (n, 3) corners worth trying, none beyond `last`.

    A few pieces: every meeting of planes beside, behind and above them. Many: next to each only.
    """
    lows = np.array([spot.low for spot in taken]).reshape(-1, 3)
    ends = lows + np.array([spot.size for spot in taken]).reshape(-1, 3) + gap_mm
    if len(taken) > FEW:
        nexts = np.where(np.eye(3, dtype=bool)[None], ends[:, None], lows[:, None])
        corners = np.vstack([np.zeros((1, 3)), nexts.reshape(-1, 3)])
    else:
        axes = [np.unique([0.0, *ends[:, k]]) for k in range(3)]
        corners = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(corners[(corners <= last + ROUND_OFF_MM).all(axis=1)])


def _move(bounds: Floats, spot: _Spot, corner: Floats) -> tuple[float, float, float]:
    """Return the shift that brings the (turned) piece's low corner to its spot. [mm]"""
    (x0, y0, z0), (_, y1, _) = bounds
    low = np.array([-y1, x0, z0]) if spot.is_turned else np.array([x0, y0, z0])
    x, y, z = corner + spot.low - low
    return float(x), float(y), float(z)
