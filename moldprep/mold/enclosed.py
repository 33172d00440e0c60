"""Sand that the casting hems in so that no straight pull frees it: found on a grid of cubes."""

from dataclasses import dataclass
from typing import Final

import cc3d
import edt
import networkx as nx
import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import occupied
from moldprep.geometry.solid import Floats, Solid

Bools = NDArray[np.bool_]
Labels = NDArray[np.uint32]
Step = tuple[int, int, int]

CUBES: Final = 2.5e6
"""Cubes in the box around a casting."""

SMALLEST_PITCH_MM: Final = 0.8

BELT: Final = 4
"""Cubes of open sand kept around the casting."""

FEWEST_CUBES: Final = 27
"""A region of fewer cubes is noise of the grid."""

SHARE_JOINED: Final = 0.15
"""A free column of sand is part of the hemmed-in sand beside it when more of its side than this
borders on it: the column under the inlet of a pump does, a pocket with a cross hole does not."""

LEVEL: Final[tuple[Step, ...]] = ((1, 0, 0), (0, 1, 0), (1, 1, 0), (1, -1, 0))
"""Level lines through a cube; the first two cross at a right angle, and so do the last two."""

UPRIGHT: Final[Step] = (0, 0, 1)

FACES: Final[tuple[Step, ...]] = (
    (1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1),
)  # fmt: skip


@dataclass(frozen=True)
class Opening:
    """Where enclosed sand meets open sand.

    at_mm    : middle of the opening
    normal   : unit, outward
    area_mm2 : of the flat across it
    flatness : that area over the area of the cubes' faces: 0.58 to 1 for a flat, 0 for a ring
    bounds   : (2, 3) around it [mm]
    reach_mm : lowest and highest distance of its faces from `at_mm`, along the normal
    places   : (n, 3) middles of its faces
    """

    at_mm: Floats
    normal: Floats
    area_mm2: float
    flatness: float
    bounds: Floats
    reach_mm: tuple[float, float]
    places: Floats


@dataclass(frozen=True)
class Enclosure:
    """One connected region of enclosed sand, as measured on the grid.

    deepest_mm : its point furthest from metal and openings
    radius_mm  : largest distance to metal inside it
    neck_mm    : the same in its widest opening, 0 without one
    above_mm3  : part of `volume_mm3` above the parting
    bounds     : (2, 3) [mm]
    """

    deepest_mm: Floats
    radius_mm: float
    neck_mm: float
    volume_mm3: float
    above_mm3: float
    bounds: Floats
    openings: tuple[Opening, ...]
    pitch_mm: float


@dataclass(frozen=True)
class _Field:
    """The grid: enclosures by label, metal, distance to metal."""

    label: Labels
    metal: Bools
    depth_mm: Floats
    lattice: Lattice


@dataclass(frozen=True)
class Hemmed:
    """Sand that a casting hems in, largest first.

    undercut : regions that no straight pull forms
    covered  : pockets above the parting that are open downward only
    floored  : pockets below the parting that are open upward only
    """

    undercut: tuple[Enclosure, ...]
    covered: tuple[Enclosure, ...]
    floored: tuple[Enclosure, ...]


def find_hemmed(casting: Solid, z_mm: float) -> Hemmed:
    """Return the regions of sand that a casting hems in.

    Undercut is sand with metal both above and below it (so that neither half can form it with a
    straight pull), and on both sides along a level line too. Free sand with metal (or undercut)
    on both sides along two level lines belongs to it where it borders on it with a good share of
    its side; where it does not, it is a pocket.
    """
    pitch = max(float(np.cbrt(np.prod(casting.size_mm) / CUBES)), SMALLEST_PITCH_MM)
    lattice = Lattice.from_corner(casting.bounds, pitch, belt=BELT)
    metal = occupied(casting, lattice)
    up, down = _is_seen(metal, UPRIGHT), _is_seen(metal, (0, 0, -1))
    undercut = ~metal & up & down & np.any([_is_blocked(metal, line) for line in LEVEL], axis=0)
    # What a casting hems in is hemmed in by its undercut sand too: a hole in a wall is no gap.
    x, y, xy, yx = (_is_blocked(metal | undercut, line) for line in LEVEL)
    column = ~metal & ~undercut & ((x & y) | (xy & yx))
    label = _joined(_parts_of(undercut), _parts_of(column))
    column &= label == 0
    is_above = lattice.origin_mm[2] + (np.arange(metal.shape[2]) + 0.5) * pitch > z_mm
    depth = edt.edt(~metal, anisotropy=(pitch,) * 3, black_border=False).astype(np.float64)
    labels = (label, _parts_of(column & up & is_above), _parts_of(column & down & ~is_above))
    undercuts, covered, floored = (
        _regions(_Field(one, metal, depth, lattice), z_mm) for one in labels
    )
    return Hemmed(undercuts, covered, floored)


