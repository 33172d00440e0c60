"""How far metal falls in a casting that is gated one way: a flood on coarse cells."""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from moldprep.arrays import Ints
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.solid import Floats, Solid
from moldprep.records import Alloy, FeederPlan
from moldprep.rigging.gate_limits import critical_fall_mm
from moldprep.rigging.gates.sides import Gate, Side
from moldprep.rigging.stream.flood import rise
from moldprep.rigging.stream.space import SOLID_SHARE

CELLS: Final = 250_000
"""Cells of the casting's box: a fall is good to one of them."""

DEEPER: Final = (0.6, 1.2, 2.0)
"""How far behind the wall a gate's cells are looked for, in cells."""


FALLS: Final = 4.0
"""What a millimetre of fall beyond what the alloy bears costs, in mm of gate."""

PLACE: Final = 0.25
"""Falls so near to each other, over the casting's longer side, are one (common practice, no
source). [-]"""


class Falls:
    """The casting in coarse cells, flooded from gates."""

    def __init__(self, solid: Solid, alloy: Alloy) -> None:
        pitch = float((np.prod(solid.size_mm) / CELLS) ** (1.0 / 3.0))
        self._lattice = Lattice.around(solid.bounds, pitch, belt=1)
        self._inside = shares_of(solid, self._lattice) >= SOLID_SHARE
        critical = critical_fall_mm(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
        self._critical_mm = critical
        self._front = max(1, round(critical / pitch))

    def beyond_mm(self, side: Side, feeders: Sequence[FeederPlan]) -> float:
        """Return by how much falls are over what the alloy bears, all places of them together."""
        seeds = [cells for gate in side.gates if len(cells := self._cells(gate, side, feeders))]
        if not seeds:
            return 0.0
        n_x, n_y, n_z = self._lattice.shape
        falls = rise(self._inside.ravel(), seeds, self._front, (n_x, n_y, n_z)).falls
        fell = (falls[:, 0] - falls[:, 1]).astype(np.float64)
        beyond = fell * self._lattice.pitch_mm - self._critical_mm
        return self._of_places(falls[beyond > 0.0, 0], beyond[beyond > 0.0])

    def cost_mm(self, side: Side, feeders: Sequence[FeederPlan]) -> float:
        """Return what the falls of a side cost. [mm of gate]"""
        return FALLS * self.beyond_mm(side, feeders)

    def _of_places(self, lips: Ints, beyond_mm: Floats) -> float:
        """Return the sum of the highest falls of each place: a stream as wide as it is falls once.

        A place is as large as `PLACE` of the casting.
        """
        at = np.stack(np.unravel_index(lips, self._lattice.shape), axis=1)
        apart = PLACE * max(self._lattice.shape[:2])
        kept: list[int] = []
        for k in np.argsort(-beyond_mm, kind="stable"):
            if not kept or np.linalg.norm(at[kept] - at[k], axis=1).min() > apart:
                kept.append(int(k))
        return float(beyond_mm[kept].sum())

    def _cells(self, gate: Gate, side: Side, feeders: Sequence[FeederPlan]) -> Ints:
        """Return the flat cells of the casting that a gate opens into."""
        for points in self._mouths(gate, side, feeders):
            off = (points - self._lattice.origin_mm) / self._lattice.pitch_mm
            index = np.floor(off).astype(np.int64)
            index = index[((index >= 0) & (index < self._lattice.shape)).all(axis=1)]
            flat = np.unique(np.ravel_multi_index(tuple(index.T), self._lattice.shape))
            found: Ints = flat[self._inside.ravel()[flat]]
            if len(found):
                return found
        return np.empty(0, np.int64)

    def _mouths(self, gate: Gate, side: Side, feeders: Sequence[FeederPlan]) -> Iterator[Floats]:
        """Yield points just behind a gate's wall, or where its feeder's neck meets the casting."""
        pitch = self._lattice.pitch_mm
        necks = [np.array([f.neck_to_mm]) for f in feeders if f.name == gate.into]
        if necks:
            yield from (necks[0] + (0.0, 0.0, up * pitch) for up in (0.0, 0.5, -0.5))
            return
        low, high = side.way.gate_band_mm(gate.height_mm)
        half = 0.5 * gate.width_mm
        along = gate.along_mm + np.linspace(-half, half, 2 + int(2.0 * gate.width_mm / pitch))
        heights = np.linspace(low, high, 2 + int(2.0 * gate.height_mm / pitch))
        s, z = (part.ravel() for part in np.meshgrid(along, heights))
        for deeper in DEEPER:
            out = gate.wall_mm - deeper * pitch
            level = s[:, None] * side.way.along + out * side.way.out
            yield np.column_stack([level, z])
