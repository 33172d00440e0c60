"""Plan -> Rigging: named bodies of metal, and the inserts."""

from functools import lru_cache
from typing import Final

import numpy as np

from moldprep.errors import StageError
from moldprep.geometry.solid import Solid
from moldprep.records import Body, Insert, Pattern, Rigging, RiggingPlan, Role
from moldprep.records.plan import Placement
from moldprep.rigging.bodies import (
    basin_body,
    chill_insert,
    feeder_bodies,
    filter_body,
    ingate_body,
    runner_body,
    sleeve_insert,
    sprue_body,
    vent_body,
    well_body,
)
from moldprep.rigging.feed.reach import Target
from moldprep.rigging.feed.webs import fill_webs
from moldprep.rigging.metal import joined
from moldprep.tolerances import SLIVER_MM3

BURIED: Final = 0.9
"""A body of which a casting holds more than this share lies in it by mistake: what overlaps on
purpose, a neck or the end of a gate, is a small part of its body."""


PLANS_KEPT: Final = 2
"""Plans whose bodies are kept: the best of the trials is frozen once more, on the full grid."""

PLACES_KEPT: Final = 32
"""Placed castings that are kept: what hangs on one of them can then be kept, too."""


@lru_cache(PLANS_KEPT)
def build_rigging(plan: RiggingPlan, pattern: Pattern) -> Rigging:
    """Return every body of the plan: castings, channels, feeders, vents, inserts.

    Parameters
    ----------
    plan
        What to build, and where.
    pattern
        What the castings are; its own rigging bodies, if any, come along with each placement.

    Raises
    ------
    StageError
        rigging/ingate-misses, rigging/ingate-buried, rigging/feeder-misses,
        rigging/unknown-target, rigging/body-buried, rigging/same-name.
    """
    castings = tuple(placed_casting(pattern, place) for place in plan.placements)
    targets = {body.name: Target(body.name, body.solid) for body in castings}
    bodies = _own_bodies(pattern, plan.placements)
    feeders: list[Body] = []
    for feeder in plan.feeders:
        feeders += feeder_bodies(
            feeder, _target(targets, feeder.into, feeder.name, plan), plan.top_mm
        )
    targets |= {body.name: Target(body.name, body.solid) for body in feeders}
    bodies += _channels(plan)
    bodies += [
        ingate_body(gate, _target(targets, gate.into, gate.name, plan)) for gate in plan.ingates
    ]
    bodies += feeders
    bodies += [
        vent_body(vent, _target(targets, vent.into, vent.name, plan), plan.top_mm)
        for vent in plan.vents
    ]
    _refuse_twins(castings + tuple(bodies))
    _refuse_buried(castings, bodies)
    metal = joined((*castings, *bodies))
    inserts = _inserts(plan, metal)
    filled, inserts, reasons = fill_webs(castings, bodies, inserts, metal)
    return Rigging(castings=castings, bodies=filled, inserts=inserts, reasons=reasons)


def placed_casting(pattern: Pattern, place: Placement) -> Body:
    """Return one casting where it lies in the mold."""
    return Body(name=place.name, role=Role.CASTING, solid=placed(pattern.solid, place))


@lru_cache(PLACES_KEPT)
def placed(solid: Solid, place: Placement) -> Solid:
    """Return a body turned and moved as the placement says."""
    if place.turn_deg:
        solid = solid.turned((0.0, 0.0, place.turn_deg))
    return solid.moved(place.move_mm) if any(place.move_mm) else solid


def _own_bodies(pattern: Pattern, placements: tuple[Placement, ...]) -> list[Body]:
    """Return the rigging that came inside the model, once for each placement."""
    single = len(placements) == 1
    return [
        Body(
            name=body.name if single else f"{body.name}@{place.name}",
            role=body.role,
            solid=placed(body.solid, place),
        )
        for place in placements
        for body in pattern.extra
    ]


def _channels(plan: RiggingPlan) -> list[Body]:
    """Return basin, sprue, well, runners and filters, in the direction of flow."""
    bodies: list[Body] = []
    if plan.sprue is not None:
        if plan.basin is not None:
            bodies.append(basin_body(plan.basin, plan.sprue))
        bodies.append(sprue_body(plan.sprue, has_basin=plan.basin is not None))
    if plan.well is not None:
        bodies.append(well_body(plan.well))
    bodies += [runner_body(runner) for runner in plan.runners]
    names = filter_names(len(plan.filters))
    bodies += [
        filter_body(one, name, plan.runners) for one, name in zip(plan.filters, names, strict=True)
    ]
    return bodies


def filter_names(count: int) -> list[str]:
    """Return `filter`, or `filter-1`… where there are several."""
    return ["filter"] if count == 1 else [f"filter-{k + 1}" for k in range(count)]


def _target(targets: dict[str, Target], into: str, item: str, plan: RiggingPlan) -> Target:
    """Return the body an item hangs on; with one casting, `casting` always means it."""
    if into in targets:
        return targets[into]
    if into == "casting" and len(plan.placements) == 1:
        return targets[plan.placements[0].name]
    raise StageError(
        f"{item} goes into {into!r}, which is no body; known: {', '.join(targets)}",
        code="rigging/unknown-target",
        where=item,
        fix=f"set `into` of {item} to one of the known names",
    )


def _refuse_twins(bodies: tuple[Body, ...]) -> None:
    """Raise if two bodies bear one name."""
    seen: set[str] = set()
    for body in bodies:
        if body.name in seen:
            raise StageError(
                f"two bodies are named {body.name!r}",
                code="rigging/same-name",
                where=body.name,
                fix="give every runner, ingate, feeder, vent and placement a name of its own",
            )
        seen.add(body.name)


def _refuse_buried(castings: tuple[Body, ...], bodies: list[Body]) -> None:
    """Raise if nothing is left of a body, or a casting holds nearly all of it."""
    for body in bodies:
        if body.solid.is_empty or body.solid.volume_mm3 < SLIVER_MM3:
            raise StageError(
                f"{body.name} has no volume left", code="rigging/body-buried", where=body.name,
                fix=f"move {body.name} out of the casting, or take it out of the plan",
            )  # fmt: skip
        for casting in castings:
            if _shared_box_mm3(body, casting) <= BURIED * body.solid.volume_mm3:
                continue  # most of it surely lies outside
            inside = (body.solid & casting.solid).volume_mm3
            if inside > BURIED * body.solid.volume_mm3:
                raise StageError(
                    f"{body.name} is buried in {casting.name}",
                    code="rigging/body-buried",
                    where=body.name,
                    fix=f"move {body.name} out of {casting.name}",
                )


def _shared_box_mm3(body: Body, casting: Body) -> float:
    """Return the volume that the boxes round two bodies share. [mm³]"""
    low = np.maximum(body.solid.bounds[0], casting.solid.bounds[0])
    high = np.minimum(body.solid.bounds[1], casting.solid.bounds[1])
    return float(np.prod(np.maximum(high - low, 0.0)))


def _inserts(plan: RiggingPlan, metal: Solid) -> tuple[Insert, ...]:
    """Return sleeves and chills, cut to the metal they touch and to one another."""
    sleeves = [
        sleeve_insert(feeder, metal, plan.top_mm)
        for feeder in plan.feeders
        if feeder.sleeve != "none" and feeder.sleeve_mm > 0.0
    ]
    inserts = list(sleeves)
    for chill in plan.chills:
        insert = chill_insert(chill, metal, [other.solid for other in inserts])
        if insert.solid.volume_mm3 > SLIVER_MM3:  # else it lies wholly in another
            inserts.append(insert)
    return tuple(inserts)
