"""How much of each cube of a lattice is inside a body, or whether its center is.

A ray along each of several lines per column of cells enters and leaves the body at exact places;
the length between them, cut at the cells, is the cell's share. Rays run along all three axes: those
that cross the surface inside a cell know its place there, so each cell listens to them.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.rays import Crossings, Rays
from moldprep.geometry.sampling import unit_normals
from moldprep.geometry.solid import Floats, Solid

Shares = NDArray[np.float32]

NOISE: Final = 1e-5
"""A share this near to none or all is none or all: rays are in single precision."""

LINES: Final = 2
"""Rays per column and direction across one cell."""

NUDGES: Final = ((3.1e-4, 1.7e-4), (0.041, -0.023), (-0.067, 0.059), (0.113, 0.097))
"""Shifts of a column, as shares of the pitch: it is to miss edges, which like round numbers; where
its crossings do not add up, the next is tried."""


def occupied(solid: Solid, lattice: Lattice) -> NDArray[np.bool_]:
    """Return (nx, ny, nz) whether each cube's center is inside the solid.

    A column whose crossings never add up counts as outside.
    """
    inside = np.zeros(lattice.shape, bool)
    if solid.is_empty:
        return inside
    nx, ny, nz = lattice.shape
    pitch, origin = lattice.pitch_mm, lattice.origin_mm
    points, faces = solid.mesh()
    rays, slope = Rays.of(solid), unit_normals(points[faces])[:, 2]
    flips, left = np.zeros(nx * ny * (nz + 1), np.int64), np.arange(nx * ny)
    for nudge in NUDGES:
        start = np.empty((len(left), 3))
        start[:, 0] = origin[0] + (left // ny + 0.5 + nudge[0]) * pitch
        start[:, 1] = origin[1] + (left % ny + 0.5 + nudge[1]) * pitch
        start[:, 2] = min(origin[2], solid.bounds[0, 2]) - pitch
        hits = rays.crossings(start, np.array([0.0, 0.0, 1.0]))
        ray, place, _, is_bad = _checked(hits, slope, len(left))
        good = ~is_bad[ray]
        height = start[0, 2] + place[good]
        row = np.clip(np.ceil((height - origin[2]) / pitch - 0.5), 0, nz).astype(np.int64)
        np.add.at(flips, left[ray[good]] * (nz + 1) + row, 1)
        left = left[is_bad]
        if len(left) == 0:
            break
    parity = np.cumsum(flips.reshape(nx * ny, nz + 1), axis=1)[:, :nz] % 2
    inside[:] = parity.reshape(nx, ny, nz) == 1
    return inside


def shares_of(solid: Solid, lattice: Lattice) -> Shares:
    """Return (nx, ny, nz) how much of each cell is inside a body, 0 to 1."""
    whole = np.zeros(lattice.shape, np.float32)
    window = lattice.window(solid) if not solid.is_empty else (slice(0, 0),) * 3
    part = lattice.part(window)
    if min(part.shape) == 0:
        return whole
    points, faces = solid.mesh()
    rays, normals = Rays.of(solid), unit_normals(points[faces])
    mean, weighed, weight = (np.zeros(part.shape) for _ in range(3))
    for axis in range(3):
        share, crossed = _along(rays, normals[:, axis], part, axis)
        mean += share / 3.0
        weighed += crossed * share
        weight += crossed
    uncut = np.round(mean)  # the axes vote: a ray that missed an edge is wrong all along its line
    cut = np.divide(weighed, weight, out=uncut, where=weight > 0.0)
    whole[window] = np.clip(cut, 0.0, 1.0)
    whole[whole < NOISE] = 0.0
    whole[whole > 1.0 - NOISE] = 1.0
    return whole


def _along(rays: Rays, slope: Floats, lattice: Lattice, axis: int) -> tuple[Floats, Floats]:
    """Return (share, number of crossings) of each cell, seen by rays along one axis."""
    order = [k for k in range(3) if k != axis] + [axis]
    n_a, n_b, n_c = (lattice.shape[k] for k in order)
    a, b = (np.arange(n * LINES) for n in (n_a, n_b))
    line = np.stack(np.meshgrid(a, b, indexing="ij"), axis=-1).reshape(-1, 2)
    column = (line[:, 0] // LINES) * n_b + line[:, 1] // LINES
    rise, crossed = np.zeros(n_a * n_b * (n_c + 2)), np.zeros(n_a * n_b * (n_c + 2))
    left = np.arange(len(line))
    for jitter in (0.011, 0.137, -0.093):  # off the round numbers that edges like to sit on
        origin = np.empty((len(left), 3))
        for k, one in zip(order[:2], line[left].T, strict=True):
            place = (one + 0.5 + jitter) / LINES
            origin[:, k] = lattice.origin_mm[k] + place * lattice.pitch_mm
        origin[:, axis] = lattice.origin_mm[axis] - lattice.pitch_mm
        hits = rays.crossings(origin, np.eye(3)[axis])
        ray, place, sign, is_bad = _checked(hits, slope, len(left))
        good = ~is_bad[ray]
        where = place[good] / lattice.pitch_mm - 1.0
        cell = np.clip(np.floor(where), 0, n_c).astype(np.int64)
        at = column[left[ray[good]]] * (n_c + 2) + cell
        part, sign = where - cell, sign[good]
        np.add.at(rise, at, sign * (1.0 - part))
        np.add.at(rise, at + 1, sign * part)
        np.add.at(crossed, at, 1.0)
        left = left[is_bad]
        if len(left) == 0:
            break
    shape, back = (n_a, n_b, n_c + 2), np.argsort(order)
    share = np.cumsum(rise.reshape(shape), axis=2)[:, :, :n_c] / LINES**2
    return share.transpose(back), crossed.reshape(shape)[:, :, :n_c].transpose(back)


def _checked(
    hits: Crossings, slope: Floats, n_rays: int
) -> tuple[NDArray[np.int64], Floats, Floats, NDArray[np.bool_]]:
    """Return (ray, place, +1 in or -1 out) of the crossings, and which rays do not add up.

    A ray through an edge meets two facets at one place; the second is dropped.
    """
    sign = -np.sign(slope[hits.facet])
    is_twin = np.zeros(len(sign), bool)
    is_twin[1:] = (
        (np.diff(hits.ray) == 0) & (np.diff(hits.distance) < 1e-4) & (sign[1:] == sign[:-1])
    )
    keep = (sign != 0.0) & ~is_twin
    ray, place, sign = hits.ray[keep], hits.distance[keep], sign[keep]
    inside = np.cumsum(sign)
    total = np.bincount(ray, sign, n_rays)
    before = np.concatenate([[0.0], np.cumsum(total)])[ray]
    is_bad = total != 0.0
    level = inside - before
    is_bad[ray[(level < -0.5) | (level > 1.5)]] = True
    return ray, place, sign, is_bad
