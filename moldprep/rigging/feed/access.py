"""Whether a seat can be reached: its sleeve goes into the sand, its air comes out."""

import math
from functools import partial
from typing import Final

from moldprep.rigging.feed.seat import Seat
from moldprep.rigging.feed.site_maps import Maps
from moldprep.rigging.feeders import LARGE_MM, vent_spots

SHAFT_SAND_MM: Final = 6.0
"""Sand round the shaft a sleeve goes down by: a wall of 5 mm and play (common practice, no
source)."""

VENT_ROOM_MM: Final = 5.0
"""Radius of the way up that the narrowest vent and some sand round it need."""


def takes_sleeve(seat: Seat, maps: Maps, joint_mm: float) -> bool:
    """Return whether the pattern leaves a straight way for a seat's sleeve, if it has one.

    Deep in the drag it comes from the joint, else from there or from the top of the cope.
    """
    if seat.sleeve == "none":
        return True
    foot, radius = seat.at_mm[2], 0.5 * seat.size.diameter_mm + seat.sleeve_mm
    top = foot + seat.size.height_mm
    beside = partial(maps.sand_beside_mm, seat.at_mm[:2], radius)
    if top < joint_mm:
        return beside(top, joint_mm) >= SHAFT_SAND_MM
    return foot < joint_mm or beside(joint_mm, foot) > 0.0 or beside(top, math.inf) >= SHAFT_SAND_MM


def has_sky(seat: Seat, maps: Maps) -> bool:
    """Return whether a vent can go up from a seat's feeder, if it is so large that it wants one."""
    diameter = seat.size.diameter_mm
    if diameter < LARGE_MM:
        return True
    top = seat.at_mm[2] + seat.size.height_mm
    return any(
        maps.sand_beside_mm((x, y), VENT_ROOM_MM, top, math.inf) > 0.0
        for x, y in vent_spots(seat.at_mm[:2], diameter)
    )
