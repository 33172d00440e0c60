"""Vents on blind feeders: the air leaves where metal is cut off anyway."""

import math
from typing import Final

import numpy as np
from shapely.geometry import Point

from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Floats
from moldprep.records import FeederPlan, Pattern, RiggingPlan, VentPlan
from moldprep.rigging.bodies import basin_outline
from moldprep.rigging.build import placed
from moldprep.rigging.feeders import AIR_CORE_CM3, LARGE_MM, OFF_MIDDLE, vent_spots
from moldprep.rigging.gates.clearance import VENT_SAND_MM, channel_outlines
from moldprep.rigging.gates.room import Prism, chill_prisms, feeder_prisms
from moldprep.rigging.vents.venting import (
    LARGEST_MM,
    SMALLEST_MM,
    HighPoint,
    foot_unplaced,
    high_points,
)

SLIMMEST: Final = 0.2
"""Diameter of a vent over its feeder's, at most: it freezes long before it. [-]"""

MOST_EACH: Final = 3
"""Vents on one feeder, at most."""

N_ROUND: Final = 8
"""Lines round a vent along which its way up is looked along."""


def burdened(plan: RiggingPlan, pattern: Pattern) -> frozenset[str]:
    """Return the blind top feeders that must let out more air than a core in their top does.

    The air of a high point leaves by the feeder nearest to its top, with the feeder's own.
    """
    points = high_points(pattern.solid, ())
    names = set()
    for place in plan.placements:
        mine = [f for f in plan.feeders if f.kind == "top" and f.into in (place.name, "casting")]
        for point in points if mine else ():
            off = [_off_mm(point, foot_unplaced(feeder, place)) for feeder in mine]
            nearest = mine[int(np.argmin(off))]
            own = 0.25 * math.pi * nearest.diameter_mm**2 * nearest.height_mm
            is_beside = min(off) <= nearest.diameter_mm
            if is_beside and not nearest.is_open and point.air_mm3 + own > 1e3 * AIR_CORE_CM3:
                names.add(nearest.name)
    return frozenset(names)


def _off_mm(point: HighPoint, foot: tuple[float, float, float, float]) -> float:
    """Return how far a feeder's foot ends from a high point's top, from above. [mm]"""
    tops = np.vstack([point.at_mm, point.spots_mm.reshape(-1, 3)])[:, :2]
    return float(np.linalg.norm(tops - foot[:2], axis=1).min() - 0.5 * foot[3])


def vents_on_feeders(
    plan: RiggingPlan, pattern: Pattern, wanted_mm2: float, must: frozenset[str] = frozenset()
) -> list[VentPlan]:
    """Return vents on blind feeders, the widest first, until they add up to an area.

    A feeder without an air core, a large one, and the largest of a casting whose air has no other
    way out than cores in its feeders, get one in any case.

    Parameters
    ----------
    plan
        Feeders, and what else stands in the mold.
    pattern
        What is cast; it may lie over a side feeder.
    wanted_mm2
        Area wanted of all of them. [mm²]
    must
        Names of feeders that get one in any case.
    """
    sky = _Sky(plan, pattern)
    vents: list[VentPlan] = []
    blind = sorted(
        (feeder for feeder in plan.feeders if not feeder.is_open),
        key=lambda feeder: (-feeder.diameter_mm, feeder.name),
    )
    breathing = {feeder.into for feeder in plan.feeders if feeder.is_open}
    if pattern.solid.volume_mm3 <= 1e3 * AIR_CORE_CM3:
        breathing |= {feeder.into for feeder in blind}
    for number in range(1, MOST_EACH + 1):
        for feeder in blind:
            is_large = feeder.diameter_mm >= LARGE_MM
            is_needed = number == 1 and (
                is_large
                or not feeder.has_air_core
                or feeder.into not in breathing
                or feeder.name in must
            )
            if wanted_mm2 > 0.0 or is_needed:
                vent = _vent(feeder, number, wanted_mm2, vents, sky)
                if vent is not None:
                    vents.append(vent)
                    breathing.add(feeder.into)
                    wanted_mm2 -= 0.25 * math.pi * vent.diameter_mm**2
    return vents


