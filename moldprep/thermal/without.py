"""What a mold would leave cut off without one of its feeders, its heat aside."""

import numpy as np

from moldprep.records import Freezing, Grid, Metal, Role
from moldprep.thermal.feeding import NOISE_SHARE, SOURCES
from moldprep.thermal.pools import find_pools


def cut_off_mm3(freezing: Freezing, grid: Grid, metal: Metal, without: str = "") -> float:
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
        A feeder that gives nothing: as if it had run dry at the start.

    Notes
    -----
    Range: the heat of the feeder left out stays, so that this is the least it is good for; only
    a solve of the mold without it tells all.
    """
    gives = [role in SOURCES and name != without for name, role in _parts(metal)]
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
