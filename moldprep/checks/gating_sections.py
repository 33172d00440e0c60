"""Are the sections of the gating right? Choke, necks, ratio; measured on the bodies."""

import math
from collections.abc import Iterator

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Body, FlowGraph, Rigging, RiggingPlan, Role, Station
from moldprep.results import Results

GEOMETRY = "sections are measured on the bodies; the rule itself is continuity"
CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
RAO = "P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating (from memory)"


@check(
    id="gating/bottleneck-is-the-choke",
    why="The tightest place between basin and castings sets the flow; it should be the choke.",
    source="minimum cut of measured areas: L. R. Ford, D. R. Fulkerson, Flows in Networks (1962)",
    limit=0.9,
)
def bottleneck_is_the_choke(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the minimum cut between pouring and castings with the choke that was planned."""
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    if not flow.bottleneck:
        yield judged(
            False, "nothing joins the pouring to any casting", value=0.0,
            remedy="give the mold a sprue, runners and ingates that touch each other",
        )  # fmt: skip
        return
    if plan.choke_mm2 <= 0.0:
        yield passed_over(f"no choke planned; the bottleneck is {flow.bottleneck_mm2:.0f} mm²")
        return
    share = flow.bottleneck_mm2 / plan.choke_mm2
    yield judged(
        share >= limit,
        f"bottleneck {flow.bottleneck_mm2:.0f} mm² at {', '.join(flow.bottleneck)}, planned choke "
        f"{plan.choke_mm2:.0f} mm²",
        value=share,
        part=flow.bottleneck[0].split("|")[0],
        at_mm=flow.bottleneck_at_mm,
        remedy=f"widen {', '.join(flow.bottleneck)} there",
    )


@check(
    id="gating/choke-is-not-too-wide",
    why="A choke wider than planned pours faster, and every speed after it rises.",
    source=GEOMETRY,
    limit=1.25,
    miss=Verdict.WARN,
)
def choke_is_not_too_wide(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the minimum cut with the choke from the other side."""
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    if plan.choke_mm2 <= 0.0 or not flow.bottleneck:
        yield passed_over("no choke planned, or nothing joined")
        return
    share = flow.bottleneck_mm2 / plan.choke_mm2
    yield judged(
        share <= limit,
        f"bottleneck {share:.2f} x the planned choke",
        value=share,
        part=flow.bottleneck[0].split("|")[0],
        at_mm=flow.bottleneck_at_mm,
        remedy="narrow the sprue's foot to the planned choke",
    )


@check(
    id="gating/no-neck-in-channels",
    why="A neck inside a channel throws a jet, tears the skin of the stream and erodes the sand.",
    source=CAMPBELL,
    limit=0.7,
)
def no_neck_in_channels(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the smallest section of each runner and gate with its usual one.

    A gate's break-off notch, within one gate width of its mouth, is left out.
    """
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    bodies = rigging.of_role(Role.RUNNER, Role.INGATE)
    found = False
    for body in bodies:
        stations = _inner_stations(flow, body)
        if len(stations) < 3:
            continue
        found = True
        usual = float(np.median([station.area_mm2 for station in stations]))
        tight = min(stations, key=lambda station: station.area_mm2)
        share = tight.area_mm2 / usual
        yield judged(
            share >= limit,
            f"{body.name}: smallest section {tight.area_mm2:.0f} mm², usual {usual:.0f} mm²",
            value=share,
            part=body.name,
            at_mm=tight.at_mm,
            remedy=f"keep {body.name} at {usual:.0f} mm² all along",
        )
    if not found:
        yield passed_over("no channel long enough to be measured")


def _inner_stations(flow: FlowGraph, body: Body) -> list[Station]:
    """Return the sections of a body between its contacts, without a gate's mouth and its tips."""
    stations = [station for station in flow.stations if station.body == body.name]
    if not stations:
        return []
    width = math.sqrt(float(np.median([station.area_mm2 for station in stations])))
    mouths = [np.array(m.at_mm) for m in flow.mouths if m.body == body.name]
    if body.role is Role.RUNNER:
        low = min(station.along_mm for station in stations) + 0.25 * width
        high = max(station.along_mm for station in stations) - 0.25 * width
        stations = [s for s in stations if low <= s.along_mm <= high]
    return [
        s for s in stations
        if all(float(np.linalg.norm(np.subtract(s.at_mm, at))) > width for at in mouths)
    ]  # fmt: skip


@check(
    id="gating/ratio-of-runners",
    why="Runners off the planned ratio run too fast, or not full.",
    source=RAO,
    limit=0.2,
    miss=Verdict.WARN,
)
def ratio_of_runners(results: Results, limit: float) -> Iterator[Finding]:
    """Compare measured runner area over the choke with the plan."""
    yield from _ratio(results, limit, 1, "runners")


@check(
    id="gating/ratio-of-ingates",
    why="Ingates off the planned ratio change the speed of the metal in the mold.",
    source=RAO,
    limit=0.2,
    miss=Verdict.WARN,
)
def ratio_of_ingates(results: Results, limit: float) -> Iterator[Finding]:
    """Compare measured ingate area over the choke with the plan."""
    yield from _ratio(results, limit, 2, "ingates")


def _ratio(results: Results, limit: float, index: int, what: str) -> Iterator[Finding]:
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    got = flow.ratio_mm2[index]
    if flow.ratio_mm2[0] <= 0.0 or got <= 0.0 or plan.choke_mm2 <= 0.0:
        yield passed_over(f"no sprue, no choke planned, or no {what}")
        return
    unit = plan.choke_mm2 / min(plan.ratio)
    off = got / (unit * plan.ratio[index]) - 1.0
    a, b, c = (area / unit for area in flow.ratio_mm2)
    yield judged(
        abs(off) <= limit,
        f"{what} {got:.0f} mm², {100.0 * off:+.0f} % of plan; measured {a:.2f} : {b:.2f} : {c:.2f},"
        f" planned {plan.ratio[0]:g} : {plan.ratio[1]:g} : {plan.ratio[2]:g}",
        value=abs(off),
        part=what,
        remedy=f"bring the {what} to {unit * plan.ratio[index]:.0f} mm² in all",
    )
