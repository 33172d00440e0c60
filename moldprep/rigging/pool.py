"""Pool: how much a vessel holds up to each height, and how long it takes to run empty."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Solid
from moldprep.rigging.hydraulics import Link, solve_network

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


def drain_time_s(pool: Pool, links: list[Link], outlet_mm: float, n_steps: int = 400) -> float:
    """Return the time a vessel takes to run empty through links from node 0 to node 1.

    The same quasi-steady steps as `pour`, with the falling level as the head.

    Parameters
    ----------
    pool
        The vessel.
    links
        Its outlet, from node 0 (vessel) to node 1 (open air). No friction.
    outlet_mm
        Height of the outlet. [mm]
    n_steps
        Steps of volume.
    """
    edges = np.linspace(pool.whole_mm3, 0.0, n_steps + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    levels = [pool.level_mm(volume) for volume in middle]
    rates = [
        solve_network(links, 2, {0: level, 1: outlet_mm}, 0.0).flows_mm3_s.sum() for level in levels
    ]
    return float((pool.whole_mm3 / n_steps / np.array(rates)).sum())
