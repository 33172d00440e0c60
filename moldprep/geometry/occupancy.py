"""Which cubes of a grid have their center inside a solid, by scanline parity."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats, Solid

NUDGE = np.array([3.1e-4, 1.7e-4])
"""Shift of every column, as a share of the pitch, so that it misses edges of round numbers."""


@dataclass(frozen=True)
class Lattice:
    """A box of cubes: shape (nx, ny, nz), pitch [mm], corner of cube (0, 0, 0) [mm]."""

    shape: tuple[int, int, int]
    pitch_mm: float
    origin_mm: Floats

    @classmethod
    def around(cls, bounds: Floats, pitch_mm: float, belt: int = 1) -> "Lattice":
        """Return the lattice that covers bounds (2, 3), with `belt` more cubes on each side."""
        size = np.ceil((bounds[1] - bounds[0]) / pitch_mm).astype(int) + 2 * belt
        nx, ny, nz = (max(int(n), 1) for n in size)
        return cls((nx, ny, nz), pitch_mm, bounds[0] - belt * pitch_mm)

    def center_mm(self, index: NDArray[np.integer]) -> Floats:
        """Return the centers of (n, 3) or (3,) cubes. [mm]"""
        return np.asarray(self.origin_mm + (index + 0.5) * self.pitch_mm)


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
