"""Sections beyond a feeder's reach, held against the heat solve.

Distances stand for plates and bars alone; the solve knows the casting.
"""

from typing import Final

import numpy as np

from moldprep.records import Alloy, Feeding, FeedPair, Freezing

FAR_BEYOND: Final = 2.0
"""Times its reach from which a section is too far from its feeder even by later, longer distances:
C. Beckermann and others, rules for steel of about twice the 1973 distances (SFSA, Feeding &
Risering Guidelines for Steel Castings, 2001)."""

LOW_NIYAMA_PCT: Final = 5.0
"""Share of a body that may be under the alloy's Niyama limit (common practice, no source). [%]"""

POOL_PCT: Final = 0.5
"""Liquid that may be cut off in a section, of its volume (common practice, no source). [%]"""


def low_niyama_pct(section: str, feeding: Feeding, freezing: Freezing, alloy: Alloy) -> float:
    """Return the share of a section under the alloy's Niyama limit. [%]"""
    row = 1 + [one.name for one in feeding.sections].index(section)
    niyama = freezing.niyama[feeding.label == row]
    niyama = niyama[np.isfinite(niyama)]
    return 100.0 * float(np.mean(niyama < alloy.niyama_limit)) if len(niyama) else 0.0


def pool_pct(section: str, feeding: Feeding) -> float:
    """Return the largest pool cut off in a section, over what it lies in. [%]"""
    shares = (
        spot.isolated_volume_mm3 / max(spot.section_volume_mm3, 1e-9)
        for spot in feeding.hot_spots
        if spot.section == section and not spot.fed_by
    )
    return 100.0 * max(shares, default=0.0)


def worst_pairs(feeding: Feeding) -> dict[str, FeedPair]:
    """Return for each section the feeder whose part of it goes farthest beyond its reach."""
    worst: dict[str, FeedPair] = {}
    for pair in feeding.pairs:
        if pair.section not in worst or stretch(pair) > stretch(worst[pair.section]):
            worst[pair.section] = pair
    return worst


def stretch(pair: FeedPair) -> float:
    """Return a feeder's way to the end of its part of a section, over its reach. [-]"""
    return pair.distance_mm / max(pair.reach_mm, 1e-9)


def unreached(feeding: Feeding, freezing: Freezing, alloy: Alloy) -> frozenset[str]:
    """Return the sections of a steel that are far beyond reach, and the solve agrees."""
    if alloy.family != "steel":
        return frozenset()
    return frozenset(
        section
        for section, pair in worst_pairs(feeding).items()
        if stretch(pair) > FAR_BEYOND
        and (
            pool_pct(section, feeding) > POOL_PCT
            or low_niyama_pct(section, feeding, freezing, alloy) > LOW_NIYAMA_PCT
        )
    )
