"""Walls: faces that stand along the pull, and the draft they have."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.arrays import Flags
from moldprep.geometry.faces import SPECK_SHARE, Surface
from moldprep.geometry.reshape import SMOOTH_DEG, strips
from moldprep.geometry.sampling import spots_on_facets
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.geometry.undercuts import SAMPLES, is_blocked, is_seen

ONE_WALL_DEG: Final = 0.25
"""Facets of one wall have the same draft within this; the rest is a fillet or another wall."""

CURVED_DEG: Final = 1.0
"""A face whose draft spreads more than this is curved along the pull and drafts itself."""

MOST: Final = 0.9
"""Share of a wall that the other half must form for it to be that half's."""

UP: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Walls:
    """The walls of a surface in the part frame.

    wall      : (m,) number of the wall each facet belongs to, -1 for none
    side      : (m,) +1 cope, -1 drag: the half that forms each facet
    deg       : (w, 2) median draft by area of each wall, in the cope and in the drag (facets are
                chords, so each is a little off); NaN where it has no part
    area_mm2  : (w, 2) area of each part [mm²]
    low_mm    : (w, 2) lowest height of each part [mm]
    high_mm   : (w, 2) highest height [mm]
    is_inner  : (w,) whether the wall faces other metal: a hole or a pocket
    is_cored  : (w,) whether the pull cannot form it; a core does
    """

    wall: Ints
    side: Ints
    deg: Floats
    area_mm2: Floats
    low_mm: Floats
    high_mm: Floats
    is_inner: Flags
    is_cored: Flags

    def half(self) -> Ints:
        """Return (m,) 0 for facets in the cope, 1 for those in the drag."""
        return np.asarray(np.where(self.side > 0, 0, 1))

    def place(self, surface: Surface, wall: int, half: int) -> Floats:
        """Return (3,) the middle of the largest facet of one part of a wall. [mm]"""
        mine = np.flatnonzero((self.wall == wall) & (self.half() == half))
        middle: Floats = surface.centers_mm[mine[np.argmax(surface.area_mm2[mine])]]
        return middle


def draft_deg(surface: Surface, side: Ints) -> Floats:
    """Return (m,) the draft of each facet: 0 along the pull, 90 level, negative undercut."""
    up = np.clip(surface.normals[:, 2] * side, -1.0, 1.0)
    return np.asarray(np.degrees(np.arcsin(up)))


def find_walls(surface: Surface, z_mm: float, steepest_deg: float, exempt: Flags) -> Walls:
    """Return the walls: straight faces within `steepest_deg` of the pull.

    Parameters
    ----------
    surface
        Divided at the parting, part frame.
    z_mm
        Height of the parting. [mm]
    steepest_deg
        How far a wall may be off the pull. [deg]
    exempt
        (m,) facets left out.
    """
    side = np.where(surface.centers_mm[:, 2] >= z_mm, 1, -1)
    wall, deg = _faces_along(surface, side, steepest_deg, exempt)
    in_pocket = _in_pocket(surface, wall, side, z_mm)
    if in_pocket.any():
        side = np.where(in_pocket, -side, side)
        wall, deg = _faces_along(surface, side, steepest_deg, exempt)
    return _measured(surface, wall, side, deg)


def _faces_along(
    surface: Surface, side: Ints, steepest_deg: float, exempt: Flags
) -> tuple[Ints, Floats]:
    """Return (m,) the straight face each steep facet is in, -1 for none, and (m,) all drafts."""
    deg = draft_deg(surface, side)
    steep = (np.abs(deg) <= steepest_deg) & ~exempt & (surface.area_mm2 > 1e-9)
    pair, _ = surface.neighbors
    crosses = side[pair[:, 0]] != side[pair[:, 1]]
    return straight_faces(surface, deg, np.where(side > 0, 0, 1), steep, crosses), deg


def _in_pocket(surface: Surface, wall: Ints, side: Ints, z_mm: float) -> Flags:
    """Return (m,) facets of walls round a pocket that only the other half forms.

    The sand inside a bell stands on the drag: its walls are drawn downward, though they lie above
    the parting.
    """
    samples = spots_on_facets(surface.points[surface.faces], surface.area_mm2.sum() / SAMPLES)
    samples = samples.only(np.flatnonzero(wall[samples.facet] >= 0))
    part = 2 * wall + (side < 0)
    n = 2 * (int(wall.max(initial=-1)) + 1)
    if n == 0:
        return np.zeros(len(wall), np.bool_)
    rays, of = surface.rays, part[samples.facet]
    up, down = (is_seen(rays, samples, sense * UP) for sense in (1.0, -1.0))
    total = np.bincount(of, samples.area_mm2, n)
    is_shut = np.where(side[samples.facet] > 0, ~up & down, ~down & up)
    mostly = np.bincount(of, samples.area_mm2 * is_shut, n) > MOST * total
    if not mostly.any():
        return np.zeros(len(wall), np.bool_)
    solid = Solid.from_mesh(surface.points, surface.faces)
    is_free = is_shut & ~is_blocked(solid, z_mm, samples, up, down)
    mostly = np.bincount(of, samples.area_mm2 * is_free, n) > MOST * total
    return np.asarray((wall >= 0) & mostly[np.maximum(part, 0)])


