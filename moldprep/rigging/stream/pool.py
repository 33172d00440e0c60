"""Pool: how much a vessel holds up to each height."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Solid

N_SLICES: Final = 96
"""Cuts through a cavity for its curve of volume over height."""


@dataclass(frozen=True, eq=False)
class Pool:
    """Volume of a vessel over the height of its level; both arrays rise."""

    z_mm: Floats
    volume_mm3: Floats

    @classmethod
    def of(cls, solids: list[Solid], n_slices: int = N_SLICES) -> "Pool":
        """Return the pool of bodies that fill together, from cuts at even heights."""
        low = min(float(solid.bounds[0, 2]) for solid in solids)
        high = max(float(solid.bounds[1, 2]) for solid in solids)
        edges = np.linspace(low, high, n_slices + 1)
        area = np.zeros(n_slices)
        for solid in solids:
            inside = (edges[:-1] < solid.bounds[1, 2]) & (edges[1:] > solid.bounds[0, 2])
            cuts = np.zeros(n_slices)
            for k in np.flatnonzero(inside):
                cuts[k] = solid.slice_at(0.5 * (edges[k] + edges[k + 1])).area
            if cuts.sum() > 0.0:
                area += cuts * (solid.volume_mm3 / (cuts.sum() * (edges[1] - edges[0])))
        volume = np.concatenate([[0.0], np.cumsum(area) * (edges[1] - edges[0])])
        return cls(edges, volume)

    def level_mm(self, volume_mm3: float) -> float:
        """Return the height of the level of a volume. [mm]"""
        return float(np.interp(volume_mm3, self.volume_mm3, self.z_mm))

    def below(self, z_mm: float) -> "Pool":
        """Return the pool up to a height."""
        if z_mm >= self.z_mm[-1]:
            return self
        keep = self.z_mm < z_mm
        top = float(np.interp(z_mm, self.z_mm, self.volume_mm3))
        return Pool(np.append(self.z_mm[keep], z_mm), np.append(self.volume_mm3[keep], top))

    @property
    def whole_mm3(self) -> float:
        """Volume up to the top. [mm³]"""
        return float(self.volume_mm3[-1])
