"""A plan with its vents: planned anew whenever feeders have changed."""

import math
from dataclasses import replace
from typing import Final

from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from moldprep.records import Alloy, Job, Parting, Pattern, Reason, RiggingPlan
from moldprep.rigging.bodies import basin_outline
from moldprep.rigging.gates.clearance import VENT_SAND_MM, channel_outlines
from moldprep.rigging.gates.room import channel_prism, chill_prisms, feeder_prisms
from moldprep.rigging.rounding import rounded
from moldprep.rigging.vents.feeder_vents import burdened, vents_on_feeders
from moldprep.rigging.vents.venting import RESERVE, SOURCE, plan_vents

BESIDE_GATES_MM: Final = 12.5
"""Room beside gates close under a casting's top: half the widest vent, and 5 mm of sand. [mm]"""

BESIDE_FEEDERS_MM: Final = 20.0
"""Sand between more vents and feeders or chills, which may yet grow. [mm]"""


def vented(
    plan: RiggingPlan, pattern: Pattern, parting: Parting, job: Job, alloy: Alloy
) -> RiggingPlan:
    """Return the plan with vents on blind feeders, on every high point, and where more are wanted.

    Parameters
    ----------
    plan
        Everything but the vents, or with vents that are planned anew.
    pattern
        What is cast.
    parting
        Where the mold opens.
    job
        Vents it gives stay as they are, and no other is added.
    alloy
        For the thinnest usual wall.
    """
    if not _is_automatic(job):
        return replace(plan, vents=job.rigging.vent, core_vents=job.rigging.core_vent)
    must = burdened(plan, pattern)
    bare = with_feeder_vents(replace(plan, vents=()), pattern, job, must)
    others = tuple(reason for reason in plan.reasons if reason.source != SOURCE)
    area = sum(0.25 * math.pi * vent.diameter_mm**2 for vent in bare.vents)
    vents, bores, reasons = plan_vents(
        pattern, parting, plan.feeders, plan.placements, plan.top_mm, alloy,
        max(plan.choke_mm2 - area / RESERVE, 0.0), _keep_out(bare, pattern),
    )  # fmt: skip
    if bare.vents:
        why = (
            f"on blind feeders, which let out no air without one, where they are cut off anyway;"
            f" toward the choke of {plan.choke_mm2:.0f} mm²"
        )
        names = ", ".join(vent.name for vent in bare.vents)
        reasons = (Reason(item=names, why=why, source=SOURCE), *reasons)
    every = tuple(map(rounded, (*vents, *bare.vents)))
    core_vents = job.rigging.core_vent or tuple(map(rounded, bores))
    return replace(plan, vents=every, core_vents=core_vents, reasons=(*others, *reasons))


def with_feeder_vents(
    plan: RiggingPlan, pattern: Pattern, job: Job, must: frozenset[str] = frozenset()
) -> RiggingPlan:
    """Return the plan with the vents of its feeders as these stand now; others stay.

    `must` names feeders that get one in any case.
    """
    if not _is_automatic(job):
        return plan
    castings = {"casting", *(place.name for place in plan.placements)}
    kept = tuple(vent for vent in plan.vents if vent.into in castings)
    open_mm2 = sum(0.25 * math.pi * f.diameter_mm**2 for f in plan.feeders if f.is_open)
    more = vents_on_feeders(plan, pattern, RESERVE * plan.choke_mm2 - open_mm2, must)
    return replace(plan, vents=(*kept, *map(rounded, more)))


def _is_automatic(job: Job) -> bool:
    return "vents" in job.rigging.auto and not job.rigging.vent


def _keep_out(plan: RiggingPlan, pattern: Pattern) -> tuple[BaseGeometry, ...]:
    """Return the outlines, with sand, through which no vent may come up."""
    casting_top_mm = float(pattern.solid.bounds[1, 2])
    hanging = feeder_prisms(plan.feeders, plan.top_mm) + chill_prisms(plan.chills)
    outlines = [outline.buffer(BESIDE_FEEDERS_MM) for outline, _, _ in hanging]
    if plan.sprue and plan.well:
        channels = channel_outlines(plan.sprue, plan.well, plan.runners, plan.filters)
        outlines += [outline.buffer(VENT_SAND_MM) for outline, _, _ in channels]
    if plan.sprue and plan.basin:
        outlines.append(basin_outline(plan.basin, plan.sprue).buffer(VENT_SAND_MM + 10.0))
    outlines += [
        outline.buffer(BESIDE_GATES_MM)
        for outline, _, high_mm in map(channel_prism, plan.ingates)
        if high_mm > casting_top_mm - BESIDE_GATES_MM
    ]
    outlines += [
        Point(vent.at_mm[:2]).buffer(0.5 * vent.diameter_mm + VENT_SAND_MM) for vent in plan.vents
    ]
    return tuple(outlines)
