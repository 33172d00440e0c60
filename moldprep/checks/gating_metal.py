"""Is the metal well used, filtered, and can the air leave? Yield, filters, vents."""

import math
from collections.abc import Iterator
from dataclasses import replace

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, FlowGraph, Metal, Rigging, RiggingPlan, Role
from moldprep.results import Results
from moldprep.rigging.feeders import AIR_CORE_CM3
from moldprep.units import mass_kg

PRACTICE = "common practice, no source"
SHOP = "common practice, no source; a shop setting"


@check(
    id="gating/yield-is-usual",
    why="Metal in the rigging is melted again and paid for again.",
    source="yield_pct of the alloy's file; " + SHOP,
    limit=1.0,
    miss=Verdict.WARN,
)
def yield_is_usual(results: Results, limit: float) -> Iterator[Finding]:
    """Compare castings over poured metal with the low end of what is usual for the alloy."""
    metal, (low, high) = results.need(Metal), results.need(Alloy).yield_pct
    yield judged(
        metal.yield_pct >= limit * low,
        f"{metal.casting_kg:.1f} kg castings of {metal.mass_kg:.1f} kg poured: "
        f"{metal.yield_pct:.1f} %, usual {low:.0f} to {high:.0f} %",
        value=metal.yield_pct / low,
        remedy=_more_castings(results, limit * low),
    )


SHARED = (Role.BASIN, Role.SPRUE, Role.WELL, Role.FILTER)
"""What one system has once, however many castings hang on it."""

MOST_CASTINGS = 64
"""Castings to a mold that a job can ask for."""


def _more_castings(results: Results, low_pct: float) -> str:
    """Return how to bring the yield up, with the castings to a mold that would.

    Each brings its feeders, vents, gates and length of runner; the rest is shared, as far as one
    sprue passes the metal for all of them.
    """
    metal, rigging, alloy = results.need(Metal), results.need(Rigging), results.need(Alloy)
    count, density = len(rigging.castings), alloy.density_liquid_kg_m3
    shared_kg = sum(mass_kg(b.solid.volume_mm3, density) for b in rigging.of_role(*SHARED))
    one_kg, with_its_own_kg = metal.casting_kg / count, (metal.mass_kg - shared_kg) / count
    gained_kg = one_kg - low_pct / 100.0 * with_its_own_kg
    need = math.ceil(low_pct / 100.0 * shared_kg / gained_kg) if gained_kg > 0.0 else math.inf
    if need > MOST_CASTINGS:
        return (
            "fewer or sleeved feeders, chills, shorter runners: more castings to the mold alone do"
            f" not help, each of {one_kg:.2g} kg takes {with_its_own_kg:.2g} kg with its feeders"
            " and its share of the runners"
        )
    return (
        f"mold.count = {max(int(need), count + 1)}: that many castings share the {shared_kg:.2g} kg"
        " of basin, sprue, well and filter; or fewer or sleeved feeders, chills, shorter runners"
    )


