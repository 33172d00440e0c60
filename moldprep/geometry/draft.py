"""Draft: walls turned about their hinge so that each half leaves the pattern easily.

A wall's new plane leans by the draft away from the parting. How far the wall moves outward at
height z is `k · (hinge - z)` in the cope (mirrored in the drag), with k the change of its slope:

* plus: the hinge is the far edge, so metal is only added;
* minus: the hinge is the edge nearest the parting, so metal is only taken;
* middle: the hinge is half way up, half of each.

A wall that goes through the parting has a part in each half. With `hinge = "parting"` both parts
share one edge at the parting, so the taller one decides how far it moves; with `"far"` each part
is turned on its own and a ledge is left where they differ.
"""

from dataclasses import replace
from typing import Final

import numpy as np
from scipy.spatial import KDTree

from moldprep.arrays import Flags
from moldprep.geometry.allowance import draft_for_height_deg
from moldprep.geometry.faces import Surface, carried
from moldprep.geometry.flats import refilled
from moldprep.geometry.reshape import Planes, cut_at, faults, reshaped
from moldprep.geometry.slabs import inside_out, labeled, slab
from moldprep.geometry.solid import Floats, Ints, Solid
from moldprep.geometry.walls import Walls, find_walls
from moldprep.records.job import DraftKeys

LEVEL_DEG: Final = 1.0
"""Faces this near to level keep their plane while walls slide over them."""

ROUNDS: Final = 12
"""Rounds of leaving out walls that cannot be turned before all are left."""

SMALL_SHARE: Final = 0.1
"""Where a small wall and a large one spoil each other, one smaller than this share goes first."""

SPECK_SHARE: Final = 0.02
"""Loose metal, or a void, of less than this share of a layer is what layers leave between them."""

MOST_LAYERS: Final = 64
"""Layers tried one by one at most."""

TRUE_DEG: Final = 1e-3
"""A wall within this of the draft asked for has it."""


