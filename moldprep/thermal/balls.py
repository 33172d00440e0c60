"""The largest balls that fit inside a body, and how thick the body is by them.

Thickness at a place is the diameter of the largest ball inside the body that covers it. Centers and
radii come from the body's own surface, not from its cells, so they go with it however it lies.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.measure import depth_and_chord
from moldprep.geometry.rays import Rays
from moldprep.thermal.curves import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shares = NDArray[np.float32]

SLOPE: Final = 0.8
"""Depth rises by at least 0.89 a step toward one of the 26 neighbors, but on ridges."""

CHORDS: Final = 4
"""Times a ball is measured and moved to the middle of the chord through it."""

ALIKE: Final = 1.0 - 1e-4
"""In a bar, the middle between the first two walls is no deeper yet; between the next two it is."""

PINCHED: Final = 1.02
"""A ball whose chord is no longer than this share of its diameter is held between two walls, and
cannot grow."""

TRIES: Final = (0.5, 0.5, 0.25, 0.125)
"""Steps by which the highest balls look about for more room, as shares of the pitch."""

NEAR_TOP: Final = 0.35
"""A ball may be smaller than one beside it by this share of the pitch, and still stand for the
top of a ridge between their cells."""

NEIGHBORS: Final = np.array(
    [
        (i, j, k)
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
        for k in (-1, 0, 1)
        if (i, j, k) != (0, 0, 0)
    ]
)

BELT: Final = 0.2
"""Balls cover cells up to this many cells beyond their skin: their centers stand a cell apart."""


@dataclass(frozen=True, eq=False)
class Balls:
    """Balls inside a body, each as large as it gets where it is.

    at_mm     : (n, 3) centers
    radius_mm : (n,) [mm]
    cell      : (n,) flat number of the cell each was found from
    """

    at_mm: Floats
    radius_mm: Floats
    cell: Ints


def depths(rays: Rays, inside: NDArray[np.bool_], lattice: Lattice) -> Shares:
    """Return (nx, ny, nz) distance from each inner cell's center to the surface; 0 outside. [mm]"""
    cell = np.flatnonzero(inside)
    at = lattice.center_mm(_index(cell, inside.shape))
    near, _ = rays.nearest(at)
    depth = np.zeros(inside.shape, np.float32)
    depth.ravel()[cell] = np.maximum(np.linalg.norm(at - near, axis=1), 1e-3)
    return depth


def largest_balls(rays: Rays, depth: Shares, lattice: Lattice) -> Balls:
    """Return the balls whose union is the body.

    Parameters
    ----------
    rays
        Of the body.
    depth
        (nx, ny, nz) distance to the surface, 0 outside and all around. [mm]
    lattice
        The cells.
    """
    pitch = lattice.pitch_mm
    cell = np.flatnonzero(depth)
    rise = _steepest(depth, cell) / pitch
    cell = cell[rise < SLOPE]
    at, radius, chord = centered(rays, lattice.center_mm(_index(cell, depth.shape)), pitch)
    near_top = _near_top(radius, cell, depth.shape, NEAR_TOP * pitch)
    free = np.flatnonzero(near_top & (chord > PINCHED * 2.0 * radius))
    at[free], radius[free] = _grown(rays, at[free], radius[free], pitch)
    return Balls(at, radius, cell)


def thickness_by(balls: Balls, inside: NDArray[np.bool_], lattice: Lattice) -> Shares:
    """Return (nx, ny, nz) diameter of the largest ball that covers each inner cell. [cells]"""
    center = (balls.at_mm - lattice.origin_mm) / lattice.pitch_mm - 0.5
    thickness = np.zeros(inside.shape, np.float32)
    order = np.argsort(-balls.radius_mm, kind="stable")
    _cover(thickness, center[order], balls.radius_mm[order] / lattice.pitch_mm, BELT)
    return thickness * inside


def _index(cell: Ints, shape: tuple[int, ...]) -> Ints:
    return np.stack(np.unravel_index(cell, shape), axis=1)


