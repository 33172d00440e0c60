"""What a mold would leave cut off without some of its feeders, their heat aside."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.records import Feeding, Freezing, Grid, Metal, Role
from moldprep.thermal.feeding import NOISE_SHARE, SOURCES
from moldprep.thermal.pools import find_pools

NEEDED_MM3: Final = 1000.0
"""What must be cut off without a feeder for it to count as needed (common practice, no source)."""


@dataclass(frozen=True)
class Loss:
    """What a mold lacks without some feeders, against all of them. [mm³]

    more_mm3  : metal cut off besides
    short_mm3 : feed metal that the feeders left have too little
    """

    more_mm3: float
    short_mm3: float

    @property
    def is_none(self) -> bool:
        """Whether the mold does without them, as far as can be told with their heat in it."""
        return self.more_mm3 < NEEDED_MM3 and not self.short_mm3 > 0.0


class Without:
    """Tries one mold without some of its feeders."""

    def __init__(self, freezing: Freezing, grid: Grid, metal: Metal, feeding: Feeding) -> None:
        self._freezing, self._grid, self._metal = freezing, grid, metal
        self._has = {pair.feeder: pair.can_give_mm3 for pair in feeding.pairs}
        self._need_mm3 = sum(pair.need_mm3 for pair in feeding.pairs)
        self._before_mm3 = cut_off_mm3(freezing, grid, metal)

    def loss(self, feeders: Collection[str]) -> Loss:
        """Return what is lacking without some feeders."""
        cut_off = cut_off_mm3(self._freezing, self._grid, self._metal, feeders)
        left = sum(amount for name, amount in self._has.items() if name not in feeders)
        return Loss(max(cut_off - self._before_mm3, 0.0), max(self._need_mm3 - left, 0.0))


def cut_off_mm3(
    freezing: Freezing, grid: Grid, metal: Metal, without: Collection[str] = ()
) -> float:
    """Return the metal of all castings that loses its last source before it freezes. [mm³]

    Parameters
    ----------
    freezing
        Freezing time of every cell; taken as it is, also for the feeder that is left out.
    grid
        The metal's cells, labeled by part.
    metal
        Names and roles of the parts.
    without
        Feeders that give nothing: as if they had run dry at the start.

    Notes
    -----
    Range: the heat of the feeders left out stays, so that this is the least they are good for; only
    a solve of the mold without them tells all.
    """
    gives = [role in SOURCES and name not in without for name, role in _parts(metal)]
    source = np.where(np.array([False, *gives])[grid.label], grid.label, 0).astype(np.uint16)
    pools = find_pools(freezing.time_s, source)
    if not len(pools.closed_s):
        return 0.0
    is_casting = np.array([False, *(role is Role.CASTING for _, role in _parts(metal))])
    pool = pools.pool[pools.peak]
    last_s = np.zeros(len(pools.closed_s))
    np.maximum.at(last_s, pools.pool[pools.pool >= 0], pools.peak_s[pools.pool >= 0])
    counts = last_s - pools.closed_s > NOISE_SHARE * last_s
    lost = (pool >= 0) & is_casting[grid.label.ravel()[pools.cell]]
    lost &= counts[pool] & (pools.time_s > pools.closed_s[pool])
    return float(grid.fraction.ravel()[pools.cell[lost]].sum()) * grid.pitch_mm**3


def _parts(metal: Metal) -> list[tuple[str, Role]]:
    return list(zip(metal.parts, metal.roles, strict=True))