def straight_faces(surface: Surface, deg: Floats, half: Ints, steep: Flags, crosses: Flags) -> Ints:
    """Return (m,) the number of the straight face each steep facet is in, -1 for none.

    Parameters
    ----------
    surface
        Any.
    deg
        (m,) angle of each facet to the direction the faces are straight along. [deg]
    half
        (m,) 0 or 1: the halves of one face may differ in angle.
    steep
        (m,) facets that count.
    crosses
        (k,) edges that join halves, in the order of `neighbors`.
    """
    pair, _ = surface.neighbors
    alike = np.abs(deg[pair[:, 0]] - deg[pair[:, 1]]) <= ONE_WALL_DEG
    face = surface.patches(steep, (surface.bend_deg < SMOOTH_DEG) & (alike | crosses))
    if not steep.any():
        return face
    low, middle, high = _spread(surface, face, half, deg)
    straight: Flags = np.asarray((np.nan_to_num(high - low) <= CURVED_DEG).all(axis=1))
    area = np.bincount(face[steep], surface.area_mm2[steep])
    straight &= ~strips(surface, face) & (area >= SPECK_SHARE * surface.area_mm2.sum())
    keep = (face >= 0) & straight[face]
    keep &= np.abs(deg - middle[face, half]) <= ONE_WALL_DEG
    return _renumbered(np.where(keep, face, -1))


def _spread(surface: Surface, wall: Ints, half: Ints, deg: Floats) -> Floats:
    """Return (3, w, 2) draft that 5, 50 and 95 % of each wall's area are below; NaN for none."""
    n = int(wall.max(initial=-1)) + 1
    spread = np.full((3, n, 2), np.nan)
    mine = np.flatnonzero(wall >= 0)
    if len(mine) == 0:
        return spread
    group = 2 * wall[mine] + half[mine]
    order = np.lexsort((deg[mine], group))
    mine, group = mine[order], group[order]
    first = np.flatnonzero(np.diff(np.concatenate([[-1], group])))
    for start, end in zip(first, [*first[1:], len(group)], strict=True):
        share = np.cumsum(surface.area_mm2[mine[start:end]])
        at = np.searchsorted(share, np.array([0.05, 0.5, 0.95]) * share[-1])
        of = mine[start:end][np.minimum(at, end - start - 1)]
        spread[:, group[start] // 2, group[start] % 2] = deg[of]
    return spread


def _renumbered(wall: Ints) -> Ints:
    """Return the wall numbers without gaps."""
    _, number = np.unique(wall[wall >= 0], return_inverse=True)
    out = np.full(len(wall), -1, np.int64)
    out[wall >= 0] = number
    return out


def _measured(surface: Surface, wall: Ints, side: Ints, deg: Floats) -> Walls:
    n = int(wall.max(initial=-1)) + 1
    half = np.where(side > 0, 0, 1)
    mine = np.flatnonzero(wall >= 0)
    at = (wall[mine], half[mine])
    z = surface.points[surface.faces[mine], 2]
    low, high = np.full((n, 2), np.inf), np.full((n, 2), -np.inf)
    np.minimum.at(low, at, z.min(axis=1))
    np.maximum.at(high, at, z.max(axis=1))
    _, middle, _ = _spread(surface, wall, half, deg)
    each = np.bincount(2 * wall[mine] + half[mine], surface.area_mm2[mine], 2 * n)
    area = each.astype(np.float64).reshape(-1, 2)
    inner, cored = _facing(surface, wall, side, n)
    return Walls(wall, side, middle, area, low, high, inner, cored)


def _facing(surface: Surface, wall: Ints, side: Ints, n: int) -> tuple[Flags, Flags]:
    """Return (w,) which walls face metal across the sand, and which the pull cannot form."""
    samples = spots_on_facets(surface.points[surface.faces], surface.area_mm2.sum() / SAMPLES)
    of = wall[samples.facet]
    mine = np.flatnonzero(of >= 0)
    if len(mine) == 0:
        return np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    samples = samples.only(mine)
    of, area = of[mine], samples.area_mm2
    rays = surface.rays
    level = samples.normals * [1.0, 1.0, 0.0]
    level /= np.maximum(np.linalg.norm(level, axis=1), 1e-12)[:, None]
    distance, _ = rays.first(samples.at_mm + 0.02 * level, level)
    up = side[samples.facet] > 0
    seen = np.where(up, is_seen(rays, samples, UP), is_seen(rays, samples, -UP))
    total = np.bincount(of, area, n)
    inner = np.bincount(of, area * np.isfinite(distance), n) > 0.5 * total
    cored = np.bincount(of, area * ~seen, n) > 0.5 * total
    return np.asarray(inner), np.asarray(cored)
