"""Is the gating connected, whole and of the right sections? All numbers measured on the bodies."""

import math
from collections.abc import Iterator

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import (
    Body,
    Contact,
    FlowGraph,
    NearMiss,
    Rigging,
    RiggingPlan,
    Role,
    Station,
)
from moldprep.results import Results

GEOMETRY = "contacts and sections are measured on the bodies; the rule itself is continuity"
CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
RAO = "P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating (from memory)"
AFS = "AFS practice of gating, as quoted in foundry texts (from memory)"
PRACTICE = "common practice, no source"


@check(
    id="gating/castings-are-reached",
    why="A casting that no opening joins to the pouring stays empty.",
    source=GEOMETRY,
)
def castings_are_reached(results: Results, limit: float) -> Iterator[Finding]:
    """Look for castings, or pieces of one, that metal does not reach."""
    yield from _reached(results, (Role.CASTING,), "casting")


@check(
    id="gating/ingates-are-reached",
    why="An ingate cut off from its runner feeds nothing and lets air in.",
    source=GEOMETRY,
)
def ingates_are_reached(results: Results, limit: float) -> Iterator[Finding]:
    """Look for ingates that metal does not reach."""
    yield from _reached(results, (Role.INGATE,), "ingate")


@check(
    id="gating/feeders-are-reached",
    why="A feeder that does not fill feeds nothing.",
    source=GEOMETRY,
)
def feeders_are_reached(results: Results, limit: float) -> Iterator[Finding]:
    """Look for feeders and necks that metal does not reach."""
    yield from _reached(results, (Role.FEEDER, Role.NECK), "feeder or neck")


@check(
    id="gating/channels-are-reached",
    why="A channel, or a piece of one, that is cut off from the pouring carries nothing.",
    source=GEOMETRY,
)
def channels_are_reached(results: Results, limit: float) -> Iterator[Finding]:
    """Look for basins, sprues, wells, runners, filters and vents that metal does not reach."""
    roles = (Role.BASIN, Role.SPRUE, Role.WELL, Role.RUNNER, Role.FILTER, Role.VENT)
    yield from _reached(results, roles, "channel")


def _reached(results: Results, roles: tuple[Role, ...], what: str) -> Iterator[Finding]:
    rigging, flow = results.need(Rigging), results.need(FlowGraph)
    bodies = rigging.of_role(*roles)
    if not bodies:
        yield passed_over(f"no {what} in this mold")
        return
    names = {body.name for body in bodies}
    lost = [(name, at) for name, at in flow.lost if name in names]
    for name, at in lost:
        pieces = int(flow.graph.nodes[name]["n_lumps"])
        whole = name if pieces == 1 else f"a piece of {name} (it is in {pieces} pieces)"
        yield judged(
            False,
            f"metal does not reach {whole}{_near(flow, name)}",
            part=name,
            at_mm=_where(flow, name, at),
            remedy=f"join {name} to the channel beside it: overlap them by 0.5 mm or more",
        )
    if not lost:
        yield judged(True, f"metal reaches every {what}: {', '.join(sorted(names))}")


def _misses(flow: FlowGraph, name: str) -> list[NearMiss]:
    mine = [miss for miss in flow.near_misses if name in (miss.a, miss.b)]
    return sorted(mine, key=lambda miss: miss.gap_mm)


def _near(flow: FlowGraph, name: str) -> str:
    for miss in _misses(flow, name):
        other = miss.b if miss.a == name else miss.a
        return f"; {miss.gap_mm:.2f} mm of sand part it from {other}"
    return ""


def _where(
    flow: FlowGraph, name: str, middle: tuple[float, float, float]
) -> tuple[float, float, float]:
    misses = _misses(flow, name)
    return misses[0].at_mm if misses else middle


@check(
    id="gating/nothing-dangles",
    why="Rigging that leads nowhere wastes metal, and shows that something was meant to join.",
    source=GEOMETRY,
)
def nothing_dangles(results: Results, limit: float) -> Iterator[Finding]:
    """Look for rigging that hangs on one end, or on nothing."""
    rigging, flow = results.need(Rigging), results.need(FlowGraph)
    middle = {body.name: body.solid.centroid_mm for body in rigging.metal}
    for name in flow.dangling:
        x, y, z = (float(v) for v in middle[name])
        yield judged(
            False,
            f"{name} leads nowhere{_near(flow, name)}",
            part=name,
            at_mm=_where(flow, name, (x, y, z)),
            remedy=f"bring {name} into the body it was meant to feed, or take it out",
        )
    if not flow.dangling:
        yield judged(True, "every body of the rigging leads on to a casting, a feeder or open air")


