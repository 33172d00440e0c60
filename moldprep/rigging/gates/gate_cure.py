"""An ingate that keeps its casting hot: the same area, flatter, so that it freezes sooner."""

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

import numpy as np

from moldprep.records import FeederPlan, IngatePlan, RiggingPlan
from moldprep.records.plan import FilterPlan

FLATTER: Final = 0.7
"""Height of an ingate after one round over its height before."""

LEAST_HEIGHT_MM: Final = 4.0
"""Thinner ones misrun in sand (common practice, no source)."""

WORTH_IT: Final = 0.9
"""A change of height by less than this is none."""

BETWEEN_MM: Final = 10.0
"""Sand between an ingate and the next one, or a feeder it does not run into."""

TRIES: Final = 2
"""Rounds one ingate may get flatter; then the pool is fed or chilled like any other."""


def flatter(gate: IngatePlan, plan: RiggingPlan) -> IngatePlan | None:
    """Return an ingate of the same area and less height; None where there is no room for it.

    Parameters
    ----------
    gate
        An ingate of the plan.
    plan
        What else is there, and how often this gate was changed before.
    """
    tries = sum(
        any(step.kind == "gate" and step.item == gate.name for step in one.steps)
        for one in plan.rounds
    )
    if tries >= TRIES:
        return None
    height = max(FLATTER * gate.height_mm, LEAST_HEIGHT_MM)
    room = min(
        _room_mm(gate, plan.ingates),
        _beside_feeders_mm(gate, plan.feeders),
        _beside_filters_mm(gate, plan.filters),
    )
    if room <= gate.width_mm:
        return None
    width = min(gate.width_mm * gate.height_mm / height, room)
    height = gate.width_mm * gate.height_mm / width
    if height > WORTH_IT * gate.height_mm:
        return None
    height = round(height, 1)
    rise = gate.height_mm - height if _hangs_under_a_runner(gate, plan) else 0.0
    path = tuple((x, y, round(z + rise, 2)) for x, y, z in gate.path_mm)
    return replace(gate, path_mm=path, width_mm=round(width, 1), height_mm=height)


def _hangs_under_a_runner(gate: IngatePlan, plan: RiggingPlan) -> bool:
    """Return whether its top, not its floor, is what joins it to the runner."""
    floor = gate.path_mm[0][2]
    runners = [point[2] for runner in plan.runners for point in runner.path_mm]
    return bool(runners) and min(runners) > floor + 0.5 * gate.height_mm


def _room_mm(gate: IngatePlan, gates: Sequence[IngatePlan]) -> float:
    """Return how wide a gate may be beside its neighbors, each taking half the way. [mm]"""
    others = [other for other in gates if other.name != gate.name]
    own = np.array(_points(gate))
    gaps = [
        float(np.linalg.norm(own[:, None] - np.array(_points(other))[None], axis=2).min())
        for other in others
    ]
    return min(gaps, default=math.inf) - BETWEEN_MM


def _beside_feeders_mm(gate: IngatePlan, feeders: Sequence[FeederPlan]) -> float:
    """Return how wide a gate may be between the feeders it does not run into. [mm]"""
    own = np.array(_points(gate))
    free = math.inf
    for feeder in feeders:
        x, y, foot = feeder.at_mm
        is_level = foot - BETWEEN_MM < own[:, 2].max() + gate.height_mm
        is_level &= foot + feeder.height_mm + BETWEEN_MM > own[:, 2].min()
        if feeder.name != gate.into and is_level:
            away = float(np.hypot(own[:, 0] - x, own[:, 1] - y).min())
            free = min(free, 2.0 * (away - 0.5 * feeder.diameter_mm - BETWEEN_MM))
    return free


def _beside_filters_mm(gate: IngatePlan, filters: Sequence[FilterPlan]) -> float:
    """Return how wide a gate may be beside filters and the widening before and after them. [mm]"""
    own = np.array(_points(gate))[:, :2]
    free = math.inf
    for one in filters:
        turn = math.radians(one.turn_deg)
        ahead = np.array([math.cos(turn), math.sin(turn)])
        from_it = own - np.array(one.at_mm[:2])
        along = np.abs(from_it @ ahead) - 0.5 * (one.thickness_mm + one.length_mm)
        aside = np.abs(from_it @ np.array([-ahead[1], ahead[0]])) - 0.5 * one.length_mm
        away = np.hypot(np.maximum(along, 0.0), np.maximum(aside, 0.0)).min()
        free = min(free, 2.0 * (float(away) - BETWEEN_MM))
    return free


def _points(gate: IngatePlan) -> list[list[float]]:
    """Return points along a gate, 2 mm apart or closer."""
    return [
        point
        for a, b in pairwise(gate.path_mm)
        for point in np.linspace(a, b, max(2, int(math.dist(a, b) / 2.0) + 1)).tolist()
    ]
