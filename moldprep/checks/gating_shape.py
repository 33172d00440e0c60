"""Has every element of the gating its right form? Basin, sprue, well, runner, gates."""

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, Body, FlowGraph, Job, Mold, Mouth, Rigging, RiggingPlan, Role
from moldprep.results import Results
from moldprep.rigging.gating import falling_speed_m_s, stream_area_mm2
from moldprep.rigging.stream.contacts import contains
from moldprep.units import MM_PER_M

CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
AFS = "AFS practice of gating, as quoted in foundry texts (from memory)"
PRACTICE = "common practice, no source"

NO_GATES = (Role.BASIN, Role.SPRUE, Role.WELL, Role.RUNNER, Role.FILTER)
"""Channels that should not open into a casting."""


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
            (station, flow.source_mm - station.at_mm[2])
            for station in flow.stations
            if station.body == body.name and station.at_mm[2] < flow.source_mm - 1.0
        ]
        if not falls:
            yield passed_over(f"{body.name} could not be measured")
            continue
        passes = min(s.area_mm2 * falling_speed_m_s(fall) * MM_PER_M for s, fall in falls)
        station, fall = max(falls, key=lambda pair: pair[0].area_mm2 * math.sqrt(pair[1]))
        stream = stream_area_mm2(passes, fall)
        wide = station.area_mm2 / stream
        yield judged(
            wide <= limit,
            f"{body.name} is {wide:.2f} x the stream at its widest, {station.area_mm2:.0f} mm² at "
            f"{station.at_mm[2]:.0f} mm where the stream has {stream:.0f} mm²",
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
    source=CAMPBELL
    + "; a fault in ductile iron, whose magnesium slag never stops forming: "
    + PRACTICE,
    limit=-1.0,
    unit="mm",
)
def runner_runs_full(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the metal over each runner's ceiling, by pressure or by the gates' sills.

    It warns; in ductile iron it is a fault.
    """
    facts = results.need(FlowGraph).runners
    makes_slag = results.need(Alloy).family == "ductile-iron"
    for fact in facts:
        state = (
            f"{fact.cover_mm:.1f} mm of metal stand over the ceiling of {fact.body}"
            if fact.cover_mm >= 0.0
            else f"{fact.body} is {-fact.cover_mm:.1f} mm short of full"
        )
        found = judged(
            fact.cover_mm >= limit,
            f"{state} when the gates start",
            value=fact.cover_mm,
            part=fact.body,
            at_mm=fact.at_mm,
            remedy=f"sink {fact.body} into the drag by {max(-fact.cover_mm, 0.0):.0f} mm or more, "
            "below the sills of the gates, or move the parting (parting.z_mm) nearer to them, or "
            "part the mold at them too (mold.cheeks_at_mm), or make the gates the choke; until "
            "then a filter at each gate keeps the slag back",
        )
        is_mild = found.verdict is Verdict.FAIL and not makes_slag
        yield replace(found, verdict=Verdict.WARN) if is_mild else found
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
    flow = results.need(FlowGraph)
    speeds = {channel.body: channel.speed_m_s for channel in flow.channels}
    for mouth in flow.mouths:
        times = mouth.ahead_mm / max(mouth.thickness_mm, 1e-6)
        fast = f" with {speeds[mouth.body]:.2f} m/s" if mouth.body in speeds else ""
        yield judged(
            times >= limit,
            f"metal from {mouth.body} strikes {_opposite(mouth, results)} {mouth.ahead_mm:.0f} mm "
            f"behind its opening{fast}: {times:.1f} x its thickness",
            value=times,
            part=mouth.body,
            at_mm=mouth.at_mm,
            remedy=_aside(mouth, results),
        )
    if not flow.mouths:
        yield passed_over("no gate opens into anything")


def _aside(mouth: Mouth, results: Results) -> str:
    """Return what to do about a jet that strikes something: the plan has done what it could."""
    keys = results.need(Job).rigging if Job in results else None
    if keys is None or keys.ingate or "gating" not in keys.auto:
        return f"turn {mouth.body} along the wall, or move it to a place with free way ahead"
    return (
        "the automatic plan found no wall with more free way and room for gates of this area: a"
        " longer rigging.pour_time_s makes them smaller, another parting.z_mm or pull shows other"
        " walls, [[rigging.ingate]] tables put them where you want them"
    )


def _opposite(mouth: Mouth, results: Results) -> str:
    """Return what lies opposite a mouth: a chill, or the piece of sand where the mold is cut."""
    rigging = results.need(Rigging)
    gates = rigging.of_role(Role.INGATE)
    path = next((gate.path_mm for gate in gates if gate.name == mouth.body), np.empty((0, 3)))
    if len(path) < 2:
        return "the sand"
    toward = path[-1] - path[-2]
    toward = toward / max(float(np.linalg.norm(toward)), 1e-9)
    spot = np.asarray(mouth.at_mm) + (mouth.ahead_mm + BEHIND_MM) * toward
    there = [(insert.name, insert.solid) for insert in rigging.inserts]
    if Mold in results:
        there += [(piece.name, piece.solid) for piece in results.need(Mold).pieces]
    return next((name for name, solid in there if contains(solid, spot)), "the sand")


BEHIND_MM = 1.0
"""How far behind the face a jet strikes its piece is looked for: over a print's clearance."""


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


@check(
    id="gating/castings-have-ingates",
    why="Where a runner itself runs into a casting, nothing breaks off or holds slag back.",
    source=PRACTICE,
    miss=Verdict.WARN,
)
def castings_have_ingates(results: Results, limit: float) -> Iterator[Finding]:
    """Look for channels other than ingates that open into a casting."""
    rigging = results.need(Rigging)
    castings = {body.name for body in rigging.castings}
    ways = {body.name for body in rigging.of_role(*NO_GATES)}
    found = [
        (one, next(iter(ways & {one.a, one.b})), next(iter(castings & {one.a, one.b})))
        for one in results.need(FlowGraph).contacts
        if ways & {one.a, one.b} and castings & {one.a, one.b}
    ]
    for contact, way, casting in found:
        yield judged(
            False,
            f"metal enters {casting} from {way} itself, over {contact.area_mm2:.0f} mm²",
            part=way,
            at_mm=contact.at_mm,
            remedy=f"end {way} a wall of sand before {casting} and join them by an ingate",
        )
    if not found:
        yield judged(True, "castings are filled through ingates and feeders only")
