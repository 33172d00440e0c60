"""Plan items turned and moved with the copy of the pattern they belong to."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import Body, Role
from moldprep.records.plan import ChillPlan, FeederPlan, IngatePlan, Placement, Point
from moldprep.rigging.layout import Layout, moved


def point_placed(point: Point, place: Placement) -> Point:
    """Return a point of the pattern where a placement puts it. [mm]"""
    x, y, z = _turn(place) @ np.asarray(point) + np.asarray(place.move_mm)
    return float(x), float(y), float(z)


def _turn(place: Placement) -> Floats:
    """Return the (3, 3) turn of a placement, exact for quarter turns."""
    angle = np.radians(place.turn_deg)
    c, s = np.round([np.cos(angle), np.sin(angle)], 15)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def feeder_placed(feeder: FeederPlan, place: Placement, number: int) -> FeederPlan:
    """Return a feeder on its copy, named by its number among those of all copies."""
    return replace(
        feeder,
        name=f"F{number}",
        at_mm=point_placed(feeder.at_mm, place),
        neck_to_mm=point_placed(feeder.neck_to_mm, place),
        into=place.name,
    )


def chill_placed(chill: ChillPlan, place: Placement, number: int) -> ChillPlan:
    """Return a chill on its copy, named by its number among those of all copies."""
    return replace(
        chill,
        name=f"C{number}",
        at_mm=point_placed(chill.at_mm, place),
        turn_deg=(chill.turn_deg + place.turn_deg) % 360.0,
    )


def layout_placed(layout: Layout, place: Placement) -> Layout:
    """Return the gating of one casting where the job wants that casting."""
    turn = place.turn_deg
    return replace(
        layout,
        placements=(place,),
        sprue=replace(layout.sprue, at_mm=point_placed(layout.sprue.at_mm, place),
                      top_mm=layout.sprue.top_mm + place.move_mm[2]),
        well=replace(layout.well, at_mm=point_placed(layout.well.at_mm, place)),
        basin=replace(layout.basin, turn_deg=(layout.basin.turn_deg + turn) % 360.0),
        runners=tuple(
            replace(r, path_mm=tuple(point_placed(p, place) for p in r.path_mm))
            for r in layout.runners
        ),
        ingates=tuple(
            replace(g, path_mm=tuple(point_placed(p, place) for p in g.path_mm),
                    into=place.name if g.into == "casting" else g.into)
            for g in layout.ingates
        ),
        filters=tuple(
            replace(f, at_mm=point_placed(f.at_mm, place), turn_deg=f.turn_deg + turn)
            for f in layout.filters
        ),
    )  # fmt: skip


def lifted(layout: Layout, up_mm: float) -> Layout:
    """Return the gating of placed castings, laid out at the parting, at their height."""
    raised = moved(layout, np.array([0.0, 0.0, up_mm]))
    top_mm = layout.sprue.top_mm + up_mm
    return replace(raised, placements=layout.placements, sprue=replace(raised.sprue, top_mm=top_mm))


def gates_into_copies(
    layout: Layout, first: Sequence[FeederPlan], feeders: Sequence[FeederPlan]
) -> tuple[IngatePlan, ...]:
    """Return the ingates with each copy's own feeder in place of the first copy's.

    Parameters
    ----------
    layout
        Gates copy by copy, those into feeders all into the first copy's.
    first, feeders
        The feeders of the first copy, and of all copies in the same order. Those of the job are
        not copied: both are the same then.
    """
    per_copy = len(layout.ingates) // len(layout.placements)
    number = {feeder.name: k for k, feeder in enumerate(first)}
    gates = []
    for k, gate in enumerate(layout.ingates):
        own = number.get(gate.into)
        if own is not None and len(feeders) > len(first):
            gate = replace(gate, into=feeders[own + (k // per_copy) * len(first)].name)
        gates.append(gate)
    return tuple(gates)


def as_columns(bodies: Sequence[Body]) -> tuple[FeederPlan, ...]:
    """Return the feeders among the model's own bodies as upright columns: for their volume."""
    columns = []
    for body in bodies:
        if body.role in (Role.FEEDER, Role.NECK):
            low, high = body.solid.bounds
            tall = float(high[2] - low[2])
            x, y, _ = body.solid.centroid_mm
            columns.append(
                FeederPlan(
                    name=body.name, kind="top", at_mm=(x, y, float(low[2])), height_mm=tall,
                    diameter_mm=math.sqrt(4.0 / math.pi * body.solid.volume_mm3 / tall),
                )
            )  # fmt: skip
    return tuple(columns)