def drafted(
    surface: Surface, z_mm: float, keys: DraftKeys, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Return the surface with draft on its walls, and the labels of its facets.

    Walls that cannot be turned without tearing the body get a layer of metal laid on them
    ("plus"), or one cut off them ("minus"); with "middle" they stay as they are. The draft
    measured afterwards shows what came of it.

    Parameters
    ----------
    surface
        Closed and outward, part frame, z along the pull.
    z_mm
        Height of the parting. [mm]
    keys
        What is asked.
    labels
        (m,) flags to carry along; the first one marks faces that get no draft.
    """
    cut, source = cut_at(surface, z_mm)
    flags = tuple(label[source] for label in labels)
    walls = find_walls(cut, z_mm, keys.steepest_deg, flags[0])
    slope = _slopes(walls, keys)
    if keys.hinge == "far" and _mismatched(walls, slope):
        return _by_halves(surface, z_mm, keys, labels)
    turned, origin, done = _turned(cut, walls, slope, z_mm, keys)
    flags = tuple(flag[origin] for flag in flags)
    left = np.where(done > 0.0, 0.0, slope)
    if keys.direction == "middle" or not left.any():
        return turned, flags
    there = replace(walls, wall=walls.wall[origin], side=walls.side[origin])
    planes = _planes(turned, there, left, z_mm, keys)
    return _layered(turned, there, planes, flags, is_cut=keys.direction == "minus")


def asked_deg(walls: Walls, keys: DraftKeys) -> Floats:
    """Return (w, 2) the draft the job asks of each wall, in the cope and in the drag. [deg]"""
    if keys.table == "":
        return np.full(walls.deg.shape, keys.deg)
    height = np.where(np.isfinite(walls.low_mm), walls.high_mm - walls.low_mm, 0.0)
    return draft_for_height_deg(height, walls.is_inner[:, None], keys.table)


def _slopes(walls: Walls, keys: DraftKeys) -> Floats:
    """Return (w, 2) how much the slope of each wall changes; 0 where it stays. [-]"""
    asked, has = asked_deg(walls, keys), np.nan_to_num(walls.deg)
    change = np.tan(np.radians(asked)) - np.tan(np.radians(has))
    wanted = (asked > has + TRUE_DEG) & np.isfinite(walls.deg) & ~walls.is_cored[:, None]
    return np.asarray(np.where(wanted, change, 0.0))


def _crossing(walls: Walls) -> Flags:
    """Return (w,) the walls that have a part in each half."""
    return np.asarray(np.isfinite(walls.deg).all(axis=1))


def _mismatched(walls: Walls, slope: Floats) -> bool:
    """Return whether some wall's halves would not meet if each turned on its own."""
    rise = slope * np.where(np.isfinite(walls.low_mm), walls.high_mm - walls.low_mm, 0.0)
    apart = np.abs(rise[:, 0] - rise[:, 1]) > 1e-9
    return bool((apart & _crossing(walls)).any())


def _by_halves(
    surface: Surface, z_mm: float, keys: DraftKeys, labels: tuple[Flags, ...]
) -> tuple[Surface, tuple[Flags, ...]]:
    """Draft the two halves apart and join them; a ledge is left at the parting."""
    halves = Solid.from_mesh(surface.points, surface.faces).split_at((0.0, 0.0, 1.0), z_mm)
    done, pieces = [], []
    for half in halves:
        if half.is_empty:
            continue
        piece = Surface.of(half)
        turned, flags = drafted(piece, z_mm, keys, carried(labels, surface, piece))
        done.append((turned, flags))
        pieces.append(Solid.from_mesh(turned.points, turned.faces))
    whole = Surface.of(Solid.union(pieces))
    found = tuple(np.zeros(len(whole.faces), np.bool_) for _ in labels)
    for turned, flags in done:
        more = carried(flags, turned, whole)
        found = tuple(a | b for a, b in zip(found, more, strict=True))
    return whole, found


def _turned(
    surface: Surface, walls: Walls, slope: Floats, z_mm: float, keys: DraftKeys
) -> tuple[Surface, Ints, Floats]:
    """Turn the walls; those that would tear the body are left out, one round after another.

    Returns the surface, the facet each of its facets comes from, and the slopes that were given.
    """
    slope = slope.copy()
    for _ in range(ROUNDS):
        if not slope.any():
            break
        planes = _planes(surface, walls, slope, z_mm, keys)
        result, source = refilled(surface, reshaped(surface, planes, is_level=True))
        bad = faults(surface, result, source)
        if not bad.any():
            return result, source, slope
        slope[_least(walls, _blamed(surface, walls, slope, result, bad))] = 0.0
    return surface, np.arange(len(surface.faces)), np.zeros_like(slope)


def _layered(
    surface: Surface, walls: Walls, planes: Planes, flags: tuple[Flags, ...], *, is_cut: bool
) -> tuple[Surface, tuple[Flags, ...]]:
    """Give walls that could not be turned their draft by a layer laid on them, or cut off them.

    A layer that closes a hole or leaves a loose piece is worse than no draft. Where all of them
    together do, they are tried one by one, the largest wall first.
    """
    body = Solid.from_mesh(surface.points, surface.faces)
    base, asked = inside_out(surface, planes) if is_cut else (surface, planes)
    area = np.bincount(walls.wall[planes.moved], surface.area_mm2[planes.moved])
    numbers = np.argsort(-area, kind="stable")[: np.count_nonzero(area)]
    layers = [slab(base, planes.moved & (walls.wall == k), asked) for k in numbers]
    together = _changed(body, layers, is_cut)
    if together is None:
        for layer in layers[:MOST_LAYERS]:
            body = _changed(body, [layer], is_cut) or body
    return labeled(surface, together or body, planes.moved, flags)


def _changed(body: Solid, layers: list[Solid], is_cut: bool) -> Solid | None:
    """Return the body with layers laid on or cut off; None if holes or pieces come or go."""
    changed = body - Solid.union(layers) if is_cut else Solid.union([body, *layers])
    changed = changed.without_specks(SPECK_SHARE * min(layer.volume_mm3 for layer in layers))
    is_same = (body.genus, len(body.parts())) == (changed.genus, len(changed.parts()))
    return changed if is_same else None


def _planes(surface: Surface, walls: Walls, slope: Floats, z_mm: float, keys: DraftKeys) -> Planes:
    """Return the new planes of the walls."""
    half = walls.half()
    k = np.where(walls.wall >= 0, slope[walls.wall, half], 0.0)
    facet = np.flatnonzero(k > 0.0)
    wall, half, side = walls.wall[facet], half[facet], walls.side[facet].astype(np.float64)
    most = _shift_at_hinge(walls, slope, z_mm, keys)[wall, half]
    near = _near_mm(walls, slope, z_mm, keys)[wall, half]
    z = surface.points[surface.faces[facet], 2]
    by, row = np.zeros((len(k), 3)), np.zeros((len(k), 3))
    by[facet] = most[:, None] - k[facet, None] * side[:, None] * (z - near[:, None])
    level = surface.normals[facet, :2]
    level = level / np.linalg.norm(level, axis=1)[:, None]
    has = np.tan(np.radians(walls.deg[wall, half]))
    row[facet] = np.column_stack([level, side * (has + k[facet])])
    is_level = np.abs(surface.normals[:, 2]) > np.cos(np.radians(LEVEL_DEG))
    return Planes(k > 0.0, row, by, is_level)


def _linked(walls: Walls, slope: Floats, keys: DraftKeys) -> Flags:
    """Return (w,) the walls whose halves share an edge at the parting."""
    return np.asarray(_crossing(walls) & (slope > 0.0).any(axis=1) & (keys.hinge == "parting"))


def _near_mm(walls: Walls, slope: Floats, z_mm: float, keys: DraftKeys) -> Floats:
    """Return (w, 2) the height each part's shift is counted from: its edge near the parting."""
    near = np.column_stack([walls.low_mm[:, 0], walls.high_mm[:, 1]])
    return np.asarray(np.where(_linked(walls, slope, keys)[:, None], z_mm, near))


def _shift_at_hinge(walls: Walls, slope: Floats, z_mm: float, keys: DraftKeys) -> Floats:
    """Return (w, 2) how far each part moves outward at its edge near the parting. [mm]"""
    near = _near_mm(walls, slope, z_mm, keys)
    far = np.column_stack([walls.high_mm[:, 0], walls.low_mm[:, 1]])
    rise = slope * np.abs(np.where(np.isfinite(walls.deg), far - near, 0.0))
    linked = _linked(walls, slope, keys)[:, None]
    rise = np.where(linked, rise.max(axis=1, initial=0.0, keepdims=True), rise)
    return np.asarray(rise * {"plus": 1.0, "minus": 0.0, "middle": 0.5}[keys.direction])


def _least(walls: Walls, blamed: Flags) -> Flags:
    """Return (w,) the small ones of some walls, or all if they are much of a size."""
    area = np.where(blamed, walls.area_mm2.sum(axis=1), 0.0)
    small = blamed & (area < SMALL_SHARE * area.max(initial=0.0))
    return np.asarray(small if small.any() else blamed)


def _blamed(surface: Surface, walls: Walls, slope: Floats, result: Surface, bad: Flags) -> Flags:
    """Return (w,) the turned walls nearest to facets that went wrong."""
    turned: Flags = np.asarray((slope > 0.0).any(axis=1))
    mine = np.flatnonzero(np.where(walls.wall >= 0, turned[walls.wall], False))
    tree = KDTree(surface.points[surface.faces[mine]].reshape(-1, 3))
    corners = surface.points[result.faces[bad]].reshape(-1, 3)
    _, row = tree.query(corners)
    blamed = np.zeros(len(turned), np.bool_)
    blamed[walls.wall[mine[row // 3]]] = True
    return blamed
