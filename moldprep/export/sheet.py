"""What the crew does and needs to know: the pouring sheet, brought together from the records."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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

ROPE = (
    "Lay a rope in the groove round the cavity, its ends butted, so that it stands a little proud."
)

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
    inserts = _inserts(results)
    low = [one for one in inserts if one.layer == "drag"]
    yield from _set_into("drag", [one for one in low if not one.comes_down])
    yield WorkStep(text="Bed the drag level on dry sand.")
    yield from _set_into("drag", [one for one in low if one.comes_down])
    met = {"drag"}
    for step in handling.steps:
        layer = _layer_of(step.piece)
        if layer is None or step.is_join or layer in met:
            yield WorkStep(text=step.text, hits=step.hits)
            continue
        met.add(layer)
        own = [one for one in inserts if one.layer == layer]
        yield from _set_into(layer, [one for one in own if not one.comes_down])
        if handling.joint_is_sealed:
            yield WorkStep(text=ROPE)
        yield WorkStep(text=step.text, hits=step.hits)
        yield from _set_into(layer, [one for one in own if one.comes_down])
    yield WorkStep(
        text="Put on the weights or clamps; cover every opening until the mold is poured."
    )


@dataclass(frozen=True)
class _Loose:
    """What is set into the sand by hand.

    layer      : "drag", "cheek-1", …, "cope"
    comes_down : whether it goes in from above: once its layer lies
    """

    layer: str
    comes_down: bool
    text: str


def _set_into(layer: str, inserts: Sequence[_Loose]) -> Iterator[WorkStep]:
    if inserts:
        what = "; ".join(one.text for one in inserts)
        yield WorkStep(text=f"Set into the {layer}, dry and warm, held fast: {what}.")


def _layer_of(piece: str) -> str | None:
    """Return the half or cheek that a piece is, or is a part of; None for cores, plugs and lids."""
    parts = piece.split("-")
    if parts[0] == "cheek":
        return "-".join(parts[:2])
    return parts[0] if parts[0] in ("drag", "cope") else None


def _inserts(results: Results) -> tuple[_Loose, ...]:
    """Return what is set into the sand by hand, and how it goes in."""
    plan, alloy = results.need(RiggingPlan), results.need(Alloy)
    facts = {one.name: one for one in results.need(Handling).inserts}
    under = _under_the_parting(results)
    found: list[_Loose] = []

    def add(name: str, what: str) -> None:
        one = facts.get(name)
        layer = (one and _layer_of(one.piece)) or under
        way = one.way if one else ""
        text = f"{what} ({way})" if way else what
        found.append(_Loose(layer, "straight down" in way, text))

    for chill in plan.chills:
        sizes = " x ".join(f"{v:.0f}" for v in chill.size_mm)
        what = f"chill {chill.name}, {chill.material}, {sizes} mm, at {place(chill.at_mm)}"
        add(chill.name, what)
    for filt in plan.filters:
        made_of = f" of {alloy.filter_material}" if alloy.filter_material else ""
        what = (
            f"filter{made_of}, {filt.length_mm:.0f} x {filt.width_mm:.0f} x "
            f"{filt.thickness_mm:.0f} mm, {filt.pores}, across the runner at {place(filt.at_mm)}"
        )
        found.append(_Loose(under, True, what))
    for feeder in plan.feeders:
        if feeder.sleeve != "none":
            add(f"sleeve-{feeder.name}", _sleeve(feeder))
    return tuple(found)


def _under_the_parting(results: Results) -> str:
    """Return the layer right under the parting: a cheek where the sand parts lower, too."""
    n_under = sum(z_mm < results.need(Parting).z_mm for z_mm in results.need(Parting).joints_mm)
    return f"cheek-{n_under}" if n_under else "drag"


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
