"""Whether a seat can be reached: its sleeve goes into the sand, its air comes out."""

import math
from functools import partial
from typing import Final

from moldprep.rigging.feed.seat import SHAFT_SAND_MM, Seat
from moldprep.rigging.feed.site_maps import Maps
from moldprep.rigging.feeders import AIR_CORE_CM3, LARGE_MM, vent_spots

VENT_ROOM_MM: Final = 5.0
"""Radius of the way up that the narrowest vent and some sand round it need."""


def takes_sleeve(seat: Seat, maps: Maps) -> bool:
    """Return whether the pattern leaves a straight way for a seat's sleeve, if it has one.

    It is in two pieces where a joint crosses it; else it comes from the joint over it or under it,
    or from the top of the cope.
    """
    if seat.sleeve == "none":
        return True
    foot, radius = seat.at_mm[2], 0.5 * seat.size.diameter_mm + seat.sleeve_mm
    top = foot + seat.size.height_mm
    beside = partial(maps.sand_beside_mm, seat.at_mm[:2], radius)
    if opens_at_joint(seat, maps):
        return True
    under = max((z_mm for z_mm in maps.joints_mm if z_mm <= foot), default=-math.inf)
    over = min((z_mm for z_mm in maps.joints_mm if z_mm >= top), default=math.inf)
    comes_from_below = math.isfinite(under) and beside(under, foot) > 0.0
    return comes_from_below or beside(top, over) >= SHAFT_SAND_MM


def opens_at_joint(seat: Seat, maps: Maps) -> bool:
    """Return whether a joint of the sand crosses a seat's feeder: its cavity can be cleaned."""
    foot, top = seat.at_mm[2], seat.at_mm[2] + seat.size.height_mm
    return any(foot < z_mm < top for z_mm in maps.joints_mm)


def has_sky(seat: Seat, maps: Maps) -> bool:
    """Return whether a vent can go up from a seat's feeder, if it holds too much air without."""
    diameter = seat.size.diameter_mm
    if diameter < LARGE_MM or seat.size.volume_mm3 <= 1e3 * AIR_CORE_CM3:
        return True
    top = seat.at_mm[2] + seat.size.height_mm
    return any(
        maps.sand_beside_mm((x, y), VENT_ROOM_MM, top, math.inf) > 0.0
        for x, y in vent_spots(seat.at_mm[:2], diameter)
    )
