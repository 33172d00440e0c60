"""Room for one more feeder or chill beside what a plan has already."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np
from shapely.geometry import LineString

from moldprep.records import ChillPlan, FeederPlan, Placement, RiggingPlan
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.seat import elbow_mm
from moldprep.rigging.feed.site_maps import SIDE_GAP_MM, Disc
from moldprep.rigging.feed.webs import WEB_MM
from moldprep.rigging.gates.room import Prism, channel_prism, chill_prisms
from moldprep.thermal.regions import unplaced

Point = tuple[float, float, float]

BETWEEN_MM: Final = WEB_MM + 1.0
"""Sand between a chill and its neighbors: a web that stands, and the play of their pockets."""


class ElbowRoom:
    """What stands where in one plan; feeders and chills of the round at hand are given anew."""

    def __init__(
        self, plan: RiggingPlan, finder: SeatFinder, placements: tuple[Placement, ...]
    ) -> None:
        self._plan, self._finder, self._placements = plan, finder, placements

    def taken(
        self, over_mm: float, feeders: Sequence[FeederPlan], placement: Placement
    ) -> tuple[Disc, ...]:
        """Return discs a new feeder of one casting must not overlap, pattern frame.

        Channels lower than `over_mm` are passed over by it.
        """
        discs = [(f.at_mm, elbow_mm(f.diameter_mm, f.sleeve_mm)) for f in feeders]
        discs += [(at, wide) for at, wide in _channel_points(self._plan) if at[2] > over_mm]
        if self._plan.sprue is not None:
            sprue = self._plan.sprue
            discs.append((sprue.at_mm, math.sqrt(sprue.top_area_mm2 / math.pi) + SIDE_GAP_MM))
        back = unplaced(np.array([at for at, _ in discs]).reshape(-1, 3), placement)
        return tuple(
            (float(at[0]), float(at[1]), radius)
            for at, (_, radius) in zip(back, discs, strict=True)
        )

    def has(self, feeder: FeederPlan, feeders: Sequence[FeederPlan]) -> bool:
        """Return whether a feeder keeps clear of casting, prints, sprue, channels and feeders."""
        if self._is_in_print(feeder) or self._is_nearer_walls(feeder):
            return False
        low, high = feeder.at_mm[2], feeder.at_mm[2] + feeder.height_mm
        radius = elbow_mm(feeder.diameter_mm, feeder.sleeve_mm)
        for other in feeders:
            if other.name == feeder.name or other.at_mm[2] > high:
                continue
            if other.at_mm[2] + other.height_mm < low:
                continue
            if (
                math.dist(other.at_mm[:2], feeder.at_mm[:2])
                < radius + 0.5 * other.diameter_mm + other.sleeve_mm
            ):
                return False
        sprue = self._plan.sprue
        if sprue is not None:
            wide = math.sqrt(max(sprue.top_area_mm2, sprue.foot_area_mm2) / math.pi)
            if math.dist(sprue.at_mm[:2], feeder.at_mm[:2]) < radius + wide:
                return False
        is_met = any(
            low - 2.0 * SIDE_GAP_MM < point[2] < high
            and math.dist(point[:2], feeder.at_mm[:2]) < radius + wide
            for point, wide in _channel_points(self._plan, but_into=feeder.name)
        )
        return not is_met and self._stands_clear(feeder)

    def _stands_clear(self, feeder: FeederPlan) -> bool:
        """Return whether a feeder, built, meets its casting at its foot or neck alone."""
        placement = next((p for p in self._placements if p.name == feeder.into), None)
        if placement is None:
            return True
        at, neck_to = unplaced(np.array([feeder.at_mm, feeder.neck_to_mm]), placement).tolist()
        here = replace(feeder, at_mm=tuple(at), neck_to_mm=tuple(neck_to), is_open=False)
        return self._finder.stands_clear(here)

    def _is_nearer_walls(self, feeder: FeederPlan) -> bool:
        """Return whether a feeder has less sand to its casting than it may, and than it had."""
        sand = self._sand_mm(feeder)
        before = next((f for f in self._plan.feeders if f.name == feeder.name), None)
        return sand < SIDE_GAP_MM and before is not None and sand < self._sand_mm(before) - 0.1

    def _sand_mm(self, feeder: FeederPlan) -> float:
        placement = next((p for p in self._placements if p.name == feeder.into), None)
        if placement is None:
            return math.inf
        x, y, z = unplaced(np.array([feeder.at_mm]), placement)[0].tolist()
        wide = feeder.diameter_mm + 2.0 * feeder.sleeve_mm
        return self._finder.sites.sand_round_mm(feeder.kind, (x, y, z), wide, feeder.height_mm)

    def _is_in_print(self, feeder: FeederPlan) -> bool:
        """Return whether a feeder stands where a core print will lie."""
        placement = next((p for p in self._placements if p.name == feeder.into), None)
        if placement is None:
            return False
        x, y, z = unplaced(np.array([feeder.at_mm]), placement)[0].tolist()
        return self._finder.sites.is_in_room(
            LineString([(x, y), (x, y)]), 0.5 * feeder.diameter_mm, z, z + feeder.height_mm
        )

    def has_chill(
        self, chill: ChillPlan, chills: Sequence[ChillPlan], feeders: Sequence[FeederPlan]
    ) -> bool:
        """Return whether a chill keeps clear of other chills, feeders, gates and runners."""
        if any(_is_against(chill, feeder) for feeder in feeders):
            return False
        (mine,) = chill_prisms([chill])
        plan = self._plan
        channels = *map(channel_prism, plan.runners), *map(channel_prism, plan.ingates)
        others = [*chill_prisms(chills), *channels]
        return all(_apart_mm(mine, other) >= BETWEEN_MM for other in others)


def _apart_mm(a: Prism, b: Prism) -> float:
    """Return the distance between two upright prisms. [mm]"""
    return math.hypot(a[0].distance(b[0]), max(a[1] - b[2], b[1] - a[2], 0.0))


def _channel_points(plan: RiggingPlan, but_into: str = "") -> Iterator[tuple[Point, float]]:
    """Yield points along every runner and ingate with half their width."""
    ways = [(runner.path_mm, runner.width_mm) for runner in plan.runners]
    ways += [(gate.path_mm, gate.width_mm) for gate in plan.ingates if gate.into != but_into]
    for path, width in ways:
        for a, b in pairwise(path):
            n = max(2, int(math.dist(a, b) / 5.0) + 1)
            for x, y, z in np.linspace(a, b, n).tolist():
                yield (x, y, z), 0.5 * width


def _is_against(chill: ChillPlan, feeder: FeederPlan) -> bool:
    """Return whether a chill would draw its heat from a feeder."""
    if chill.at_mm[2] + 0.5 * chill.size_mm[2] < feeder.at_mm[2] - SIDE_GAP_MM:
        return False
    reach = 0.5 * (max(chill.size_mm[:2]) + feeder.diameter_mm) + SIDE_GAP_MM
    return math.dist(chill.at_mm[:2], feeder.at_mm[:2]) < reach
