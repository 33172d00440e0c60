"""The block of sand the mold is cut from, and where the metal breaks out of its top."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.walls import Walls
from moldprep.records import Body, Rigging, RiggingPlan, Role
from moldprep.tolerances import SLIVER_MM3

MOUTH_MM = 0.05
"""How far below its top an open body is cut to see the outline of its mouth."""

BEHIND_PRINT_MM = 26.0
"""Least sand from a core print to the outside: room for a vent or a rope behind it; common
practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Block:
    """The outer shape of the sand before anything is cut into it.

    inserts : chills and sleeves, without what the metal takes of them
    mouths  : (name, body) of the openings from open feeders, basin or vents up to the top
    open_up : the upright way from every open body to above the block, so that no skin is left
    notes   : what the crew has to do where such a way meets an insert
    """

    solid: Solid
    inserts: Solid
    mouths: tuple[tuple[str, Solid], ...]
    open_up: Solid
    notes: tuple[str, ...] = ()


def make_block(
    metal: Solid, rigging: Rigging, plan: RiggingPlan, walls: Walls, seats: Sequence[Solid]
) -> Block:
    """Return the block around metal, inserts and the seats of core prints.

    The top is where the plan wants it, where open bodies end, or as high as the wall over the
    highest closed body asks, whichever is highest; open bodies that end lower get a mouth.
    """
    inserts = Solid.union(insert.solid for insert in rigging.inserts) - metal
    bounds = _bounds([metal, inserts])
    open_bodies = [body for body in rigging.metal if is_open(body, rigging, plan)]
    closed = [body.solid for body in rigging.metal if not is_open(body, rigging, plan)]
    closed_top = _bounds([*closed, inserts])[1, 2] if closed else -np.inf
    top = float(max(closed_top + walls.top_mm, plan.top_mm, bounds[1, 2]))
    low = bounds[0] - (walls.side_mm, walls.side_mm, walls.bottom_mm)
    high = np.array([bounds[1, 0] + walls.side_mm, bounds[1, 1] + walls.side_mm, top])
    for seat in seats:
        low = np.minimum(low, seat.bounds[0] - BEHIND_PRINT_MM)
        high = np.maximum(high, seat.bounds[1] + BEHIND_PRINT_MM)
    top = float(high[2])
    solid = Solid.box(tuple(low), tuple(high))
    ways = [_way_up(body.solid, top) for body in open_bodies]
    mouths = [
        (f"{body.name} mouth", (way & solid) - metal - inserts)
        for body, way in zip(open_bodies, ways, strict=True)
    ]
    notes = [
        f"{body.name} goes up through {insert.name}: drill it there"
        for body, way in zip(open_bodies, ways, strict=True)
        for insert in rigging.inserts
        if ((way & insert.solid) - metal).volume_mm3 > SLIVER_MM3
    ]
    return Block(
        solid=solid,
        inserts=inserts,
        mouths=tuple((name, mouth) for name, mouth in mouths if mouth.volume_mm3 > SLIVER_MM3),
        open_up=Solid.union(ways),
        notes=tuple(notes),
    )


def is_open(body: Body, rigging: Rigging, plan: RiggingPlan) -> bool:
    """Return whether a body of metal is meant to break out of the top of the cope."""
    if body.role in (Role.BASIN, Role.VENT):
        return True
    if body.role is Role.SPRUE:
        return not rigging.of_role(Role.BASIN)
    if body.role is Role.FEEDER:
        return any(feeder.is_open for feeder in plan.feeders if feeder.name == body.name)
    return False


def _bounds(bodies: list[Solid]) -> Floats:
    """Return the (2, 3) bounds of all bodies that are not empty. [mm]"""
    corners = np.array([body.bounds for body in bodies if not body.is_empty])
    return np.array([corners[:, 0].min(axis=0), corners[:, 1].max(axis=0)])


def _way_up(body: Solid, top_mm: float) -> Solid:
    """Return the upright way from an open body's top to a little above the block."""
    end = float(body.bounds[1, 2])
    return Solid.extrude(body.slice_at(end - MOUTH_MM), end - MOUTH_MM, max(top_mm, end) + 1.0)
