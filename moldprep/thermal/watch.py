"""When each cell with metal falls through the temperatures near the end of its freezing."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Flags
from moldprep.thermal import kernels
from moldprep.thermal.conduction import HeatFlow
from moldprep.thermal.materials import OUTSIDE, Medium, Tables


class Watched(NamedTuple):
    """What is kept of each cell with metal.

    spots    : (n,) place in the flat grid
    last     : (n,) enthalpy a step ago
    high     : (n,) enthalpy of the cell at the first mark; above it there is nothing to note
    low      : (n,) likewise at the last mark
    crossed  : (n, 3) time of the last fall through each mark, or of the start; UP while above [s]
    gradient : (n,) temperature gradient at the last fall through the first mark; NaN where it was
               colder from the start [K/mm]
    """

    spots: NDArray[np.int32]
    last: NDArray[np.float32]
    high: NDArray[np.float32]
    low: NDArray[np.float32]
    crossed: NDArray[np.float32]
    gradient: NDArray[np.float32]


class Watch:
    """Notes when each cell with metal falls through three temperatures near the end of freezing.

    See `marks_c`.
    """

    def __init__(self, flow: HeatFlow) -> None:
        marks = marks_c(flow.media[0])
        self._levels = np.ascontiguousarray(levels(flow.tables, marks))
        self._flow = flow
        cells = flow.cells
        spots = np.flatnonzero((cells.metal > 0.0) & (cells.rest != OUTSIDE)).astype(np.int32)
        marked = np.stack([flow.level(spots, level) for level in self._levels], axis=1)
        last = flow.heat_j_mm3.ravel()[spots]
        is_up = last[:, None] > marked
        self.seen = Watched(
            spots=spots,
            last=last,
            high=marked[:, 0].copy(),
            low=marked[:, 2].copy(),
            crossed=np.where(is_up, kernels.UP, np.float32(flow.time_s)),
            gradient=np.where(is_up[:, 0], np.float32(0.0), np.float32(np.nan)),
        )
        self.n_up = int(is_up[:, 2].sum())

    def note(self, step_s: float) -> int:
        """Look at every cell after a step; return how many have not passed the last mark."""
        flow = self._flow
        self.n_up = int(
            kernels.mark(
                flow.heat_j_mm3, self.seen, self._levels, flow.cells, flow.tables, flow.time_s,
                step_s, np.float32(flow.pitch_mm),
            )
        )  # fmt: skip
        return self.n_up

    def among(self, cells: Flags) -> NDArray[np.intp]:
        """Return which of the watched are among these cells of the grid."""
        return np.flatnonzero(np.pad(cells, 2).ravel()[self.seen.spots])

    def are_past(self, which: NDArray[np.intp]) -> bool:
        """Return whether these of the watched are all below the last mark."""
        if self.n_up > len(self.seen.spots) - len(which):
            return False
        flat = self._flow.heat_j_mm3.ravel()
        return bool((flat[self.seen.spots[which]] <= self.seen.low[which]).all())

    def on_grid(self) -> NDArray[np.float32]:
        """Return (4, nx, ny, nz) the three times and the gradient; UP where not passed yet.

        Cells that others stand for have the mean of those beside them, see `cells.shared_out`.
        """
        shape, seen = self._flow.cells.metal.shape, self.seen
        found = np.full((4, *shape), kernels.UP, np.float32)
        flat = found.reshape(4, -1)
        flat[:3, seen.spots] = seen.crossed.T
        flat[3, seen.spots] = np.where(seen.crossed[:, 0] == kernels.UP, kernels.UP, seen.gradient)
        is_known = np.zeros(shape, bool)
        is_known.ravel()[seen.spots] = True
        for values in found:
            _spread(_spread(is_known, values), values)
        return found[:, 2:-2, 2:-2, 2:-2]


def _spread(is_known: Flags, values: NDArray[np.float32]) -> Flags:
    """Set cells beside known ones to their mean, or UP if one of them is; return what is known."""
    count, total = np.zeros(values.shape, np.uint8), np.zeros_like(values)
    is_up = np.zeros_like(is_known)
    known = np.where(is_known, values, np.float32(0.0))
    for axis in range(3):
        for shift in (1, -1):
            count += np.roll(is_known, shift, axis)
            total += np.roll(known, shift, axis)
            is_up |= np.roll(known == kernels.UP, shift, axis)
    new = ~is_known & (count > 0)
    values[new] = np.where(is_up[new], kernels.UP, total[new] / count[new])
    return np.asarray(is_known | new)


def marks_c(metal: Medium) -> tuple[float, float, float]:
    """Return where gradient and cooling rate are taken, the solidus, and the low end of the rate.

    The first is a tenth of the freezing range over the solidus; the solidus itself where the alloy
    ends in a eutectic.
    """
    solidus = metal.melt[0][0]
    tenth = 0.1 * (metal.melt[-1][0] - solidus)
    ends_flat = metal.melt[1][0] == solidus and metal.melt[1][1] > 0.05
    hot = solidus if ends_flat else solidus + tenth
    return hot, solidus, min(hot - max(tenth, 2.0), solidus)


def levels(tables: Tables, at_c: tuple[float, ...]) -> NDArray[np.float32]:
    """Return (n, m) enthalpy of each medium at n marks; before the metal's jump, if any."""
    at = np.asarray(at_c, np.float32)
    above = np.clip(np.searchsorted(tables.knot_c, at, "left"), 1, len(tables.knot_c) - 1)
    low, high = tables.knot_c[above - 1], tables.knot_c[above]
    share = (at - low) / (high - low)
    heat = tables.heat
    return np.asarray((heat[:, above - 1] * (1.0 - share) + heat[:, above] * share).T, np.float32)
