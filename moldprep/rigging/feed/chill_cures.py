"""Chills against a pool that was cut off."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from moldprep.records import ChillPlan, FeederPlan, HotSpot, Placement, Section
from moldprep.rigging.feed.elbow_room import ElbowRoom
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.seat import chill_at
from moldprep.thermal.regions import unplaced

LEAST_CHILL_MM: Final = 12.0
LEAST_CHILL: Final = 0.6
"""Width of a chill over the section's thickness; a smaller one only gets hot."""
MOST_CHILLS: Final = 10
"""Chills set against one hot spot in one round at most."""
SHARES: Final = (1.0, 0.5, 0.25)
"""Widths that are tried, over that of one chill as large as the pool."""


def chills_against(
    spot: HotSpot,
    section: Section,
    placement: Placement,
    finder: SeatFinder,
    room: ElbowRoom,
    chills: Sequence[ChillPlan],
    feeders: Sequence[FeederPlan],
) -> list[ChillPlan]:
    """Return chills for a hot spot: one, or a few smaller ones where there is less room."""
    new: list[ChillPlan] = []
    area = (4.0 * spot.isolated_volume_mm3) ** (2.0 / 3.0)
    wide = max(section.thickness_mm, math.sqrt(area))
    for share in SHARES:
        width = share * wide
        if width < min(0.8 * section.thickness_mm, wide):
            break
        while area > 0.0 and len(new) < MOST_CHILLS:
            laid = [*chills, *new]
            added = _one_chill(spot, section, placement, finder, laid, width)
            if added is None or not room.has_chill(added, laid, feeders):
                break
            area -= added.size_mm[0] * added.size_mm[1]
            new.append(added)
    return new


def _one_chill(
    spot: HotSpot,
    section: Section,
    placement: Placement,
    finder: SeatFinder,
    chills: Sequence[ChillPlan],
    width_mm: float,
) -> ChillPlan | None:
    """Return the next chill of about a width against a hot spot."""
    near = unplaced(np.array([spot.at_mm]), placement)[0]
    at = unplaced(np.array([c.at_mm for c in chills]).reshape(-1, 3), placement)
    taken = tuple(
        (float(x), float(y), 0.75 * (max(c.size_mm[:2]) + width_mm))
        for (x, y, z), c in zip(at, chills, strict=True)
        if abs(z - near[2]) < width_mm + section.thickness_mm
    )
    number = finder.number[section.name]
    site = finder.sites.for_chill(number, near, width_mm, section.thickness_mm, taken)
    if site is None:
        return None
    added = chill_at(site, section, next_name("C", [chill.name for chill in chills]), placement)
    least = max(LEAST_CHILL_MM, LEAST_CHILL * section.thickness_mm)
    return added if added.size_mm[0] >= least else None


def next_name(letter: str, names: Sequence[str]) -> str:
    """Return the first name of a letter and a number that is free."""
    used = {name for name in names if name.startswith(letter)}
    return next(f"{letter}{k}" for k in range(1, len(used) + 2) if f"{letter}{k}" not in used)