@check(
    id="gating/filter-is-large-enough",
    why="A small filter clogs or breaks before the mold is full.",
    source="alloy file: capacity, flow and area over the choke; " + SHOP,
    limit=1.0,
)
def filter_is_large_enough(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the area of all filters with what mass, rate and choke ask for."""
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    alloy, metal, rigging = results.need(Alloy), results.need(Metal), results.need(Rigging)
    filters = rigging.of_role(Role.FILTER)
    if not filters:
        yield passed_over("no filter")
        return
    area_cm2 = sum(one.length_mm * one.width_mm for one in plan.filters) / 100.0
    if not plan.filters:
        names = {body.name for body in filters}
        widest = {s.body: 0.0 for s in flow.stations if s.body in names}
        for station in flow.stations:
            if station.body in names:
                widest[station.body] = max(widest[station.body], station.area_mm2)
        area_cm2 = sum(widest.values()) / 100.0
    rate = sum(float(course.flow_mm3_s[0]) for course in flow.cavities)
    needs = {
        f"{metal.mass_kg:.0f} kg": metal.mass_kg / alloy.filter_kg_cm2,
        "the flow": mass_kg(rate, alloy.density_liquid_kg_m3) / alloy.filter_kg_s_cm2,
        f"{alloy.filter_choke_ratio:g} x choke": alloy.filter_choke_ratio * plan.choke_mm2 / 100.0,
    }
    why, need = max(needs.items(), key=lambda item: item[1])
    yield judged(
        area_cm2 >= limit * need,
        f"filter {area_cm2:.0f} cm², {why} asks for {need:.0f} cm²",
        value=area_cm2 / need,
        part=filters[0].name,
        at_mm=tuple(filters[0].solid.centroid_mm),
        remedy=f"take {need:.0f} cm² of filter, or two in parallel",
    )


@check(
    id="gating/filter-is-primed",
    why="Metal enters fine pores only under some head; less and the filter freezes shut.",
    source="priming head of 100 to 150 mm: " + SHOP,
    limit=100.0,
    unit="mm",
    miss=Verdict.WARN,
)
def filter_is_primed(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the metal over each filter with the head it needs to start."""
    flow, filters = results.need(FlowGraph), results.need(Rigging).of_role(Role.FILTER)
    if not filters or not math.isfinite(flow.source_mm):
        yield passed_over("no filter, or nothing is poured")
        return
    for body in filters:
        head = flow.source_mm - float(body.solid.centroid_mm[2])
        yield judged(
            head >= limit,
            f"{head:.0f} mm of metal over {body.name}",
            value=head,
            part=body.name,
            at_mm=tuple(body.solid.centroid_mm),
            remedy=f"raise the basin by {limit - head:.0f} mm, or lower the filter",
        )


@check(
    id="gating/vents-match-the-choke",
    why="Air that cannot leave as fast as metal comes holds the metal back, or blows through it.",
    source="vents in total as large as the choke; under 0.3 of it a fault, where there is more"
    " air than 100 cm³: " + PRACTICE,
    limit=1.0,
)
def vents_match_the_choke(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the area of vents and open feeders with the choke; nearly none is a fault.

    But where the mold holds no more air than leaves a feeder's air core.
    """
    flow, plan, rigging = results.need(FlowGraph), results.need(RiggingPlan), results.need(Rigging)
    if plan.choke_mm2 <= 0.0:
        yield passed_over("no choke planned")
        return
    areas = {}
    for body in rigging.of_role(Role.VENT, Role.FEEDER):
        node = flow.graph.nodes[body.name]
        if node["is_open"] and body.name in flow.reached:
            areas[body.name] = _free_mm2(flow, body.name)
    total = sum(areas.values())
    share = total / plan.choke_mm2
    found = judged(
        share >= limit,
        f"{', '.join(areas) or 'nothing'} open at the top: {total:.0f} mm² for a choke of "
        f"{plan.choke_mm2:.0f} mm²",
        value=share,
        part=next(iter(areas), ""),
        remedy=f"add vents of {plan.choke_mm2 - total:.0f} mm² on high points and on blind "
        "feeders, or open a feeder",
    )
    air_cm3 = sum(float(course.volume_mm3[-1]) for course in flow.cavities) / 1000.0
    is_little = air_cm3 <= AIR_CORE_CM3 and bool(flow.cavities)
    is_short = found.verdict is Verdict.FAIL and (share >= LEAST_AIR or is_little)
    yield replace(found, verdict=Verdict.WARN) if is_short else found


LEAST_AIR = 0.3
"""Vents over the choke under which a mold has no way out for its air to speak of."""


def _free_mm2(flow: FlowGraph, name: str) -> float:
    """Return the tightest place of a way out: its foot, and its sections above the foot. [mm²]

    On a slope the lowest sections lie partly in the body it stands on: there the foot counts.
    """
    joins = [data for _, _, data in flow.graph.edges(name, data=True)]
    sections = [
        station.area_mm2
        for station in flow.stations
        if station.body == name
        and all(math.dist(station.at_mm, j["at_mm"]) > math.sqrt(station.area_mm2) for j in joins)
    ]
    return float(min([*sections, *(join["area_mm2"] for join in joins)], default=0.0))


@check(
    id="gating/vents-are-open",
    why="A vent that ends in sand lets nothing out.",
    source=PRACTICE,
)
def vents_are_open(results: Results, limit: float) -> Iterator[Finding]:
    """Ask every vent to stand on metal and to break out of the cope's top."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    vents = rigging.of_role(Role.VENT)
    for vent in vents:
        top = float(vent.solid.bounds[1, 2])
        is_joined = flow.graph.degree(vent.name) > 0
        is_open = bool(flow.graph.nodes[vent.name]["is_open"])
        state = "is open" if is_open else f"ends in the sand at {top:.0f} mm"
        yield judged(
            is_open and is_joined,
            f"{vent.name} {state if is_joined else 'stands on nothing'}",
            part=vent.name,
            at_mm=(*vent.solid.centroid_mm[:2], top),
            remedy=f"run {vent.name} from the casting to the top of the cope",
        )
    if not vents:
        yield passed_over("no vents")
