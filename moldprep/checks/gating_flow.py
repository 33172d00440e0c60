"""Does the metal run as it should? Speeds, shares, times, heads; from the flow network."""

import math
from collections.abc import Iterator

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, FlowGraph, Metal, Rigging, RiggingPlan, Role, Survey
from moldprep.results import Results
from moldprep.units import mass_kg

CAMPBELL = "J. Campbell, Complete Casting Handbook, rule 2 (from memory)"
KALPAKJIAN = (
    "S. Kalpakjian, S. Schmid, Manufacturing Engineering and Technology, gating (from memory)"
)
PRACTICE = "common practice, no source"
SHOP = "common practice, no source; a shop setting"


def _gates(results: Results) -> list[str]:
    """Return the bodies metal enters castings by, that carry flow."""
    return sorted({name for course in results.need(FlowGraph).cavities for name in course.inlets})


@check(
    id="gating/flow-is-conserved",
    why="What enters a joint must leave it; otherwise the flow was not solved.",
    source="continuity",
    limit=1e-9,
)
def flow_is_conserved(results: Results, limit: float) -> Iterator[Finding]:
    """Look at the largest imbalance of any joint."""
    flow = results.need(FlowGraph)
    if not flow.cavities:
        yield passed_over("no metal flows")
        return
    yield judged(
        flow.imbalance <= limit,
        f"largest imbalance at a joint {flow.imbalance:.1e} of the flow",
        value=flow.imbalance,
        remedy="report this",
    )


