"""Webs of sand too thin to stand between a feeder or chill and its neighbors: filled, not printed.

A pattern maker blends a feeder into the wall it nearly touches, and two chills into one; the
alternative is a skin of sand that breaks off into the metal.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import facet_areas, spots_on_facets, unit_normals
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.records import Body, Insert, Reason, Role
from moldprep.tolerances import SLIVER_MM3

WEB_MM: Final = 5.0
"""Sand thinner than this between two bodies is filled: 3 mm is short, 5 mm safe; common practice,
no source."""

STEP_MM: Final = 3.0
"""Spacing of the points a web is looked for from."""

SMALLEST_MM2: Final = 15.0
"""A web with less face than this is a feather edge and stays."""

MOST_MM2: Final = 500.0
"""A web between metal and metal with more face than this stays sand: filled it would be a weld, and
a scar to grind; common practice, no source."""

FACING: Final = -0.9
"""Faces within 25° of opposed make a web."""

OVERLAP_MM: Final = 0.05
"""How far behind a face its body is looked for; a web of `WEB_MM` less this is whole."""

REACH_MM: Final = WEB_MM + 0.1
"""Farther than this from a body's box, no web leads to it."""

GROWN_MM: Final = 0.4
"""How far a filling reaches into what is round it: no skin of sand is left on a bent face."""

AROUND_MM: Final = STEP_MM + 0.5
"""Faces this near to a web bound its filling too: no pocket of sand is left in a corner."""

PULL_IN: Final = 0.01
"""How far a corner of a facet is moved toward its middle, to see along its own normal."""

ROUGH: Final = 1.6
"""A filling is one hull where that is no more than this times its hulls tile by tile."""

TILE_MM: Final = 12.0

FILLS: Final = (Role.FEEDER, Role.NECK)
"""Roles that may grow: a runner or gate that did would become one more gate."""


@dataclass(frozen=True)
class _Web:
    """Thin sand between two bodies: its middle points, and points on all the faces around it."""

    owner: int
    other: int
    area_mm2: float
    middle: Floats
    rim: Floats


def fill_webs(
    castings: Sequence[Body], bodies: Sequence[Body], inserts: Sequence[Insert], whole: Solid
) -> tuple[tuple[Body, ...], tuple[Insert, ...], tuple[Reason, ...]]:
    """Return bodies and inserts, the thin sand beside feeders, necks and inserts filled, and why.

    Sand between two of them, or between one of them and a casting, is filled where it is thinner
    than `WEB_MM`: with metal that belongs to the feeder or neck, up to `MOST_MM2` of it in one
    place, else with the insert. Gating is never joined to anything.

    Parameters
    ----------
    castings
        They stay as they are.
    bodies
        All other metal.
    inserts
        Cut to the metal already.
    whole
        All castings and bodies as one.
    """
    metal = [*castings, *(body for body in bodies if body.role in FILLS)]
    n_cast, n_metal = len(castings), len(metal)
    solids = [*(body.solid for body in metal), *(insert.solid for insert in inserts)]
    barred = Solid.union(body.solid for body in bodies if body.role not in FILLS)
    fillings: dict[int, list[Solid]] = {}
    names = [*(body.name for body in metal), *(insert.name for insert in inserts)]
    reasons: list[Reason] = []
    for web in _find_webs(solids, n_cast, Solid.union([whole, *solids[n_metal:]])):
        takes = [k for k in (web.owner, web.other) if n_cast <= k < n_metal]
        taker = takes[0] if takes else max(web.owner, web.other)
        if takes and max(web.owner, web.other) < n_metal and web.area_mm2 > MOST_MM2:
            continue
        filling = _filling(web)
        if filling.volume_mm3 > SLIVER_MM3:
            fillings.setdefault(taker, []).append(filling)
            beside = web.other if taker == web.owner else web.owner
            reasons.append(_reason(web, names[taker], names[beside], is_metal=taker < n_metal))
    if not fillings:
        return tuple(bodies), tuple(inserts), ()
    grown = {
        metal[k].name: Solid.union([solids[k], *more])
        for k, more in sorted(fillings.items())
        if k < n_metal
    }
    new_bodies = tuple(
        replace(body, solid=grown[body.name] - barred) if body.name in grown else body
        for body in bodies
    )
    more_metal = [body.solid for body in new_bodies if body.name in grown]
    new_inserts: list[Insert] = []
    for k, insert in enumerate(inserts, start=n_metal):
        solid = insert.solid
        if k in fillings:
            metal_here = [body.solid for body in (*castings, *bodies)]
            solid = _without(Solid.union([solid, *fillings[k]]), metal_here)
        solid = _without(solid, [*more_metal, *(other.solid for other in new_inserts)])
        new_inserts.append(insert if solid.is_empty else replace(insert, solid=solid.parts()[0]))
    return new_bodies, tuple(new_inserts), tuple(reasons)


def _reason(web: _Web, taker: str, beside: str, *, is_metal: bool) -> Reason:
    """Return what was filled, and what it means for the crew."""
    x, y, z = web.middle.mean(axis=0)
    how = "blended into" if is_metal else "made to reach"
    after = "; grind it off with the cut" if is_metal else ""
    return Reason(
        item=taker,
        why=f"{how} {beside} over {web.area_mm2:.0f} mm² at ({x:.0f}, {y:.0f}, {z:.0f}): sand "
        f"under {WEB_MM:g} mm there would break off into the metal{after}",
        source="common practice, no source",
    )


