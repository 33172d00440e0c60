"""A box of cubes in space: where each one is, and which of them a body touches."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Floats, Solid

Window = tuple[slice, slice, slice]


@dataclass(frozen=True)
class Lattice:
    """A box of cubes; the center of cube i is origin + (i + 0.5) pitch."""

    origin_mm: Floats
    shape: tuple[int, int, int]
    pitch_mm: float

    @classmethod
    def around(cls, bounds: Floats, pitch_mm: float, belt: int = 0) -> "Lattice":
        """Return the smallest lattice over bounds (2, 3), its spare shared out evenly.

        `belt` more cubes lie on every side.
        """
        low, high = bounds
        count = np.maximum(np.ceil((high - low) / pitch_mm - 1e-6), 1).astype(int) + 2 * belt
        origin = 0.5 * (low + high) - 0.5 * count * pitch_mm
        return cls(origin, (int(count[0]), int(count[1]), int(count[2])), pitch_mm)

    @classmethod
    def from_corner(cls, bounds: Floats, pitch_mm: float, belt: int = 0) -> "Lattice":
        """Return the lattice over bounds (2, 3), a cube's corner on their lower corner.

        `belt` more cubes lie on every side.
        """
        count = np.maximum(np.ceil((bounds[1] - bounds[0]) / pitch_mm), 1).astype(int) + 2 * belt
        shape = (int(count[0]), int(count[1]), int(count[2]))
        return cls(bounds[0] - belt * pitch_mm, shape, pitch_mm)

    def center_mm(self, index: NDArray[np.integer] | Floats) -> Floats:
        """Return the centers of (n, 3) or (3,) cubes. [mm]"""
        return np.asarray(self.origin_mm + (index + 0.5) * self.pitch_mm)

    def window(self, solid: Solid) -> Window:
        """Return the cells a body's bounds touch."""
        low, high = (solid.bounds - self.origin_mm) / self.pitch_mm
        first = np.clip(np.floor(low - 1e-6).astype(int), 0, self.shape)
        last = np.clip(np.ceil(high + 1e-6).astype(int), first, self.shape)
        x, y, z = (slice(int(a), int(b)) for a, b in zip(first, last, strict=True))
        return x, y, z

    def part(self, window: Window) -> "Lattice":
        """Return the lattice of a window of cells."""
        first = np.array([w.start for w in window])
        n_x, n_y, n_z = (w.stop - w.start for w in window)
        return Lattice(self.origin_mm + first * self.pitch_mm, (n_x, n_y, n_z), self.pitch_mm)
