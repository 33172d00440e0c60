"""Is the gating connected, whole and of the right sections? All numbers measured on the bodies."""

import math
from collections.abc import Iterator

import numpy as np
from shapely.geometry import Polygon

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import (
    Contact,
    FlowGraph,
    NearMiss,
    Rigging,
    Role,
)
from moldprep.results import Results

GEOMETRY = "contacts and sections are measured on the bodies; the rule itself is continuity"
CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
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
    """Compare each opening with the smaller channel it joins; necks and vents have their own."""
    yield from _openings(results, limit, None, "no channel is joined to anything")


@check(
    id="gating/necks-stand-on-metal",
    why="A neck that hangs over an edge feeds through less than its section.",
    source=GEOMETRY,
    limit=0.85,
    miss=Verdict.WARN,
)
def necks_stand_on_metal(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each feeder neck's opening with its section."""
    yield from _openings(results, limit, Role.NECK, "no neck")


@check(
    id="gating/vents-stand-on-metal",
    why="A vent that hangs over an edge lets less air out than its section, and leaves a lip.",
    source=GEOMETRY,
    limit=0.85,
    miss=Verdict.WARN,
)
def vents_stand_on_metal(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each vent's opening with its section; what it lets out is judged elsewhere."""
    yield from _openings(results, limit, Role.VENT, "no vent")


def _openings(results: Results, limit: float, kind: Role | None, nothing: str) -> Iterator[Finding]:
    """Judge the openings of necks, of vents, or (None) of what is neither."""
    special = results.need(Rigging).of_role(Role.NECK, Role.VENT)
    roles = {body.name: body.role for body in special}
    contacts = [
        contact
        for contact in results.need(FlowGraph).contacts
        if contact.need_mm2 > 0.0 and (roles.get(contact.a) or roles.get(contact.b)) is kind
    ]
    for contact in contacts:
        share = contact.area_mm2 / contact.need_mm2
        name = _smaller(results, contact)
        other = contact.b if name == contact.a else contact.a
        yield judged(
            share >= limit,
            f"opening of {contact.a} and {contact.b}: {contact.area_mm2:.0f} mm² of the "
            f"{contact.need_mm2:.0f} mm² {name} has",
            value=share,
            part=name,
            at_mm=contact.at_mm,
            remedy=f"move {name} by {_shift_mm(contact):.0f} mm inward, so that all of it stands "
            f"on {other}"
            if kind
            else f"let {contact.a} and {contact.b} overlap over the whole section",
        )
    if not contacts:
        yield passed_over(nothing)


def _shift_mm(contact: Contact) -> float:
    """Return how far a round section hangs over a straight edge, by the share it lacks. [mm]"""
    diameter = math.sqrt(4.0 / math.pi * contact.need_mm2)
    lacks = min(max(1.0 - contact.area_mm2 / contact.need_mm2, 0.0), 1.0)
    depths = np.linspace(0.0, 1.0, 201)  # of the segment over the edge, over the diameter
    chord = 1.0 - 2.0 * depths  # distance of the edge from the middle, over the radius
    segment = (np.arccos(chord) - chord * np.sqrt(1.0 - chord**2)) / math.pi  # over the circle
    return diameter * float(np.interp(lacks, segment, depths)) + 1.0


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
    solids = {body.name: body.solid for body in rigging.metal}
    for loop in loops:
        middle = np.mean([solids[name].centroid_mm for name in loop], axis=0)
        yield judged(
            False,
            f"closed loop of {', '.join(loop)}",
            value=1.0,
            part=loop[0],
            at_mm=_hole_mm(solids[loop[0]]) if len(loop) == 1 else tuple(middle),
            remedy="open the loop: end one branch behind its last gate",
        )
    if not loops:
        yield judged(True, "no closed loop ahead of the castings", value=0.0)


def _hole_mm(ring: Solid) -> tuple[float, ...]:
    """Return the middle of the sand a ring goes round, at half its height."""
    z = float(ring.bounds[:, 2].mean())
    rings = [hole for outline in ring.slice_at(z).geoms for hole in outline.interiors]
    if not rings:
        return tuple(ring.centroid_mm)
    middle = max((Polygon(hole) for hole in rings), key=lambda hole: hole.area).centroid
    return middle.x, middle.y, z


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