def _steepest(depth: Shares, cell: Ints) -> Floats:
    """Return (n,) by how much depth rises toward a neighbor at most, for each cell of the way."""
    flat, steps = depth.ravel(), np.array(depth.strides) // depth.itemsize
    rise = np.full(len(cell), -np.inf, np.float32)
    for neighbor in NEIGHBORS:
        far = np.float32(np.linalg.norm(neighbor))
        np.maximum(rise, (flat[cell + int(neighbor @ steps)] - flat[cell]) / far, out=rise)
    return rise.astype(np.float64)


def centered(rays: Rays, start: Floats, pitch: float) -> tuple[Floats, Floats, Floats]:
    """Return (center (n, 3), radius (n,), chord (n,)) of balls in the middle of their walls.

    Where the nearest surface has another opposite it, the middle between the two is no more than
    two cells away.
    """
    best, radius, length = start.copy(), np.zeros(len(start)), np.zeros(len(start))
    goes, at = np.arange(len(start)), start
    for _ in range(CHORDS):
        deep, chord, middle = depth_and_chord(rays, at)
        better = deep > ALIKE * radius[goes]
        goes, at, deep = goes[better], at[better], deep[better]
        chord, middle = chord[better], middle[better]
        best[goes], radius[goes], length[goes] = at, deep, chord
        near = np.linalg.norm(middle - at, axis=1) < 2.0 * pitch
        goes, at = goes[near], middle[near]
    return best, radius, length


def _near_top(
    radius: Floats, cell: Ints, shape: tuple[int, ...], slack_mm: float
) -> NDArray[np.bool_]:
    """Return (n,) whether no ball beside this one is larger by more than the slack."""
    whole = np.zeros(shape, np.float32)
    flat, steps = whole.reshape(-1), np.array(whole.strides) // whole.itemsize
    flat[cell] = radius
    most = np.zeros(len(cell), np.float32)
    for neighbor in NEIGHBORS:
        np.maximum(most, flat[cell + int(neighbor @ steps)], out=most)
    return np.asarray(radius > most - slack_mm)


def _grown(rays: Rays, at: Floats, radius: Floats, pitch: float) -> tuple[Floats, Floats]:
    """Return (center, radius) of balls after they have looked about for more room.

    A place has no more room than its distance from any point of the surface: where that is no more
    than the ball has already, by the points met a step before, it is not measured.
    """
    at, radius = at.copy(), radius.copy()
    ways = NEIGHBORS[np.abs(NEIGHBORS).sum(axis=1) == 3]
    ways = ways / np.linalg.norm(ways, axis=1, keepdims=True)
    met = np.repeat(rays.nearest(at)[0][:, None], len(ways), axis=1)
    for share in TRIES:
        tried = at[:, None] + share * pitch * ways
        is_open = _most_room(tried, met) > radius[:, None]
        met[is_open], _ = rays.nearest(tried[is_open])
        room = np.where(is_open, np.linalg.norm(tried - met, axis=2), 0.0)
        best = room.argmax(axis=1)
        row = np.flatnonzero(room[np.arange(len(at)), best] > radius)
        at[row], radius[row] = tried[row, best[row]], room[row, best[row]]
    return at, radius


def _most_room(tried: Floats, met: Floats) -> Floats:
    """Return (n, k) distance of the k places tried for each ball from the surface points it met.

    Of k points met, (n, k, 3), the nearest counts.
    """
    least = np.full(tried.shape[:2], np.inf)
    for m in range(met.shape[1]):
        gap = np.linalg.norm(tried - met[:, m, None], axis=2)
        np.minimum(least, gap, out=least)
    return least


@compiled()
def _cover(thickness: Shares, center: Floats, radius: Floats, belt: float) -> None:
    """Write on every cell the diameter of the largest ball that covers its center."""
    nx, ny, nz = thickness.shape
    for b in range(len(radius)):
        x, y, z = center[b]
        thick = np.float32(2.0 * radius[b])
        reach = radius[b] + belt
        for i in range(max(0, int(np.ceil(x - reach))), min(nx, int(x + reach) + 1)):
            across = reach**2 - (i - x) ** 2
            for j in range(max(0, int(np.ceil(y - reach))), min(ny, int(y + reach) + 1)):
                left = across - (j - y) ** 2
                if left < 0.0:
                    continue
                half = np.sqrt(left)
                for k in range(max(0, int(np.ceil(z - half))), min(nz, int(z + half) + 1)):
                    if thickness[i, j, k] < thick:
                        thickness[i, j, k] = thick