def _without(solid: Solid, others: Sequence[Solid]) -> Solid:
    """Return a body less what it shares with others."""
    for other in others:
        if solid.may_touch(other):
            solid = solid - other
    return solid


def _find_webs(solids: Sequence[Solid], n_cast: int, whole: Solid) -> list[_Web]:
    """Return the webs seen from every body but the castings, among all that is no sand."""
    points, faces = whole.mesh()
    rays, normals = Rays.of(whole), unit_normals(points[faces])
    skin = points[faces]
    scenes = [(Rays.of(solid), solid.bounds) for solid in solids]
    found: list[_Web] = []
    for owner in range(n_cast, len(solids)):
        others = [bounds for k, (_, bounds) in enumerate(scenes) if k != owner]
        start, outward, area = _near(others, *_corners(solids[owner]))
        length, facet = rays.first(start + 1e-3 * outward, outward)
        near = np.isfinite(length) & (length < WEB_MM - OVERLAP_MM)
        near &= np.einsum("ij,ij->i", outward, normals[facet]) < FACING
        near[near] = ~rays.is_inside(start[near] + 1e-3 * outward[near])
        start, outward, length, area = start[near], outward[near], length[near], area[near]
        end = start + length[:, None] * outward
        other = _owner_of(scenes, end + OVERLAP_MM * outward)
        for k in np.unique(other[(other >= 0) & (other != owner)]):
            mine = np.flatnonzero(other == k)
            for group in _groups(start[mine]):
                rows = mine[group]
                if area[rows].sum() < SMALLEST_MM2:
                    continue
                middle = 0.5 * (start[rows] + end[rows])
                rim = np.vstack([start[rows], end[rows], _around(middle, skin, rays)])
                found.append(_Web(owner, int(k), float(area[rows].sum()), middle, rim))
    return found


def _around(middle: Floats, skin: Floats, rays: Rays) -> Floats:
    """Return points of the skin's facets, (m, 3, 3), near a web that can be seen from it."""
    low, high = middle.min(0) - AROUND_MM, middle.max(0) + AROUND_MM
    beside = ((skin.max(axis=1) > low) & (skin.min(axis=1) < high)).all(axis=1)
    spots = spots_on_facets(skin[beside], STEP_MM**2).at_mm
    near = np.vstack([skin[beside].reshape(-1, 3), spots])
    near = near[((near > low) & (near < high)).all(axis=1)]
    far, nearest = (np.asarray(a) for a in cKDTree(middle).query(near))
    near, far, nearest = (a[far < AROUND_MM] for a in (near, far, nearest))
    look = near - middle[nearest]
    clear, _ = rays.first(near - look, look / far[:, None])
    return np.asarray(near[clear > far - 2.0 * OVERLAP_MM])


def _corners(solid: Solid) -> tuple[Floats, Floats, Floats]:
    """Return corners of small facets, a little pulled in, with normals and shares of the area."""
    points, faces = solid.refined(STEP_MM).mesh()
    corners = points[faces]
    middle = corners.mean(axis=1, keepdims=True)
    start = (corners + PULL_IN * (middle - corners)).reshape(-1, 3)
    normal, area = unit_normals(corners), facet_areas(corners) / 3.0
    return start, np.repeat(normal, 3, axis=0), np.repeat(area, 3)


def _near(
    boxes: Sequence[Floats], start: Floats, outward: Floats, area: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the places that have another body's box within a web of them."""
    least, most = start.min(axis=0), start.max(axis=0)
    near = np.zeros(len(start), bool)
    for low, high in ((box[0] - REACH_MM, box[1] + REACH_MM) for box in boxes):
        if (low <= least).all() and (high >= most).all():
            return start, outward, area
        if (low <= most).all() and (high >= least).all():
            near |= ((start >= low) & (start <= high)).all(axis=1)
    return start[near], outward[near], area[near]


def _owner_of(scenes: Sequence[tuple[Rays, Floats]], points: Floats) -> Ints:
    """Return (n,) the first body that holds each point, -1 for none."""
    owner = np.full(len(points), -1, np.int64)
    for k, (scene, (low, high)) in enumerate(scenes):
        left = np.flatnonzero((owner < 0) & ((points >= low) & (points <= high)).all(axis=1))
        if len(left):
            owner[left[scene.is_inside(points[left])]] = k
    return owner


def _groups(points: Floats) -> list[Ints]:
    """Return the rows of points that hang together."""
    pairs = cKDTree(points).query_pairs(2.0 * STEP_MM, output_type="ndarray")
    n = len(points)
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    count, label = connected_components(links, directed=False)
    return [np.flatnonzero(label == k) for k in range(count)]


def _filling(web: _Web) -> Solid:
    """Return the body that fills a web: one hull, or a hull for each tile of a winding one."""
    tile = np.floor(web.middle / TILE_MM).astype(np.int64)
    hulls = []
    for cell in np.unique(tile, axis=0):
        low, high = cell * TILE_MM - WEB_MM, (cell + 1) * TILE_MM + WEB_MM
        rows = ((web.rim >= low) & (web.rim <= high)).all(axis=1)
        hulls.append(_hull(web.rim[rows]))
    tiled = Solid.union(hulls)
    whole = _hull(web.rim)
    return whole if whole.volume_mm3 < ROUGH * tiled.volume_mm3 else tiled


def _hull(points: Floats) -> Solid:
    """Return the hull of points, a little larger: it is to be one with what is behind them."""
    steps = GROWN_MM * np.vstack([np.eye(3), -np.eye(3)])
    return Solid.hull_of((points[:, None] + steps).reshape(-1, 3))