def _vent(
    feeder: FeederPlan, number: int, wanted_mm2: float, vents: list[VentPlan], sky: "_Sky"
) -> VentPlan | None:
    """Return one more vent on a feeder, or None where it has no room for it."""
    most = min(LARGEST_MM, SLIMMEST * feeder.diameter_mm)
    if most < SMALLEST_MM:
        return None
    need = 0.1 * math.ceil(10.0 * math.sqrt(4.0 / math.pi * max(wanted_mm2, 0.0)))
    diameter = round(min(max(need, SMALLEST_MM), most), 1)
    for at in _places(feeder):
        away = [math.dist(at, vent.at_mm) - vent.diameter_mm for vent in vents]
        if min(away, default=math.inf) > diameter and sky.is_free(at, 0.5 * diameter, feeder):
            name = f"vent-{feeder.name}" + (f"-{number}" if number > 1 else "")
            return VentPlan(name=name, at_mm=at, diameter_mm=diameter, into=feeder.name)
    return None


def _places(feeder: FeederPlan) -> list[tuple[float, float, float]]:
    """Return places on a blind feeder's dome, beside its air core."""
    foot, radius = feeder.at_mm[2], 0.5 * feeder.diameter_mm
    crown = min(radius, 0.9 * feeder.height_mm)
    z = foot + feeder.height_mm - crown * (1.0 - math.sqrt(1.0 - OFF_MIDDLE**2))
    return [(x, y, z) for x, y in vent_spots(feeder.at_mm[:2], feeder.diameter_mm)]


class _Sky:
    """What a vent would run into on its way up."""

    def __init__(self, plan: RiggingPlan, pattern: Pattern) -> None:
        self._castings = [Rays.of(placed(pattern.solid, place)) for place in plan.placements]
        self._prisms: list[tuple[str, Prism, float]] = []
        for feeder in plan.feeders:
            sand = 0.5 * VENT_SAND_MM
            self._prisms += [
                (feeder.name, prism, sand) for prism in feeder_prisms([feeder], plan.top_mm)
            ]
        self._prisms += [("", prism, 0.5 * VENT_SAND_MM) for prism in chill_prisms(plan.chills)]
        if plan.sprue and plan.well:
            channels = channel_outlines(plan.sprue, plan.well, plan.runners, plan.filters)
            self._prisms += [("", prism, VENT_SAND_MM) for prism in channels]
        if plan.sprue and plan.basin:
            outline = basin_outline(plan.basin, plan.sprue)
            self._prisms.append(("", (outline, plan.sprue.at_mm[2], plan.top_mm), VENT_SAND_MM))

    def is_free(self, at_mm: tuple[float, float, float], radius_mm: float, own: FeederPlan) -> bool:
        """Return whether the way straight up from a place on a feeder is sand all along."""
        spot = Point(at_mm[:2])
        blocked = any(
            name != own.name and high > at_mm[2] and outline.distance(spot) < radius_mm + sand
            for name, (outline, _, high), sand in self._prisms
        )
        return not blocked and not any(_is_under(rays, at_mm, radius_mm) for rays in self._castings)


def _is_under(rays: Rays, at_mm: tuple[float, float, float], radius_mm: float) -> bool:
    """Return whether a body lies over a place, or within the sand beside the way up."""
    turns = 2.0 * np.pi * np.arange(N_ROUND) / N_ROUND
    reach = radius_mm + 0.5 * VENT_SAND_MM
    ring: Floats = reach * np.stack([np.cos(turns), np.sin(turns), 0.0 * turns], axis=1)
    starts = np.vstack([np.zeros(3), ring]) + np.array(at_mm)
    up, _ = rays.first(starts, np.array([0.0, 0.0, 1.0]))
    return bool(np.isfinite(up).any())
