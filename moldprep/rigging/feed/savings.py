"""When all is fed: the same with less metal. The loop puts back what turns out to be too little."""

import math
from dataclasses import replace
from typing import Final

from moldprep.records import Alloy, FeederPlan, Feeding, FeedPair, Job, Pattern, RiggingPlan, Survey
from moldprep.rigging.feed.feed_groups import thickest_join_mm
from moldprep.rigging.feed.feeder_size import wanted_factor
from moldprep.rigging.feed.revision import Revision

NECK_KEPT: Final = 0.97
"""A feeder whose neck lasts longer than this share of its own time has its heat too low already."""
TIME_KEPT: Final = 1.15
"""A feeder keeps outlasting its sections by this much, as a time ratio."""
LEAST_SCALE: Final = 0.80
WORTH_IT: Final = 0.97
NEARLY_OPEN: Final = 0.75
"""A join this thick against its section may do without the section's own feeder."""

ALL_IS_FED: Final = "all is fed"
"""Begins the reason of every saving."""


def less_metal(
    plan: RiggingPlan, feeding: Feeding, pattern: Pattern, survey: Survey, job: Job, alloy: Alloy
) -> Revision | None:
    """Return the plan with smaller feeders, else with one feeder less; None where neither pays.

    A feeder shrinks only as far as its modulus keeps the wanted factor, its time outlasts its
    sections by 1.15, its heat is above its neck, and its feed metal suffices; one that a cure
    has changed stays as it is. One is left out
    where a neighbor's feeder has the feed metal for both, reaches that far, and the way between
    them is nearly as thick as the section.
    """
    if "feeders" not in job.rigging.auto:
        return None
    given = {feeder.name for feeder in job.rigging.feeder}
    free = [feeder for feeder in plan.feeders if feeder.name not in given]
    pairs = {
        feeder.name: [pair for pair in feeding.pairs if pair.feeder == feeder.name]
        for feeder in plan.feeders
    }
    smaller = {}
    for feeder in free:
        cured = [one.changed for one in plan.rounds if not one.why.startswith(ALL_IS_FED)]
        if any(f"{feeder.name}:" in changed for changed in cured):
            continue  # a cure settled its size
        scale = _scale(pairs[feeder.name], wanted_factor(job, alloy))
        if scale < WORTH_IT:
            smaller[feeder.name] = _scaled(feeder, scale)
    if smaller:
        feeders = tuple(smaller.get(feeder.name, feeder) for feeder in plan.feeders)
        what = [
            f"{old.name}: {old.diameter_mm:.0f} x {old.height_mm:.0f} to "
            f"{new.diameter_mm:.0f} x {new.height_mm:.0f} mm"
            for old, new in zip(plan.feeders, feeders, strict=True)
            if new is not old
        ]
        steps = tuple((one, one.split(":")[0]) for one in what)
        why = (f"{ALL_IS_FED}; raise the yield",)
        return Revision(plan=replace(plan, feeders=feeders), steps=steps, why=why)
    vented = {vent.into for vent in job.rigging.vent}
    return _one_less(plan, [f for f in free if f.name not in vented], pairs, survey)


def _scale(pairs: list[FeedPair], factor: float) -> float:
    """Return the smallest scale of a feeder that keeps modulus, time and volume."""
    if not pairs or pairs[0].neck_time_s > NECK_KEPT * pairs[0].feeder_time_s:
        return 1.0
    modulus = max(p.section_modulus_mm * factor / p.feeder_modulus_mm for p in pairs)
    time = max(TIME_KEPT * p.section_time_s / max(p.feeder_time_s, 1e-9) for p in pairs)
    need = sum(pair.need_mm3 for pair in pairs)
    volume = need / max(pairs[0].can_give_mm3, 1e-9)
    return max(modulus, math.sqrt(time), math.cbrt(volume), LEAST_SCALE)


def _scaled(feeder: FeederPlan, scale: float) -> FeederPlan:
    """Return a feeder with diameter and height scaled; a side feeder keeps its height over it."""
    diameter = float(math.ceil(feeder.diameter_mm * scale))
    height = (
        feeder.height_mm if feeder.kind == "side" else float(math.ceil(feeder.height_mm * scale))
    )
    return replace(
        feeder,
        diameter_mm=diameter,
        height_mm=height,
        neck_width_mm=min(feeder.neck_width_mm, round(0.95 * diameter, 1)),
    )


def _one_less(
    plan: RiggingPlan,
    free: list[FeederPlan],
    pairs: dict[str, list[FeedPair]],
    survey: Survey,
) -> Revision | None:
    """Return the plan without the feeder a neighbor can stand in for, if there is one."""
    gated = {gate.into for gate in plan.ingates}
    sections = {section.name: section for section in survey.sections}
    for feeder in sorted(free, key=lambda f: f.diameter_mm):
        root = sections.get(feeder.serves[0]) if feeder.serves else None
        if root is None or feeder.name in gated:
            continue
        if thickest_join_mm(root, survey) < NEARLY_OPEN * root.thickness_mm:
            continue
        need = sum(pair.need_mm3 for pair in pairs[feeder.name])
        for other in free:
            if other is feeder or other.into != feeder.into or not pairs[other.name]:
                continue
            spare = pairs[other.name][0].can_give_mm3 - sum(p.need_mm3 for p in pairs[other.name])
            if spare < need or not _reaches(other, feeder, pairs[feeder.name]):
                continue
            heir = replace(other, serves=tuple(dict.fromkeys(other.serves + feeder.serves)))
            feeders = tuple(
                heir if one is other else one for one in plan.feeders if one is not feeder
            )
            what = f"{feeder.name} left out, {other.name} feeds {', '.join(feeder.serves)} too"
            why = f"{ALL_IS_FED}; the way to the neighbor is nearly as thick as the section"
            left = replace(plan, feeders=feeders)
            return Revision(plan=left, steps=((what, feeder.name),), why=(why,))
    return None


def _reaches(heir: FeederPlan, old: FeederPlan, pairs: list[FeedPair]) -> bool:
    """Return whether an heir reaches what the feeder it stands in for reached."""
    between = math.dist(heir.at_mm, old.at_mm) - 0.5 * heir.diameter_mm
    return all(between + pair.distance_mm <= pair.reach_mm for pair in pairs)
