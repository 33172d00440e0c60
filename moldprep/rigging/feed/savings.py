"""When all is fed: the same with less metal. The loop puts back what turns out to be too little."""

import math
from dataclasses import dataclass, replace
from typing import Final

from moldprep.records import Alloy, FeederPlan, Feeding, FeedPair, Job, RiggingPlan, Step
from moldprep.rigging.feed.elbow_room import ElbowRoom
from moldprep.rigging.feed.feeder_size import scaled, wanted_factor
from moldprep.rigging.feed.revision import Revision
from moldprep.rigging.feeders import feeder_volume_mm3
from moldprep.thermal.out_of_reach import FAR_BEYOND
from moldprep.thermal.without import Without

NECK_KEPT: Final = 0.97
"""A feeder whose neck lasts longer than this share of its own time has its heat too low already."""
TIME_KEPT: Final = 1.15
"""A feeder keeps outlasting its sections by this much, as a time ratio."""
LEAST_SCALE: Final = 0.80
WORTH_IT: Final = 0.95
"""A feeder that would shrink by less than this is not worth a round."""
HEIR_GROWS: Final = 1.25
"""A feeder may grow this much, in diameter, to take over the work of another."""


def without_idle_feeders(
    plan: RiggingPlan, mold: Without, job: Job, refused: frozenset[str]
) -> Revision | None:
    """Return the plan without feeders that nothing hangs on, or None.

    All of them at first, as far as the others do without them together; where that did not help,
    the largest alone. What the job gives or gates into stays.
    """
    if "feeders" not in job.rigging.auto:
        return None
    tied = _tied(plan, job)
    idle: list[FeederPlan] = []
    for feeder in sorted(plan.feeders, key=lambda f: (-_metal_mm3(f), f.name)):
        if feeder.name in tied:
            continue
        if mold.loss([*(one.name for one in idle), feeder.name]).is_none:
            idle.append(feeder)
    for gone in (idle, idle[:1]):
        names = ", ".join(sorted(feeder.name for feeder in gone))
        text = f"{names} left out"
        if gone and text not in refused:
            kept = tuple(feeder for feeder in plan.feeders if feeder not in gone)
            step = Step(kind="drop", item=names, for_what=gone[0].name, text=text)
            why = ("nothing more would be cut off without",)
            return Revision(plan=replace(plan, feeders=kept), steps=(step,), why=why)
    return None


def _tied(plan: RiggingPlan, job: Job) -> set[str]:
    """Return the feeders that cannot go: the job's, and those gated or vented into by it."""
    given = {feeder.name for feeder in job.rigging.feeder}
    return given | {gate.into for gate in plan.ingates} | {v.into for v in job.rigging.vent}


def fewer_feeders(
    plan: RiggingPlan, feeding: Feeding, job: Job, alloy: Alloy, room: ElbowRoom
) -> Revision | None:
    """Return the plan without the feeders whose neighbors can stand in for them, or None.

    A neighbor feeds the same section, would be no more than twice its own reach away from what it
    takes over (steel; for the other alloys distances are not established, and the heat solve
    alone decides), and has or gets the feed metal for both. As many are left out at once as have
    each a neighbor that stays; it takes over from one only.
    """
    if "feeders" not in job.rigging.auto:
        return None
    given = {feeder.name for feeder in job.rigging.feeder}
    tied = _tied(plan, job)
    pairs = _by_feeder(plan, feeding)
    now = {feeder.name: feeder for feeder in plan.feeders}
    heirs: set[str] = set()
    steps: list[Step] = []
    for feeder in sorted(plan.feeders, key=lambda f: (pairs[f.name].volume_mm3, f.name)):
        if feeder.name in tied | heirs:
            continue
        near = [
            other
            for other in now.values()
            if other.into == feeder.into and other.name not in given | heirs | {feeder.name}
        ]
        heir = _best_heir(feeder, near, pairs, alloy)
        rest = [f for f in now.values() if heir and f.name not in (feeder.name, heir.name)]
        if heir is None or not room.has(heir, rest):
            continue
        old, now[heir.name] = now[heir.name], heir
        del now[feeder.name]
        heirs.add(heir.name)
        what = f"{feeder.name} left out, {heir.name} takes over"
        if heir.diameter_mm > old.diameter_mm:
            what += f" and grows to {heir.diameter_mm:.0f} x {heir.height_mm:.0f} mm"
        steps.append(Step(kind="drop", item=feeder.name, for_what=feeder.name, text=what))
    if not steps:
        return None
    why = ("all is fed; neighbors may do with fewer feeders",)
    return Revision(plan=replace(plan, feeders=tuple(now.values())), steps=tuple(steps), why=why)


