"""What a feeder meets beside its foot or neck, measured on its bodies: openings and thin sand.

Seats are tried with the measures that the finished mold is judged by.
"""

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Body, FeederPlan, Rigging, Role
from moldprep.rigging.bodies import feeder_bodies
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.feed.side_sand import side_sand
from moldprep.rigging.feed.site_maps import FOOT_SHARE
from moldprep.rigging.feed.webs import WEB_MM, fill_webs
from moldprep.rigging.stream.contacts import Patch, crop_to, find_gap, find_patches

BLEND_MM2: Final = 500.0
"""A blend that can be ground off (common practice, no source)."""

BLEND_SHARE: Final = 0.25
"""Area beside a neck over the neck's own section from which it is a second neck."""

LEAST_SAND_MM: Final = 10.0
"""Sand heated from both sides by iron or steel, thinner than this, burns through (common practice,
no source)."""


SEATS_KEPT: Final = 256
"""Seats whose answer is kept: the search comes back to the same places, and each round to them."""


def openings_beside(
    feeder: Solid, castings: Iterable[Solid], floor_mm: float = -math.inf
) -> tuple[Patch, ...]:
    """Return a feeder's openings into castings above a height, largest first."""
    if floor_mm > feeder.bounds[0, 2]:
        feeder, _ = feeder.split_at((0.0, 0.0, 1.0), floor_mm)
    found = [patch for casting in castings for patch in find_patches(feeder, casting)]
    return tuple(sorted(found, key=lambda patch: (-patch.area_mm2, patch.at_mm)))


def beside_from_mm(plan: FeederPlan) -> float:
    """Return the height from which a feeder may not be in its casting. [mm]

    One without a neck may be up to `FOOT_SHARE` of its diameter over its foot.
    """
    if has_neck(plan):
        return -math.inf
    return plan.at_mm[2] + FOOT_SHARE * plan.diameter_mm


def most_blend_mm2(way_in_mm2: float) -> float:
    """Return how much of a feeder may open beside its own way in. [mm²]"""
    return min(BLEND_MM2, BLEND_SHARE * way_in_mm2)


def burns_through(alloy: Alloy) -> bool:
    """Return whether thin sand between two bodies of an alloy gives way to their heat."""
    return alloy.family in ("steel", "grey-iron", "ductile-iron")


def has_neck(plan: FeederPlan) -> bool:
    """Return whether a feeder meets its casting by a neck."""
    return plan.kind == "side" or plan.neck_width_mm > 0.0


def way_in_mm2(feeder: Solid, neck: Solid, castings: Iterable[Solid]) -> float:
    """Return the narrower of a neck's openings, into its feeder and into the castings. [mm²]"""
    into_casting = sum(_area_mm2(find_patches(neck, casting)) for casting in castings)
    return min(_area_mm2(find_patches(feeder, neck)), into_casting)


def stands_clear(plan: FeederPlan, target: Target, alloy: Alloy) -> bool:
    """Return whether a feeder, built on its casting, meets it at its foot or neck alone.

    Parameters
    ----------
    plan
        A closed feeder, in the casting's frame.
    target
        The casting.
    alloy
        Sand beside iron and steel must be thicker.

    Notes
    -----
    Exact to the solids, with thin sand beside them filled as it will be. Openings no larger than a
    blend are let pass; where there is none, no sand thinner than a web that stands is left under a
    feeder on a neck.
    """
    return _stands_clear(plan, target, LEAST_SAND_MM if burns_through(alloy) else WEB_MM)


@lru_cache(SEATS_KEPT)
def _stands_clear(plan: FeederPlan, target: Target, least: float) -> bool:
    """Return whether a feeder stands clear of its casting, with so much sand beside it."""
    try:
        bodies = feeder_bodies(plan, target, plan.at_mm[2] + plan.height_mm)
    except StageError:
        return False
    feeder = bodies[0].solid
    near = crop_to(target.solid, feeder, 2.0 * least)
    casting = Body(name=target.name, role=Role.CASTING, solid=near)
    openings = openings_beside(feeder, [near], beside_from_mm(plan))
    if openings:  # sand beside them tapers to nothing: what is filled of it opens more
        whole = Solid.union([near, *(body.solid for body in bodies)])
        bodies, _, _ = fill_webs([casting], bodies, (), whole)
        feeder = bodies[0].solid
        openings = openings_beside(feeder, [near], beside_from_mm(plan))
    way_in = 0.25 * math.pi * plan.diameter_mm**2
    if has_neck(plan):
        way_in = way_in_mm2(feeder, bodies[1].solid, [near])
    if _area_mm2(openings) > most_blend_mm2(way_in):
        return False
    if has_neck(plan) and not openings and find_gap(feeder, near, WEB_MM) is not None:
        return False
    rigging = Rigging(castings=(casting,), bodies=bodies, inserts=())
    return not side_sand(rigging, least)


def _area_mm2(patches: Iterable[Patch]) -> float:
    return sum(patch.area_mm2 for patch in patches)
