"""Do feeders keep clear of the casting beside their foot, and of one another?"""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from moldprep.checks import check, gathered, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, Body, Contact, FlowGraph, Rigging, RiggingPlan, Role
from moldprep.results import Results
from moldprep.rigging.feed.beside import (
    BLEND_MM2,
    LEAST_SAND_MM,
    beside_from_mm,
    burns_through,
    most_blend_mm2,
    openings_beside,
    way_in_mm2,
)
from moldprep.rigging.feed.side_sand import SideSand, side_sand

PRACTICE: Final = "common practice, no source"

SAND_MM: Final = 25.0
"""Metal to metal in the mold, 20 to 25 mm for small castings."""


@check(
    id="feeding/feeder-clear-of-casting",
    why="A feeder welded to a wall beside its neck heats and feeds where nobody reckoned, and "
    "leaves a scar to be cut and ground.",
    source=PRACTICE + "; a blend of 500 mm² at most, and of a quarter of the neck",
    limit=BLEND_MM2,
    unit="mm²",
)
def feeder_clear_of_casting(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the openings of each feeder into castings beside its neck or above its foot."""
    feeders = results.need(Rigging).of_role(Role.FEEDER)
    for feeder in feeders:
        places, section = _beside(feeder, results)
        area = sum(area for area, _ in places)
        most = min(limit, most_blend_mm2(section))
        where = "; ".join(f"{size:.0f} mm² at {_said(at)}" for size, at in places)
        says = (
            f"{feeder.name} runs into the casting beside its foot: {where}; its own way in has "
            f"{section:.0f} mm², of which a quarter could be blended and ground"
            if places
            else f"{feeder.name} touches the casting at its foot only"
        )
        yield judged(
            area <= most,
            says,
            value=area,
            part=feeder.name,
            at_mm=places[0][1] if places else tuple(feeder.solid.centroid_mm),
            remedy=f"move {feeder.name} out until {SAND_MM:.0f} mm of sand stand between, end it "
            "below that wall, or stand it on the wall without a neck",
        )
    if not feeders:
        yield passed_over("no feeder")


Opening = tuple[float, tuple[float, float, float]]


def _beside(feeder: Body, results: Results) -> tuple[list[Opening], float]:
    """Return the openings beside a feeder's foot, largest first, and the foot's or neck's area."""
    rigging = results.need(Rigging)
    castings = [body.solid for body in rigging.castings]
    touching = {
        _other(c, feeder.name)
        for c in results.need(FlowGraph).contacts
        if feeder.name in (c.a, c.b)
    }
    necks = [body for body in rigging.of_role(Role.NECK) if body.name in touching]
    plan = next((f for f in results.need(RiggingPlan).feeders if f.name == feeder.name), None)
    floor = -math.inf
    if necks:
        section = max(way_in_mm2(feeder.solid, neck.solid, castings) for neck in necks)
    elif plan is not None:
        section, floor = 0.25 * math.pi * plan.diameter_mm**2, beside_from_mm(plan)
    else:
        return [], math.inf  # drawn by the customer: its contact is its foot
    patches = openings_beside(feeder.solid, castings, floor)
    return [(patch.area_mm2, patch.at_mm) for patch in patches], section


def _other(contact: Contact, name: str) -> str:
    return contact.b if contact.a == name else contact.a


def _said(at_mm: tuple[float, float, float]) -> str:
    return "({:.0f}, {:.0f}, {:.0f})".format(*at_mm)


def _joined(results: Results) -> list[Contact]:
    """Return the openings between two feeders."""
    names = {body.name for body in results.need(Rigging).of_role(Role.FEEDER)}
    return [c for c in results.need(FlowGraph).contacts if c.a in names and c.b in names]


@check(
    id="feeding/feeders-stand-apart",
    why="Two feeders that run into each other are one, of another modulus and another pipe than "
    "each was reckoned with.",
    source=PRACTICE + "; a blend of 500 mm² at most",
    limit=BLEND_MM2,
    unit="mm²",
)
def feeders_stand_apart(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the openings between feeders."""
    joined = _joined(results)
    for contact in joined:
        yield judged(
            contact.area_mm2 <= limit,
            f"{contact.a} and {contact.b} run into each other over {contact.area_mm2:.0f} mm² at "
            f"{_said(contact.at_mm)}: one feeder, not two",
            value=contact.area_mm2,
            part=contact.a,
            at_mm=contact.at_mm,
            remedy=f"take {contact.a} or {contact.b} out, or move them apart until "
            f"{SAND_MM:.0f} mm of sand stand between; count them once",
        )
    if not joined:
        yield judged(True, "no feeder runs into another", value=0.0)


@check(
    id="mold/sand-between-metal",
    why="A web of sand that metal heats from both sides gives way: it burns on, is run through, "
    "or breaks off into the metal.",
    source="metal to metal 20 to 25 mm for small castings; 10 mm for a fault with iron or steel: "
    + PRACTICE
    + "; a shop setting, see feeder_wall_mm",
    limit=SAND_MM,
    unit="mm",
)
def sand_between_metal(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the sand between feeders' sides and the castings and feeders beside them.

    What runs into each other is judged by `feeding/feeder-clear-of-casting` and
    `feeding/feeders-stand-apart`. A web under 10 mm is a fault in iron and steel, else it warns.
    """
    rigging = results.need(Rigging)
    feeders = rigging.of_role(Role.FEEDER)
    if not feeders:
        yield passed_over("no feeder")
        return
    welded = {frozenset((c.a, c.b)) for c in _joined(results)}
    castings = {body.name for body in rigging.castings}
    for feeder in feeders:
        if _beside(feeder, results)[0]:
            welded |= {frozenset((feeder.name, name)) for name in castings}
    thin = [w for w in side_sand(rigging, limit) if frozenset((w.feeder, w.other)) not in welded]
    if not thin:
        yield judged(True, f"no less than {limit:.0f} mm beside any feeder", value=limit)
    yield from gathered((_web(wall, results) for wall in thin), "webs", small_is_worse=True)


def _web(wall: SideSand, results: Results) -> Finding:
    """Return the finding on one web of sand."""
    is_hot = burns_through(results.need(Alloy))
    found = judged(
        False,
        f"{wall.thickness_mm:.1f} mm of sand between {wall.feeder} and {wall.other}, "
        f"{wall.area_mm2:.0f} mm² of it too thin",
        value=wall.thickness_mm,
        part=wall.feeder,
        at_mm=wall.at_mm,
        remedy=f"move {wall.feeder} away from {wall.other}, put a sleeve on it, or line that web "
        "with chromite or zircon sand",
    )
    is_fault = is_hot and wall.thickness_mm < LEAST_SAND_MM
    return replace(found, verdict=Verdict.FAIL if is_fault else Verdict.WARN)