@check(
    id="gating/no-near-miss",
    why="A skin of sand thinner than this between two channels breaks off into the casting.",
    source=PRACTICE,
    limit=1.0,
    unit="mm",
)
def no_near_miss(results: Results, limit: float) -> Iterator[Finding]:
    """Look for bodies that nearly touch, or touch at a point or an edge only."""
    misses = results.need(FlowGraph).near_misses
    for miss in misses:
        how = (
            f"come within {miss.gap_mm:.2f} mm" if miss.gap_mm > 1e-3 else "touch, but do not open"
        )
        yield judged(
            miss.gap_mm >= limit,
            f"{miss.a} and {miss.b} {how}",
            value=miss.gap_mm,
            part=miss.a,
            at_mm=miss.at_mm,
            remedy=f"join {miss.a} and {miss.b} by an overlap of 0.5 mm, or leave a sand wall",
        )
    if not misses:
        yield judged(True, "no two bodies come close without a connection", value=limit)


@check(
    id="gating/contacts-are-as-wide-as-channels",
    why="A contact smaller than the channels it joins is a hidden choke and a jet.",
    source=GEOMETRY,
    limit=0.85,
)
def contacts_are_as_wide_as_channels(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each opening with the smaller channel it joins; necks have their own check."""
    yield from _openings(results, limit, necks=False)


@check(
    id="gating/necks-stand-on-metal",
    why="A neck that hangs over an edge feeds through less than its section.",
    source=GEOMETRY,
    limit=0.85,
    miss=Verdict.WARN,
)
def necks_stand_on_metal(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each feeder neck's opening with its section."""
    yield from _openings(results, limit, necks=True)


def _openings(results: Results, limit: float, *, necks: bool) -> Iterator[Finding]:
    names = {body.name for body in results.need(Rigging).of_role(Role.NECK)}
    contacts = [
        contact
        for contact in results.need(FlowGraph).contacts
        if contact.need_mm2 > 0.0 and (bool({contact.a, contact.b} & names) == necks)
    ]
    for contact in contacts:
        share = contact.area_mm2 / contact.need_mm2
        yield judged(
            share >= limit,
            f"opening of {contact.a} and {contact.b}: {contact.area_mm2:.0f} mm² for channels of "
            f"{contact.need_mm2:.0f} mm²",
            value=share,
            part=_smaller(results, contact),
            at_mm=contact.at_mm,
            remedy=f"let {contact.a} and {contact.b} overlap over the whole section",
        )
    if not contacts:
        yield passed_over("no neck" if necks else "no channel is joined to anything")


def _smaller(results: Results, contact: Contact) -> str:
    roles = {body.name: body.role for body in results.need(Rigging).metal}
    order = (Role.INGATE, Role.NECK, Role.VENT, Role.RUNNER, Role.SPRUE)
    for role in order:
        for name in (contact.a, contact.b):
            if roles[name] is role:
                return name
    return contact.a


@check(
    id="gating/no-loop-in-runners",
    why="In a closed loop two streams meet, trap slag and air between them, and cannot be fed.",
    source=CAMPBELL,
    limit=0.0,
)
def no_loop_in_runners(results: Results, limit: float) -> Iterator[Finding]:
    """Look for closed ways ahead of the castings."""
    rigging, loops = results.need(Rigging), results.need(FlowGraph).loops
    middle = {body.name: body.solid.centroid_mm for body in rigging.metal}
    for loop in loops:
        yield judged(
            False,
            f"closed loop of {', '.join(loop)}",
            value=1.0,
            part=loop[0],
            at_mm=tuple(np.mean([middle[name] for name in loop], axis=0)),
            remedy="open the loop: end one branch behind its last gate",
        )
    if not loops:
        yield judged(True, "no closed loop ahead of the castings", value=0.0)


@check(
    id="gating/filters-are-not-bypassed",
    why="Metal that can go round a filter does.",
    source=GEOMETRY,
)
def filters_are_not_bypassed(results: Results, limit: float) -> Iterator[Finding]:
    """Ask that no casting is reached once the filters' plates are taken out of the channels."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    filters = rigging.of_role(Role.FILTER)
    if not filters:
        yield passed_over("no filter")
        return
    beside = {body.name: ", ".join(sorted(flow.graph[body.name])) for body in filters}
    yield judged(
        not flow.unfiltered,
        f"metal reaches {', '.join(flow.unfiltered)} past the filters; "
        + "; ".join(f"{name} opens to {others}" for name, others in beside.items())
        if flow.unfiltered
        else "all metal passes a filter",
        part=filters[0].name,
        at_mm=tuple(filters[0].solid.centroid_mm),
        remedy="move the filter along its runner, clear of other bodies, or take out the way"
        " round it",
    )


# ---- sections -----------------------------------------------------------------------------


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


# ---- sprue, well, runner ------------------------------------------------------------------


@check(
    id="gating/sprue-follows-the-stream",
    why="A sprue as narrow as the falling stream is full at once and stays so.",
    source="continuity and Bernoulli: A ~ 1/sqrt(fall); J. Campbell, Complete Casting Handbook",
    limit=1.15,
    miss=Verdict.WARN,
)
def sprue_follows_the_stream(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each section of the sprue with the stream its tightest section lets fall."""
    yield from _stream(results, limit)


@check(
    id="gating/sprue-sucks-no-air",
    why="Where a sprue is much wider than the stream, the stream leaves the wall and draws in air.",
    source="continuity and Bernoulli; a straight cone between right ends is up to 1.4 x too wide",
    limit=1.6,
)
def sprue_sucks_no_air(results: Results, limit: float) -> Iterator[Finding]:
    """Make the same comparison where it cannot be passed over: no taper, or the wrong way."""
    yield from _stream(results, limit)


def _stream(results: Results, limit: float) -> Iterator[Finding]:
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    sprues = rigging.of_role(Role.SPRUE)
    if not sprues:
        yield passed_over("no sprue")
    for body in sprues:
        falls = [
            (station, station.area_mm2 * math.sqrt(flow.source_mm - station.at_mm[2]))
            for station in flow.stations
            if station.body == body.name and station.at_mm[2] < flow.source_mm - 1.0
        ]
        if not falls:
            yield passed_over(f"{body.name} could not be measured")
            continue
        least = min(passes for _, passes in falls)
        station, passes = max(falls, key=lambda pair: pair[1])
        wide = passes / least
        yield judged(
            wide <= limit,
            f"{body.name} is {wide:.2f} x the stream at its widest, {station.area_mm2:.0f} mm² at "
            f"{station.at_mm[2]:.0f} mm",
            value=wide,
            part=body.name,
            at_mm=station.at_mm,
            remedy="taper the sprue as the stream falls: area ~ 1 / sqrt(depth under the basin's"
            " level), smallest at the foot",
        )


@check(
    id="gating/well-is-wide-enough",
    why="The well turns the stream and takes its first splash; a narrow one throws it on.",
    source=AFS + ": about 5 x the sprue's foot",
    limit=3.0,
    miss=Verdict.WARN,
)
def well_is_wide_enough(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the well's plan area with the sprue's smallest section."""
    flow = results.need(FlowGraph)
    wells = results.need(Rigging).of_role(Role.WELL)
    if not wells or flow.ratio_mm2[0] <= 0.0:
        yield passed_over("no well under a sprue")
        return
    for well in wells:
        area = well.solid.volume_mm3 / float(well.solid.size_mm[2])
        times = area / flow.ratio_mm2[0]
        yield judged(
            times >= limit,
            f"{well.name}: {area:.0f} mm², {times:.1f} x the sprue's foot",
            value=times,
            part=well.name,
            at_mm=tuple(well.solid.centroid_mm),
            remedy=f"widen the well to {5.0 * flow.ratio_mm2[0]:.0f} mm²",
        )


@check(
    id="gating/well-is-deep-enough",
    why="A well no deeper than the runner sends the stream on at full speed.",
    source=AFS + ": about 2 x the runner's depth",
    limit=1.3,
    miss=Verdict.WARN,
)
def well_is_deep_enough(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the well's depth with that of the runner leaving it."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    bodies = {body.name: body for body in rigging.metal}
    found = False
    for well in rigging.of_role(Role.WELL):
        beside = [other for other in flow.graph[well.name] if bodies[other].role is Role.RUNNER]
        if not beside:
            continue
        found = True
        deep = max(_depth_mm(bodies[name], flow) for name in beside)
        times = float(well.solid.size_mm[2]) / deep
        yield judged(
            times >= limit,
            f"{well.name}: {well.solid.size_mm[2]:.0f} mm deep, {times:.1f} x the runner",
            value=times,
            part=well.name,
            at_mm=tuple(well.solid.centroid_mm),
            remedy=f"deepen the well to {2.0 * deep:.0f} mm",
        )
    if not found:
        yield passed_over("no well with a runner")


def _depth_mm(runner: Body, flow: FlowGraph) -> float:
    """Return a runner's height; of a level one its extent, else what its section suggests."""
    sections = [station.area_mm2 for station in flow.stations if station.body == runner.name]
    square = math.sqrt(float(np.median(sections))) if sections else math.inf
    return min(float(runner.solid.size_mm[2]), 2.0 * square)


@check(
    id="gating/runner-goes-past-last-gate",
    why="The first metal is cold and dirty; an extension past the last gate keeps it.",
    source=AFS,
    limit=1.0,
    miss=Verdict.WARN,
)
def runner_goes_past_last_gate(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each runner's extension with its width."""
    facts = [fact for fact in results.need(FlowGraph).runners if math.isfinite(fact.past_mm)]
    for fact in facts:
        widths = fact.past_mm / math.sqrt(fact.section_mm2)
        yield judged(
            widths >= limit,
            f"{fact.body} goes {fact.past_mm:.0f} mm ({widths:.1f} widths) past its last gate",
            value=widths,
            part=fact.body,
            at_mm=fact.end_mm,
            remedy=f"lengthen {fact.body} by {1.5 * math.sqrt(fact.section_mm2):.0f} mm or more",
        )
    if not facts:
        yield passed_over("no runner with a gate and an end of its own")


@check(
    id="gating/runner-runs-full",
    why="A runner that is not full rolls air and slag into the gates.",
    source=CAMPBELL,
    limit=-1.0,
    unit="mm",
    miss=Verdict.WARN,
)
def runner_runs_full(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the metal over each runner's ceiling, by pressure or by the gates' sills."""
    facts = results.need(FlowGraph).runners
    for fact in facts:
        yield judged(
            fact.cover_mm >= limit,
            f"{fact.cover_mm:.1f} mm of metal over the ceiling of {fact.body} when the gates start",
            value=fact.cover_mm,
            part=fact.body,
            at_mm=fact.at_mm,
            remedy="set the gates on top of the runner, or make the gates the choke",
        )
    if not facts:
        yield passed_over("no runner carries metal")


@check(
    id="gating/basin-is-no-funnel",
    why="A cup straight over the sprue pours air and slag down with the stream.",
    source=CAMPBELL,
    miss=Verdict.WARN,
)
def basin_is_no_funnel(results: Results, limit: float) -> Iterator[Finding]:
    """Ask for an offset basin that is poured beside the sprue."""
    rigging, plan = results.need(Rigging), results.need(RiggingPlan)
    basins, sprues = rigging.of_role(Role.BASIN), rigging.of_role(Role.SPRUE)
    if not sprues:
        yield passed_over("no sprue")
        return
    if not basins:
        yield judged(
            False, "the sprue has no basin", part=sprues[0].name,
            at_mm=(*sprues[0].solid.centroid_mm[:2], float(sprues[0].solid.bounds[1, 2])),
            remedy="put an offset basin with a step on the sprue",
        )  # fmt: skip
        return
    is_cup = plan.basin is not None and plan.basin.kind == "cup"
    yield judged(
        not is_cup,
        "plain cup over the sprue" if is_cup else "the basin is poured beside the sprue",
        part=basins[0].name,
        at_mm=tuple(basins[0].solid.centroid_mm),
        remedy="take an offset basin with a step",
    )


@check(
    id="gating/gates-clear-of-wall-opposite",
    why="A jet against a wall or core close by washes sand and heats one spot.",
    source=PRACTICE,
    limit=2.0,
    miss=Verdict.WARN,
)
def gates_clear_of_wall_opposite(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the free way before each gate with the gate's thickness."""
    mouths = results.need(FlowGraph).mouths
    for mouth in mouths:
        times = mouth.ahead_mm / max(mouth.thickness_mm, 1e-6)
        yield judged(
            times >= limit,
            f"{mouth.body} has {mouth.ahead_mm:.0f} mm before it in {mouth.into}, "
            f"{times:.1f} x its thickness",
            value=times,
            part=mouth.body,
            at_mm=mouth.at_mm,
            remedy=f"turn {mouth.body} along the wall, or move it to a place with free way ahead",
        )
    if not mouths:
        yield passed_over("no gate opens into anything")


@check(
    id="gating/gates-break-off",
    why="A gate thicker than the wall it joins breaks into the casting, and feeds from it.",
    source=PRACTICE,
    limit=1.0,
    miss=Verdict.WARN,
)
def gates_break_off(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each gate's thickness with the metal at its mouth."""
    castings = {body.name for body in results.need(Rigging).castings}
    mouths = [mouth for mouth in results.need(FlowGraph).mouths if mouth.into in castings]
    for mouth in mouths:
        share = mouth.thickness_mm / max(mouth.wall_mm, 1e-6)
        yield judged(
            share <= limit,
            f"{mouth.body} is {mouth.thickness_mm:.1f} mm thick at a wall of "
            f"{mouth.wall_mm:.1f} mm",
            value=share,
            part=mouth.body,
            at_mm=mouth.at_mm,
            remedy=f"make {mouth.body} thinner and wider, or notch it",
        )
    if not mouths:
        yield passed_over("no gate opens into a casting")