def smaller_feeders(plan: RiggingPlan, feeding: Feeding, job: Job, alloy: Alloy) -> Revision | None:
    """Return the plan with smaller feeders, or None where that does not pay.

    A feeder shrinks only as far as its modulus keeps the wanted factor, its time outlasts its
    sections by 1.15, its heat is above its neck, and its feed metal suffices; one that a cure
    has changed stays as it is.
    """
    if "feeders" not in job.rigging.auto:
        return None
    given = {feeder.name for feeder in job.rigging.feeder}
    pairs = _by_feeder(plan, feeding)
    cured = {
        step.item
        for one in plan.rounds
        for step in one.steps
        if step.kind in {"add", "move", "size", "sleeve"}
    }
    smaller = {}
    for feeder in plan.feeders:
        if feeder.name in given | cured:
            continue
        scale = _scale(pairs[feeder.name].pairs, wanted_factor(job, alloy), alloy)
        if scale < WORTH_IT:
            smaller[feeder.name] = _shrunk(feeder, scale)
    if not smaller:
        return None
    feeders = tuple(smaller.get(feeder.name, feeder) for feeder in plan.feeders)
    steps = tuple(
        Step(
            kind="save",
            item=old.name,
            for_what=old.name,
            text=f"{old.name}: {old.diameter_mm:.0f} x {old.height_mm:.0f} to "
            f"{new.diameter_mm:.0f} x {new.height_mm:.0f} mm",
        )
        for old, new in zip(plan.feeders, feeders, strict=True)
        if new is not old
    )
    why = ("all is fed; raise the yield",)
    return Revision(plan=replace(plan, feeders=feeders), steps=steps, why=why)


@dataclass(frozen=True)
class _Work:
    """What one feeder does, by its pairs, and what it has for it. [mm³]"""

    pairs: tuple[FeedPair, ...]
    need_mm3: float
    can_give_mm3: float
    volume_mm3: float


def _by_feeder(plan: RiggingPlan, feeding: Feeding) -> dict[str, _Work]:
    found = {}
    for feeder in plan.feeders:
        own = tuple(pair for pair in feeding.pairs if pair.feeder == feeder.name)
        found[feeder.name] = _Work(
            own,
            sum(pair.need_mm3 for pair in own),
            own[0].can_give_mm3 if own else 0.0,
            own[0].feeder_volume_mm3 if own else 0.0,
        )
    return found


def _best_heir(
    feeder: FeederPlan, near: list[FeederPlan], work: dict[str, _Work], alloy: Alloy
) -> FeederPlan | None:
    """Return the neighbor that takes over with least metal, less than is saved; or None."""
    most = _metal_mm3(feeder)
    found = []
    for other in near:
        heir = _heir(other, feeder, work, alloy)
        if heir is not None and _metal_mm3(heir) - _metal_mm3(other) < most:
            away = math.dist(other.at_mm, feeder.at_mm)
            found.append((_metal_mm3(heir) - _metal_mm3(other), away, other.name, heir))
    return min(found)[3] if found else None


def _metal_mm3(feeder: FeederPlan) -> float:
    """Return the volume of a closed feeder. [mm³]"""
    high = max(feeder.height_mm, 0.5 * feeder.diameter_mm)
    return feeder_volume_mm3(feeder.diameter_mm, high, is_domed=True)


def _heir(
    other: FeederPlan, feeder: FeederPlan, work: dict[str, _Work], alloy: Alloy
) -> FeederPlan | None:
    """Return a neighbor as large as it must be to do a feeder's work as well, or None."""
    own, more = work[other.name], work[feeder.name]
    both = {pair.section for pair in own.pairs} & {pair.section for pair in more.pairs}
    if not both or not own.can_give_mm3 > 0.0:
        return None
    between = math.dist(other.at_mm, feeder.at_mm) - 0.5 * other.diameter_mm
    if alloy.family == "steel" and any(
        between + pair.distance_mm > FAR_BEYOND * pair.reach_mm for pair in more.pairs
    ):
        return None
    factor = math.cbrt((own.need_mm3 + more.need_mm3) / own.can_give_mm3)
    if factor > HEIR_GROWS:
        return None
    serves = tuple(dict.fromkeys(other.serves + feeder.serves))
    grown = scaled(other, 1.03 * factor) if factor > 1.0 else other
    return replace(grown, serves=serves)


def _scale(pairs: tuple[FeedPair, ...], factor: float, alloy: Alloy) -> float:
    """Return the smallest scale of a feeder that keeps modulus, time and volume."""
    if not pairs:
        return 1.0
    first, share = pairs[0], alloy.feed_time_share
    if share * first.neck_time_s > NECK_KEPT * first.feeder_time_s:
        return 1.0
    modulus = max(p.section_modulus_mm * factor / p.feeder_modulus_mm for p in pairs)
    time = max(TIME_KEPT * share * p.section_time_s / max(p.feeder_time_s, 1e-9) for p in pairs)
    need = sum(pair.need_mm3 for pair in pairs)
    volume = need / max(first.can_give_mm3, 1e-9)
    return max(modulus, math.sqrt(time), math.cbrt(volume), LEAST_SCALE)


def _shrunk(feeder: FeederPlan, scale: float) -> FeederPlan:
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
