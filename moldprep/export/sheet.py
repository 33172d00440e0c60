"""The numbers of the pouring sheet, brought together from the records."""

import math

from moldprep.export.schema import CutPart, SheetPart
from moldprep.records import (
    Alloy,
    FlowGraph,
    Freezing,
    Handling,
    Job,
    Metal,
    Rigging,
    Role,
    Rules,
)
from moldprep.results import Results

TAP_EXTRA_PCT = 8.0
"""Metal to tap over metal poured, where the rule set does not say. Common practice, no source."""

CUT = {Role.INGATE, Role.NECK, Role.FEEDER, Role.VENT, Role.SPRUE, Role.RUNNER}


def pouring_sheet(results: Results) -> SheetPart:
    """Return what the pouring crew has to know in numbers.

    Parameters
    ----------
    results
        With metal, flow, rigging, freezing and handling made.
    """
    job, alloy, metal = results.need(Job), results.need(Alloy), results.need(Metal)
    handling, flow = results.need(Handling), results.need(FlowGraph)
    extra_pct = results.need(Rules).settings.get("tap_extra_pct", TAP_EXTRA_PCT)
    n_castings = len(results.need(Rigging).castings)
    fixed_c = job.freezing.pour_c
    is_filled = math.isfinite(flow.pour_time_s) and flow.pour_time_s > 0.0
    return SheetPart(
        n_molds=math.ceil(job.sheet.quantity / n_castings),
        n_castings_in_mold=n_castings,
        casting_kg=metal.casting_kg,
        rigging_kg=metal.mass_kg - metal.casting_kg,
        poured_kg=metal.mass_kg,
        tap_kg=metal.mass_kg * (1.0 + extra_pct / 100.0),
        tap_extra_pct=extra_pct,
        yield_pct=metal.yield_pct,
        pour_c=(alloy.pour_low_c, alloy.pour_high_c) if fixed_c == "auto" else (fixed_c, fixed_c),
        liquidus_c=alloy.liquidus_c,
        pour_time_s=flow.pour_time_s,
        pour_rate_kg_s=metal.mass_kg / flow.pour_time_s if is_filled else None,
        cope_lift_n=handling.cope_lift_n,
        cope_kg=handling.cope_kg,
        weight_kg=handling.weight_kg,
        knock_out_c=alloy.knock_out_c,
        shake_out_s=results.need(Freezing).shake_out_s,
        cuts=_cuts(results.need(Rigging), flow),
    )


def _cuts(rigging: Rigging, flow: FlowGraph) -> tuple[CutPart, ...]:
    """Return where rigging comes off the castings: their measured contacts."""
    castings = {body.name for body in rigging.castings}
    roles = {body.name: body.role for body in rigging.bodies}
    found = []
    for contact in flow.contacts:
        pair = {contact.a, contact.b}
        if len(pair & castings) == 1:
            (body,) = pair - castings
            if roles.get(body) in CUT:
                found.append(
                    CutPart(
                        body=body, role=roles[body], area_mm2=contact.area_mm2, at_mm=contact.at_mm
                    )
                )
    return tuple(sorted(found, key=lambda cut: cut.body))