@check(
    id="gating/gate-speed-below-critical",
    why="Metal that enters faster folds its skin of oxide into itself.",
    source=CAMPBELL + "; alloy file",
    limit=1.0,
    miss=Verdict.WARN,
)
def gate_speed_below_critical(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the highest speed in each gate with the alloy's critical speed."""
    yield from _speed(results, limit)


@check(
    id="gating/gate-does-not-jet",
    why="A jet wears the sand away and breaks up on the wall it hits.",
    source=PRACTICE,
    limit=4.0,
)
def gate_does_not_jet(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the highest speed in each gate with several times the critical speed."""
    yield from _speed(results, limit)


def _speed(results: Results, limit: float) -> Iterator[Finding]:
    flow, alloy = results.need(FlowGraph), results.need(Alloy)
    gates = _gates(results)
    critical = alloy.critical_speed_m_s
    for channel in flow.channels:
        if channel.body in gates:
            times = channel.speed_m_s / critical
            wanted = channel.smallest_mm2 * channel.speed_m_s / (limit * critical)
            yield judged(
                times <= limit,
                f"{channel.body}: {channel.speed_m_s:.2f} m/s at {channel.smallest_mm2:.0f} mm², "
                f"{times:.2f} x the critical {critical:.2f} m/s",
                value=times,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy=f"widen it to {wanted:.0f} mm², add gates, or take the choke smaller",
            )
    if not gates:
        yield passed_over("no metal enters any casting")


@check(
    id="gating/gates-share-the-flow",
    why="A gate that takes twice its share overheats one place while others run cold.",
    source=PRACTICE,
    limit=2.0,
)
def gates_share_the_flow(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each gate's flow with the mean of all gates."""
    flow, gates = results.need(FlowGraph), _gates(results)
    if len(gates) < 2:
        yield passed_over("fewer than two gates")
        return
    for channel in flow.channels:
        if channel.body in gates:
            times = channel.share * len(gates)
            yield judged(
                times <= limit,
                f"{channel.body} takes {100.0 * channel.share:.0f} % of the flow, "
                f"{times:.2f} x the mean",
                value=times,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy=f"narrow {channel.body}, or step the runner down before it",
            )


@check(
    id="gating/every-gate-works",
    why="A gate that takes next to nothing chills and misruns around it.",
    source=PRACTICE,
    limit=0.4,
    miss=Verdict.WARN,
)
def every_gate_works(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the most each gate takes at any time with the mean of all gates."""
    flow, gates = results.need(FlowGraph), _gates(results)
    whole = sum(float(course.shares[0].sum()) for course in flow.cavities)
    if len(gates) < 2 or whole <= 0.0:
        yield passed_over("fewer than two gates")
        return
    for course in flow.cavities:
        for name, most in zip(course.inlets, course.shares.max(axis=0), strict=True):
            times = float(most) * len(gates) / whole
            yield judged(
                times >= limit,
                f"{name} takes {times:.2f} x the mean of the gates at most",
                value=times,
                part=name,
                at_mm=_place(flow, name),
                remedy=f"lower {name}, widen it, or take it out",
            )


def _place(flow: FlowGraph, name: str) -> tuple[float, ...]:
    return next((mouth.at_mm for mouth in flow.mouths if mouth.body == name), ())


@check(
    id="gating/castings-fill-alike",
    why="Castings of one mold that fill at different times get different metal.",
    source=PRACTICE,
    limit=0.1,
    miss=Verdict.WARN,
)
def castings_fill_alike(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the flow into each cavity with the mean, for its volume."""
    cavities = results.need(FlowGraph).cavities
    if len(cavities) < 2:
        yield passed_over("one casting")
        return
    rates = np.array([c.course[0, 3] / max(c.course[-1, 2], 1e-9) for c in cavities])
    for course, rate in zip(cavities, rates, strict=True):
        off = float(rate / rates.mean() - 1.0)
        yield judged(
            abs(off) <= limit,
            f"{course.parts[0]} fills at {100.0 * off:+.0f} % of the mean rate for its volume",
            value=abs(off),
            part=course.parts[0],
            at_mm=_place(results.need(FlowGraph), course.inlets[0]),
            remedy="make the ways to all castings alike: same lengths, same sections",
        )


@check(
    id="gating/reynolds-in-gates",
    why="Very turbulent metal in a gate carries air and oxide into the casting.",
    source=KALPAKJIAN + ": 2000 to 20 000 is tolerated",
    limit=20_000.0,
    miss=Verdict.WARN,
)
def reynolds_in_gates(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the Reynolds number of each gate with what is tolerated."""
    flow, gates = results.need(FlowGraph), _gates(results)
    for channel in flow.channels:
        if channel.body in gates:
            yield judged(
                channel.reynolds <= limit,
                f"Re {channel.reynolds:.0f} in {channel.body}",
                value=channel.reynolds,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy="more and smaller gates, or a slower pour",
            )
    if not gates:
        yield passed_over("no metal enters any casting")


# ---- times and heads ----------------------------------------------------------------------


@check(
    id="gating/head-fills-the-mold",
    why="Metal does not rise over the level in the basin, and hardly near it.",
    source="Bernoulli; the margin: " + SHOP,
    limit=20.0,
    unit="mm",
)
def head_fills_the_mold(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the level in the basin with the highest point of each casting."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    if not math.isfinite(flow.source_mm):
        yield judged(False, "there is no basin and no sprue", remedy="add a sprue and a basin")
        return
    for body in rigging.castings:
        points, _ = body.solid.mesh()
        top = points[int(np.argmax(points[:, 2]))]
        head = flow.source_mm - float(top[2])
        yield judged(
            head >= limit,
            f"{head:.0f} mm of head over the top of {body.name}",
            value=head,
            part=body.name,
            at_mm=tuple(top),
            remedy=f"raise the cope and the basin by {limit - head:.0f} mm",
        )


@check(
    id="gating/pour-time-as-planned",
    why="The measured system should pour in the time it was drawn for.",
    source="quasi-steady Bernoulli with losses, over the rising level",
    limit=0.4,
    miss=Verdict.WARN,
)
def pour_time_as_planned(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the integrated pouring time with the plan's."""
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    if not math.isfinite(flow.pour_time_s):
        yield judged(
            False, "the mold does not fill", value=math.inf,
            remedy="join every casting and give it head enough",
        )  # fmt: skip
        return
    cavity = flow.pour_time_s - flow.prime_s
    off = cavity / plan.pour_time_s - 1.0
    yield judged(
        abs(off) <= limit,
        f"cavities fill in {cavity:.1f} s ({flow.prime_s:.1f} s before it for the channels), "
        f"planned {plan.pour_time_s:.1f} s",
        value=abs(off),
        remedy="change the choke in proportion",
    )


@check(
    id="gating/pour-time-near-handbook",
    why="Far quicker washes the sand, far slower runs cold; the handbooks hold what worked.",
    source="the formula named in the message",
    limit=2.0,
    miss=Verdict.WARN,
)
def pour_time_near_handbook(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the filling of the cavities with the handbook formula for this alloy."""
    flow = results.need(FlowGraph)
    if not math.isfinite(flow.pour_time_s) or not flow.formula_times:
        yield passed_over("the mold does not fill")
        return
    cavity = flow.pour_time_s - flow.prime_s
    for name, seconds, source in flow.formula_times[:1]:
        times = max(cavity / seconds, seconds / cavity)
        yield judged(
            times <= limit,
            f"cavities fill in {cavity:.1f} s, {name}: {seconds:.1f} s ({source})",
            value=times,
            remedy="change the choke in proportion",
        )


@check(
    id="gating/fills-before-thin-wall-freezes",
    why="A thin wall must be full well before metal of its thickness freezes.",
    source="half the freezing time of the thinnest wall: " + PRACTICE,
    limit=0.5,
)
def fills_before_thin_wall_freezes(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the filling of the cavities with the freezing time of the thinnest wall."""
    flow, survey, alloy = results.need(FlowGraph), results.need(Survey), results.need(Alloy)
    if not math.isfinite(flow.pour_time_s):
        yield passed_over("the mold does not fill")
        return
    freeze = alloy.constant_s_mm2 * (0.5 * survey.thin_mm) ** 2
    cavity = flow.pour_time_s - flow.prime_s
    yield judged(
        cavity / freeze <= limit,
        f"cavities fill in {cavity:.1f} s; walls of {survey.thin_mm:.1f} mm freeze in "
        f"{freeze:.1f} s",
        value=cavity / freeze,
        remedy=f"pour in {limit * freeze:.1f} s: choke x {cavity / (limit * freeze):.1f}, or"
        " thicken the wall",
    )


@check(
    id="gating/superheat-reaches-castings",
    why="Metal that arrives near its liquidus has no heat left to run with.",
    source="contact resistance and sand in series, after M. C. Flemings, Solidification"
    " Processing, ch. 1; the share: " + SHOP,
    limit=0.6,
    miss=Verdict.WARN,
)
def superheat_reaches_castings(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the heat the first metal loses on the way with its superheat."""
    flow, alloy, gates = results.need(FlowGraph), results.need(Alloy), _gates(results)
    superheat = 0.5 * (alloy.pour_low_c + alloy.pour_high_c) - alloy.liquidus_c
    for channel in flow.channels:
        if channel.body in gates and math.isfinite(channel.cooled_k):
            share = channel.cooled_k / superheat
            yield judged(
                share <= limit,
                f"the first metal has lost {channel.cooled_k:.0f} K of {superheat:.0f} K superheat"
                f" at the end of {channel.body}",
                value=share,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy="shorter or thicker channels, a quicker pour, or hotter metal",
            )
    if not gates:
        yield passed_over("no metal enters any casting")


# ---- metal, filter, vents -----------------------------------------------------------------


@check(
    id="gating/yield-is-usual",
    why="Metal in the rigging is melted again and paid for again.",
    source="alloy file; " + SHOP,
    unit="%",
    miss=Verdict.WARN,
)
def yield_is_usual(results: Results, limit: float) -> Iterator[Finding]:
    """Compare castings over poured metal with what is usual for the alloy."""
    metal, alloy = results.need(Metal), results.need(Alloy)
    low, high = alloy.yield_pct
    yield judged(
        metal.yield_pct >= low,
        f"{metal.casting_kg:.1f} kg castings of {metal.mass_kg:.1f} kg poured: "
        f"{metal.yield_pct:.0f} %, usual {low:.0f} to {high:.0f} %",
        value=metal.yield_pct,
        remedy="shorten runners, sleeve the feeders, or share one system among more castings",
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
        faces = [body.solid.volume_mm3 / float(body.solid.size_mm.min()) for body in filters]
        area_cm2 = sum(faces) / 100.0
    rate = sum(float(course.course[0, 3]) for course in flow.cavities)
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
    source="vents in total as large as the choke: " + PRACTICE,
    limit=1.0,
    miss=Verdict.WARN,
)
def vents_match_the_choke(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the area of vents and open feeders with the choke."""
    flow, plan, rigging = results.need(FlowGraph), results.need(RiggingPlan), results.need(Rigging)
    if plan.choke_mm2 <= 0.0:
        yield passed_over("no choke planned")
        return
    areas = {}
    for body in rigging.of_role(Role.VENT, Role.FEEDER):
        node = flow.graph.nodes[body.name]
        if node["is_open"] and body.name in flow.reached:
            sections = [s.area_mm2 for s in flow.stations if s.body == body.name]
            joins = [data["area_mm2"] for _, _, data in flow.graph.edges(body.name, data=True)]
            areas[body.name] = min([*sections, *joins], default=0.0)
    total = sum(areas.values())
    yield judged(
        total >= limit * plan.choke_mm2,
        f"{', '.join(areas) or 'nothing'} open at the top: {total:.0f} mm² for a choke of "
        f"{plan.choke_mm2:.0f} mm²",
        value=total / plan.choke_mm2,
        part=next(iter(areas), ""),
        remedy=f"add vents of {plan.choke_mm2 - total:.0f} mm² on high points, or open a feeder",
    )


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
