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

LINES: Final = 2
"""Rays per column and direction across one cell."""

NUDGE: Final = np.array([3.1e-4, 1.7e-4])
"""Shift of every column, as a share of the pitch, so that it misses edges of round numbers."""


def occupied(solid: Solid, lattice: Lattice) -> NDArray[np.bool_]:
    """Return (nx, ny, nz) whether each cube's center is inside the solid."""
    inside = np.zeros(lattice.shape, bool)
    if solid.is_empty:
        return inside
    nx, ny, nz = lattice.shape
    pitch, origin = lattice.pitch_mm, lattice.origin_mm
    x = origin[0] + (np.arange(nx) + 0.5 + NUDGE[0]) * pitch
    y = origin[1] + (np.arange(ny) + 0.5 + NUDGE[1]) * pitch
    start = np.empty((nx * ny, 3))
    start[:, 0], start[:, 1] = np.repeat(x, ny), np.tile(y, nx)
    start[:, 2] = min(origin[2], solid.bounds[0, 2]) - pitch
    hits = Rays.of(solid).crossings(start, np.array([0.0, 0.0, 1.0]))
    height = start[0, 2] + hits.distance
    row = np.clip(np.ceil((height - origin[2]) / pitch - 0.5), 0, nz).astype(np.int64)
    flips = np.bincount(hits.ray * (nz + 1) + row, minlength=nx * ny * (nz + 1))
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
    rays, normals = Rays(points, faces), unit_normals(points[faces])
    mean, weighed, weight = (np.zeros(part.shape) for _ in range(3))
    for axis in range(3):
        share, crossed = _along(rays, normals[:, axis], part, axis)
        mean += share / 3.0
        weighed += crossed * share
        weight += crossed
    uncut = np.round(mean)  # the axes vote: a ray that missed an edge is wrong all along its line
    cut = np.divide(weighed, weight, out=uncut, where=weight > 0.0)
    whole[window] = np.clip(cut, 0.0, 1.0)
    whole[whole > 1.0 - 1e-5] = 1.0
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
