"""Sand between a feeder and the metal beside it, measured on the bodies."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots, spots_on_facets
from moldprep.geometry.solid import Solid
from moldprep.records import Body, Rigging, Role

SPOT_MM2: Final = 10.0
"""Area that one ray stands for."""

LEAST_MM2: Final = 50.0
"""A wall is as thick as this much of its thinnest area is at most: an edge is no wall."""

FACING: Final = -0.8
"""Cosine of normals of faces that have a wall of sand between them."""

DOWN: Final = -0.5
"""Facets whose normal points lower are a feeder's foot: it stands over the casting on a neck."""

INSIDE_MM: Final = 0.05
"""How far behind a face its body is looked for."""


@dataclass(frozen=True)
class SideSand:
    """The thinnest sand between a feeder and another body.

    area_mm2 : of the feeder's side that has less than the reach to it
    """

    feeder: str
    other: str
    thickness_mm: float
    area_mm2: float
    at_mm: tuple[float, float, float]


def side_sand(rigging: Rigging, reach_mm: float) -> list[SideSand]:
    """Return the sand walls thinner than a reach between feeders' sides and castings or feeders.

    What is left out: the sand under a feeder's foot and within a neck's width of its neck, which
    is thin on purpose and meant to get hot; and what lies behind a sleeve or chill.

    Parameters
    ----------
    rigging
        All bodies.
    reach_mm
        Thicker walls are not looked at. [mm]
    """
    feeders = rigging.of_role(Role.FEEDER)
    others = (*rigging.castings, *feeders)
    walls: dict[tuple[str, str], SideSand] = {}
    for feeder in feeders:
        near = [
            body
            for body in others
            if body.name != feeder.name and feeder.solid.gap_mm(body.solid, reach_mm) < reach_mm
        ]
        spots = _side(feeder, rigging) if near else None
        if spots is not None and len(spots.facet):
            for wall in _walls(feeder, spots, near, _stops(rigging, feeder), reach_mm):
                pair = (min(wall.feeder, wall.other), max(wall.feeder, wall.other))
                if pair not in walls or wall.thickness_mm < walls[pair].thickness_mm:
                    walls[pair] = wall
    return sorted(walls.values(), key=lambda wall: (wall.thickness_mm, wall.feeder, wall.other))


def _side(feeder: Body, rigging: Rigging) -> Spots:
    """Return spots on a feeder's side, away from its foot and its necks."""
    points, faces = feeder.solid.mesh()
    spots = spots_on_facets(points[faces], SPOT_MM2)
    keep = spots.normals[:, 2] > DOWN
    for neck in rigging.of_role(Role.NECK):
        if neck.solid.may_touch(feeder.solid):
            width = float(np.sort(neck.solid.size_mm)[1])
            nearest, _ = Rays.of(neck.solid).nearest(spots.at_mm)
            keep &= np.linalg.norm(nearest - spots.at_mm, axis=1) > width
    return spots.only(np.flatnonzero(keep))


def _stops(rigging: Rigging, feeder: Body) -> Rays | None:
    """Return what else a look from a feeder may end at: inserts, channels, vents, necks."""
    solids = [insert.solid for insert in rigging.inserts]
    roles = (Role.FEEDER, Role.CASTING)
    solids += [body.solid for body in rigging.metal if body.role not in roles]
    stops = Solid.union(solids)
    return None if stops.is_empty else Rays.of(stops)


def _walls(
    feeder: Body, spots: Spots, near: Sequence[Body], stops: Rays | None, reach_mm: float
) -> list[SideSand]:
    """Return the walls between one feeder and the bodies near it."""
    start = spots.at_mm + 1e-3 * spots.normals
    first = np.full(len(start), reach_mm)
    if stops is not None:
        first = np.minimum(first, stops.first(start, spots.normals)[0])
        first[stops.is_inside(start)] = 0.0
    owner = np.full(len(start), -1)
    for k, body in enumerate(near):
        points, faces = body.solid.mesh()
        rays = Rays.of(body.solid)
        length, facet = rays.first(start, spots.normals)
        hit = (length < first) & ~rays.is_inside(start)
        first[hit], owner[hit] = length[hit], k
        corners = points[faces[facet[hit]]]
        across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
        askew = np.einsum("ij,ij->i", across, spots.normals[hit]) > FACING
        owner[np.flatnonzero(hit)[askew]] = -1
        first[rays.is_inside(start)] = 0.0  # open metal here, no sand
    found = []
    for k, body in enumerate(near):
        mine = np.flatnonzero(owner == k)
        mine = mine[first[mine] > 0.0]
        order = mine[np.argsort(first[mine], kind="stable")]
        area = np.cumsum(spots.area_mm2[order])
        if len(area) and area[-1] >= LEAST_MM2:
            last = order[int(np.searchsorted(area, LEAST_MM2))]
            middle = spots.at_mm[last] + 0.5 * first[last] * spots.normals[last]
            x, y, z = (float(v) for v in middle)
            found.append(
                SideSand(feeder.name, body.name, float(first[last]), float(area[-1]), (x, y, z))
            )
    return found