def _parts_of(cubes: Bools) -> Labels:
    """Return a label for each connected group of cubes, 0 elsewhere."""
    return np.asarray(cc3d.connected_components(cubes, connectivity=6), np.uint32)


def _regions(field: _Field, z_mm: float) -> tuple[Enclosure, ...]:
    """Return the facts of every labeled region, largest first."""
    facts = cc3d.statistics(field.label)
    big = [
        k for k in range(1, len(facts["voxel_counts"])) if facts["voxel_counts"][k] >= FEWEST_CUBES
    ]
    found = [_measure(field, k, facts["bounding_boxes"][k], z_mm) for k in big]
    return tuple(sorted(found, key=lambda e: (-e.volume_mm3, *e.bounds[0])))


def _is_blocked(metal: Bools, step: Step) -> Bools:
    """Return whether metal lies on both sides of each cube along a line."""
    return _is_seen(metal, step) & _is_seen(metal, (-step[0], -step[1], -step[2]))


def _is_seen(metal: Bools, step: Step) -> Bools:
    """Return whether metal lies somewhere along a direction from each cube."""
    axis = next(k for k in range(3) if step[k] != 0)
    body = np.moveaxis(metal, axis, 0)
    side = tuple(step[k] for k in range(3) if k != axis)
    seen = np.zeros(body.shape, bool)
    n = len(body)
    order = range(n - 2, -1, -1) if step[axis] > 0 else range(1, n)
    for k in order:
        ahead = k + step[axis]
        seen[k] = _shifted(body[ahead] | seen[ahead], side[0], side[1])
    return np.moveaxis(seen, 0, axis)


def _shifted(plane: Bools, rows: int, columns: int) -> Bools:
    """Return the plane whose cell (i, j) is the cell (i + rows, j + columns), False outside."""
    out = np.zeros_like(plane)
    n, m = plane.shape
    to = (slice(max(-rows, 0), n - max(rows, 0)), slice(max(-columns, 0), m - max(columns, 0)))
    source = (slice(max(rows, 0), n + min(rows, 0)), slice(max(columns, 0), m + min(columns, 0)))
    out[to] = plane[source]
    return out


def _joined(cores: Labels, columns: Labels) -> Labels:
    """Return the cores' labels, with columns that border well on cores made part of them."""
    border = np.zeros(int(columns.max()) + 1)
    side = np.zeros_like(border)
    pairs: dict[tuple[int, int], int] = {}
    for step in FACES[:4]:
        here, there = _neighbors(columns, step), _neighbors(cores, step, of_far=True)
        same = _neighbors(columns, step, of_far=True)
        is_side = (here > 0) & (same != here)
        side += np.bincount(here[is_side], minlength=len(side))
        is_border = (here > 0) & (there > 0)
        border += np.bincount(here[is_border], minlength=len(side))
        met = np.unique(np.stack([here[is_border], there[is_border]]), axis=1, return_counts=True)
        for (column, core), count in zip(met[0].T.tolist(), met[1].tolist(), strict=True):
            pairs[column, core] = pairs.get((column, core), 0) + count
    share = np.divide(border, side, out=np.zeros_like(border), where=side > 0)
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(range(1, int(cores.max()) + 1))
    graph.add_edges_from(
        (-column, core) for column, core in sorted(pairs) if share[column] > SHARE_JOINED
    )
    return _relabeled(graph, cores, columns)


def _relabeled(graph: "nx.Graph[int]", cores: Labels, columns: Labels) -> Labels:
    """Return one label for each connected group; positive nodes are cores, negative columns."""
    new_core = np.zeros(int(cores.max()) + 1, np.uint32)
    new_column = np.zeros(int(columns.max()) + 1, np.uint32)
    groups = sorted(
        nx.connected_components(graph), key=lambda group: min(g for g in group if g > 0)
    )
    for k, group in enumerate(groups, start=1):
        for node in group:
            if node > 0:
                new_core[node] = k
            else:
                new_column[-node] = k
    return np.asarray(np.where(cores > 0, new_core[cores], new_column[columns]))


