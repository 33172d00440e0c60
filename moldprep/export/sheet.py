"""What the crew does and needs to know: the pouring sheet, brought together from the records."""

import math
from collections.abc import Iterator

from moldprep.export.schema import CutPart, SheetPart, WorkStep
from moldprep.records import (
    Alloy,
    FeederPlan,
    FlowGraph,
    Freezing,
    Handling,
    Job,
    Metal,
    Parting,
    Rigging,
    RiggingPlan,
    Role,
    Rules,
)
from moldprep.results import Results
from moldprep.units import mass_kg
from moldprep.wording import by_number, lifted_text, place, whole_weights_kg

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
    handling, flow, rigging = results.need(Handling), results.need(FlowGraph), results.need(Rigging)
    extra_pct = results.need(Rules).settings.get("tap_extra_pct", TAP_EXTRA_PCT)
    n_castings = len(rigging.castings)
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
        first_rate_kg_s=_first_rate_kg_s(flow, alloy),
        basin_kg=mass_kg(
            sum(b.solid.volume_mm3 for b in rigging.bodies if b.role is Role.BASIN),
            alloy.density_liquid_kg_m3,
        ),
        cope_lift_n=handling.cope_lift_n,
        cope_kg=handling.cope_kg,
        lifted=lifted_text(handling.lifted),
        weight_kg=whole_weights_kg(handling.weight_kg),
        knock_out_c=alloy.knock_out_c,
        shake_out_s=results.need(Freezing).shake_out_s,
        order=tuple(_order(results)),
        outlets=_outlets(results.need(RiggingPlan)),
        cuts=_cuts(rigging, flow),
    )


def _first_rate_kg_s(flow: FlowGraph, alloy: Alloy) -> float:
    """Return what the sprue draws while no gate is covered: the ladle must give as much."""
    sprues = [c.flow_mm3_s for c in flow.channels if flow.graph.nodes[c.body]["role"] is Role.SPRUE]
    return mass_kg(max(sprues, default=math.nan), alloy.density_liquid_kg_m3)


def _outlets(plan: RiggingPlan) -> tuple[str, ...]:
    """Return what stands open at the top of the cope and lets air out: vents, open feeders."""
    vents = tuple(f"{v.name}, {v.diameter_mm:.0f} mm, at {place(v.at_mm)}" for v in plan.vents)
    feeders = tuple(f"{f.name}, open, at {place(f.at_mm)}" for f in plan.feeders if f.is_open)
    return vents + feeders


def _order(results: Results) -> Iterator[WorkStep]:
    """Yield what is done, in order, from the bare pieces to a mold ready to be poured."""
    alloy, handling, job = results.need(Alloy), results.need(Handling), results.need(Job)
    yield WorkStep(
        text="Check every piece against the list of pieces; suck out and brush, look through "
        "every channel."
    )
    if alloy.coating_mm > 0.0:
        yield WorkStep(
            text=f"Coat all faces that metal touches, about {alloy.coating_mm:g} mm dry; keep core "
            "prints, joints, locators and vents bare; let it dry through."
        )
    if job.cores.process == "only":
        yield from (WorkStep(text=step.text, hits=step.hits) for step in handling.steps)
        return
    yield WorkStep(text="Bed the drag level on dry sand.")
    low, high = _inserts(results)
    if low:
        yield WorkStep(text=f"Set into the drag, dry and warm: {'; '.join(low)}.")
    is_open = True
    for step in handling.steps:
        if is_open and not step.is_join and step.piece.startswith("cope"):
            is_open = False
            yield from _before_closing(high, is_roped=handling.joint_is_sealed)
        yield WorkStep(text=step.text, hits=step.hits)
    yield WorkStep(
        text="Put on the weights or clamps; cover every opening until the mold is poured."
    )


def _before_closing(high: tuple[str, ...], *, is_roped: bool) -> Iterator[WorkStep]:
    if high:
        yield WorkStep(text=f"Set into the cope, dry and warm, held fast: {'; '.join(high)}.")
    if is_roped:
        yield WorkStep(
            text="Lay a rope in the groove round the cavity, its ends butted, so that it stands "
            "a little proud."
        )


def _inserts(results: Results) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what is set into the sand below the parting, and above it, and how it goes in."""
    plan, z_mm, alloy = results.need(RiggingPlan), results.need(Parting).z_mm, results.need(Alloy)
    facts = {one.name: one for one in results.need(Handling).inserts}
    found: list[tuple[bool, str]] = []

    def add(name: str, at_z_mm: float, what: str) -> None:
        one = facts.get(name)
        is_high = one.piece.startswith("cope") if one and one.piece else at_z_mm >= z_mm
        found.append((is_high, f"{what} ({one.way})" if one and one.way else what))

    for chill in plan.chills:
        sizes = " x ".join(f"{v:.0f}" for v in chill.size_mm)
        what = f"chill {chill.name}, {chill.material}, {sizes} mm, at {place(chill.at_mm)}"
        add(chill.name, chill.at_mm[2], what)
    for filt in plan.filters:
        made_of = f" of {alloy.filter_material}" if alloy.filter_material else ""
        what = (
            f"filter{made_of}, {filt.length_mm:.0f} x {filt.width_mm:.0f} x "
            f"{filt.thickness_mm:.0f} mm, {filt.pores}, across the runner at {place(filt.at_mm)}"
        )
        found.append((False, what))
    for feeder in plan.feeders:
        if feeder.sleeve != "none":
            add(f"sleeve-{feeder.name}", feeder.at_mm[2], _sleeve(feeder))
    return (
        tuple(what for is_high, what in found if not is_high),
        tuple(what for is_high, what in found if is_high),
    )


def _sleeve(feeder: FeederPlan) -> str:
    return f"{feeder.sleeve} sleeve of {feeder.name}, wall {feeder.sleeve_mm:.0f} mm"


def _cuts(rigging: Rigging, flow: FlowGraph) -> tuple[CutPart, ...]:
    """Return where rigging comes off the castings: their measured contacts, body by body."""
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
    return tuple(sorted(found, key=lambda cut: (by_number(cut.body), -cut.area_mm2)))