def _neighbors(label: Labels, step: Step, of_far: bool = False) -> Labels:
    """Return the labels of the near (or far) cube of every pair of neighbors along a step."""
    near, far = _pair(step)
    return label[far if of_far else near]


def _pair(step: Step) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    near = tuple(
        slice(1, None) if s < 0 else slice(None, -1) if s > 0 else slice(None) for s in step
    )
    far = tuple(
        slice(None, -1) if s < 0 else slice(1, None) if s > 0 else slice(None) for s in step
    )
    return near, far


def _measure(field: _Field, k: int, box: tuple[slice, ...], z_mm: float) -> Enclosure:
    """Return the facts of one enclosure."""
    pitch = field.lattice.pitch_mm
    grown = tuple(
        slice(max(s.start - 2, 0), min(s.stop + 2, n))
        for s, n in zip(box, field.label.shape, strict=True)
    )
    start = np.array([s.start for s in grown])
    inside = field.label[grown] == k
    depth = np.where(inside, field.depth_mm[grown], 0.0)
    inward = edt.edt(inside, black_border=True)
    deepest = np.unravel_index(int(inward.argmax()), inward.shape)
    cubes = np.argwhere(inside)
    centers = field.lattice.center_mm(cubes + start)
    openings, neck = _openings(inside, field.metal[grown], depth, field.lattice, start)
    return Enclosure(
        deepest_mm=field.lattice.center_mm(np.array(deepest) + start),
        radius_mm=float(depth.max()),
        neck_mm=neck,
        volume_mm3=len(cubes) * pitch**3,
        above_mm3=int((centers[:, 2] > z_mm).sum()) * pitch**3,
        bounds=np.array([centers.min(axis=0) - 0.5 * pitch, centers.max(axis=0) + 0.5 * pitch]),
        openings=openings,
        pitch_mm=pitch,
    )


def _openings(
    inside: Bools, metal: Bools, depth: Floats, lattice: Lattice, start: NDArray[np.int64]
) -> tuple[tuple[Opening, ...], float]:
    """Return where the cubes `inside` meet other sand, and the widest depth there."""
    is_out = ~inside & ~metal
    rim = np.zeros_like(inside)
    for step in FACES:
        near, far = _pair(step)
        rim[far] |= inside[near] & is_out[far]
    label: Labels = cc3d.connected_components(rim, connectivity=26).astype(np.uint32)
    which, places, normals, depths = [], [], [], []
    for step in FACES:
        near, far = _pair(step)
        pairs = np.argwhere(inside[near] & rim[far]) + [s.start or 0 for s in near]
        ahead = pairs + step
        which.append(label[tuple(ahead.T)])
        places.append(lattice.center_mm(0.5 * (pairs + ahead) + start))
        normals.append(np.tile(np.array(step, float), (len(pairs), 1)))
        depths.append(depth[tuple(pairs.T)])
    all_which, all_places = np.concatenate(which), np.concatenate(places)
    all_normals = np.concatenate(normals)
    openings = [
        _opening(all_places[all_which == k], all_normals[all_which == k], lattice.pitch_mm)
        for k in range(1, int(label.max()) + 1)
    ]
    neck = float(np.concatenate(depths).max()) if len(all_which) else 0.0
    return tuple(sorted(openings, key=lambda o: (-o.area_mm2, *o.at_mm))), neck


def _opening(places: Floats, normals: Floats, pitch_mm: float) -> Opening:
    vector = normals.sum(axis=0)
    length = float(np.linalg.norm(vector))
    normal = vector / length if length > 0.0 else np.array([0.0, 0.0, 1.0])
    at = places.mean(axis=0)
    along = (places - at) @ normal
    return Opening(
        at_mm=at,
        normal=normal,
        area_mm2=length * pitch_mm**2,
        flatness=length / len(places),
        bounds=np.array([places.min(axis=0), places.max(axis=0)]),
        reach_mm=(float(along.min()), float(along.max())),
        places=places,
    )
