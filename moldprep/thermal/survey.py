"""First look at the bare pattern: sections, moduli, order of freezing, and how they join."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.measure import thinnest_wall_mm
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots, spots_on_facets
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Job, Pattern, Sand, Section, SectionJoin, Survey
from moldprep.thermal import chvorinov
from moldprep.thermal.balls import Balls, centered, depths, largest_balls, thickness_by
from moldprep.thermal.mold_constant import constant_of, own_constant
from moldprep.thermal.run_walls import run_wall_mm
from moldprep.thermal.sections import Cells, cut_sections, grown

Floats = NDArray[np.float64]

CELLS_ACROSS: Final = 4.0
"""Cells across the thinnest wall, where the budget allows."""

FEWEST_CELLS: Final = 80_000
"""Compact castings are cut at least this fine: cells of metal."""

THINNEST: Final = 0.7
FEW: Final = 0.01
"""No section is thinner than 0.7 of the wall that 0.01 of the surface is under: such balls lie in
edges and corners."""

SLIVER: Final = 1e-3
"""A cell with a smaller share of metal has none."""

AS_LARGE: Final = 0.99
"""Balls above this share of the largest one of a section are as large."""

AROUND: Final = 1.5
"""Metal and surface within so many thicknesses of a hot spot decide when it freezes: an endless
plate and a long bar have their own moduli there within a tenth, a cube or ball is there whole."""

METAL_SHARE: Final = 8
"""Of the cells allowed, one in so many may be metal: thin castings leave most of a box empty."""

PLATE_BELOW: Final = 2.9
BAR_BELOW: Final = 4.9
"""Thickness over modulus: a plate has 2, a long bar 4, a ball or cube 6; the bounds lie between."""


def survey_pattern(pattern: Pattern, alloy: Alloy, sand: Sand, job: Job) -> Survey:
    """Return the sections of the bare pattern, first to freeze first.

    Parameters
    ----------
    pattern
        The cavity's shape.
    alloy, sand
        For the mold constant.
    job
        `survey.pitch_mm` and `survey.max_cells`.

    Notes
    -----
    Volumes come from ray spans and are scaled to sum to the solid; areas come from the surface
    triangles, each point of them given to the section under it, so no voxel stairs enter the
    moduli. Faces between sections do not cool; but a section between others, with hardly any
    surface of its own, cools through them, so its modulus is at most half its thickness, that of
    an endless plate.
    """
    solid = pattern.solid
    points, faces = solid.mesh()
    rays, corners = Rays.of(solid), points[faces]
    coarse = spots_on_facets(corners, solid.area_mm2 / 20_000.0)
    thin_mm = thinnest_wall_mm(rays, coarse)
    lattice = _lattice(solid, thin_mm, job)
    share = shares_of(solid, lattice)
    inside = share >= 0.5
    if not inside.any():
        inside = share >= 0.5 * share.max()
    depth = depths(rays, inside, lattice)
    balls = largest_balls(rays, depth, lattice)
    least = THINNEST * thinnest_wall_mm(rays, coarse, FEW) / lattice.pitch_mm
    thickness = thickness_by(balls, inside, lattice)
    cut, n = cut_sections(Cells(inside, depth / lattice.pitch_mm, thickness), least)
    label = grown(cut, share > SLIVER, np.ones_like(cut))
    spots = spots_on_facets(corners, lattice.pitch_mm**2)
    owner = _owners(label, lattice, spots)
    volume = np.bincount(label.ravel(), share.ravel(), n + 1)[1:] * lattice.pitch_mm**3
    volume *= solid.volume_mm3 / volume.sum()
    area = np.bincount(owner, spots.area_mm2, n + 1)[1:]
    thick, middle = _thickest(balls, depth, label, lattice, n)
    hot = [
        _HotPlace(at, wide, _modulus_around(at, wide, share, lattice, spots))
        for at, wide in zip(middle, thick.tolist(), strict=True)
    ]
    sections = [_section(k, volume[k], area[k], hot[k], alloy, sand, job) for k in range(n)]
    joins = _joins(rays, depth, label, share, lattice)
    walls = (thin_mm, run_wall_mm(rays, coarse, balls))
    return _in_order(sections, joins, label, lattice, walls)


def _lattice(solid: Solid, thin_mm: float, job: Job) -> Lattice:
    low, high = solid.bounds
    if job.survey.pitch_mm != "auto":
        pitch = job.survey.pitch_mm
    else:
        coarsest = (solid.volume_mm3 / FEWEST_CELLS) ** (1.0 / 3.0)
        box = max(float(np.prod(high - low)), METAL_SHARE * solid.volume_mm3)
        finest = (box / job.survey.max_cells) ** (1.0 / 3.0)
        pitch = max(min(thin_mm / CELLS_ACROSS, coarsest), finest)
    return Lattice.around(solid.bounds, pitch, belt=1)


def _owners(label: NDArray[np.int32], lattice: Lattice, spots: Spots) -> NDArray[np.int64]:
    """Return (n,) the section under each surface point, looking a little deeper until found."""
    owner = np.zeros(len(spots.at_mm), np.int64)
    for depth in (0.5, 0.25, 0.75, 0.0, 1.0, -0.5):
        left = np.flatnonzero(owner == 0)
        if len(left) == 0:
            return owner
        at = spots.at_mm[left] - depth * lattice.pitch_mm * spots.normals[left]
        cell = np.floor((at - lattice.origin_mm) / lattice.pitch_mm).astype(int)
        cell = np.clip(cell, 0, np.array(lattice.shape) - 1)
        owner[left] = label[tuple(cell.T)]
    owner[owner == 0] = 1
    return owner


def _thickest(
    balls: Balls, depth: NDArray[np.float32], label: NDArray[np.int32], lattice: Lattice, n: int
) -> tuple[Floats, Floats]:
    """Return (thickness (n,), middle (n, 3)) of the largest ball of each section. [mm]

    Where many are as large, as in a plate, it is the one nearest to their middle.
    """
    thickness, middle = np.zeros(n), np.zeros((n, 3))
    owner = label.ravel()[balls.cell]
    for k in range(n):
        mine = np.flatnonzero(owner == k + 1)
        if len(mine) == 0:
            cell = np.array(ndimage.maximum_position(depth, label, k + 1))
            thickness[k], middle[k] = 2.0 * depth[tuple(cell)], lattice.center_mm(cell)
            continue
        radius = balls.radius_mm[mine]
        thickness[k] = 2.0 * radius.max()
        at = balls.at_mm[mine[radius > AS_LARGE * radius.max()]]
        middle[k] = at[np.linalg.norm(at - at.mean(axis=0), axis=1).argmin()]
    return thickness, middle


def _modulus_around(
    at_mm: Floats, thickness_mm: float, share: NDArray[np.float32], lattice: Lattice, spots: Spots
) -> float:
    """Return volume over surface of the metal around a hot spot. [mm]"""
    reach = AROUND * thickness_mm
    low, high = (np.floor((at_mm + side * reach - lattice.origin_mm) / lattice.pitch_mm).astype(int)
                 for side in (-1.0, 1.0))  # fmt: skip
    low, high = np.maximum(low, 0), np.minimum(high + 1, lattice.shape)
    axes = [lattice.origin_mm[k] + (np.arange(low[k], high[k]) + 0.5) * lattice.pitch_mm - at_mm[k]
            for k in range(3)]  # fmt: skip
    x, y, z = np.meshgrid(*axes, indexing="ij", sparse=True)
    near = share[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    volume = float(near[x**2 + y**2 + z**2 <= reach**2].sum()) * lattice.pitch_mm**3
    area = float(spots.area_mm2[np.linalg.norm(spots.at_mm - at_mm, axis=1) <= reach].sum())
    return chvorinov.modulus_mm(volume, max(area, 2.0 * volume / thickness_mm))


@dataclass(frozen=True, eq=False)
class _HotPlace:
    """Where a section is thickest: middle, thickness, and the modulus around it. [mm]"""

    at_mm: Floats
    thickness_mm: float
    modulus_mm: float


def _section(
    number: int, volume_mm3: float, area_mm2: float, hot: _HotPlace, alloy: Alloy, sand: Sand,
    job: Job,
) -> Section:  # fmt: skip
    endless_mm2 = 2.0 * volume_mm3 / hot.thickness_mm
    modulus = float(chvorinov.modulus_mm(volume_mm3, max(area_mm2, endless_mm2)))
    shape = shape_of(hot.thickness_mm, modulus)
    constant = constant_of(shape, alloy, sand, job)
    hot_mm = max(hot.modulus_mm, modulus)
    own = own_constant(shape_of(hot.thickness_mm, hot_mm), alloy, sand, job)
    x, y, z = hot.at_mm.tolist()
    return Section(
        name=f"section-{number + 1}",
        volume_mm3=float(volume_mm3),
        cooled_area_mm2=float(area_mm2),
        modulus_mm=modulus,
        freezing_time_s=chvorinov.freezing_time_s(modulus, constant),
        constant_s_mm2=constant,
        shape=shape,
        thickness_mm=hot.thickness_mm,
        at_mm=(x, y, z),
        hot_modulus_mm=hot_mm,
        hot_time_s=chvorinov.freezing_time_s(hot_mm, own),
        order=0,
    )


def shape_of(thickness_mm: float, modulus_mm: float) -> str:
    """Return "plate", "bar" or "chunky" by thickness over modulus.

    >>> [shape_of(12.0, m) for m in (6.0, 3.0, 2.0)]
    ['plate', 'bar', 'chunky']
    """
    ratio = thickness_mm / modulus_mm
    return "plate" if ratio < PLATE_BELOW else "bar" if ratio < BAR_BELOW else "chunky"


def _joins(
    rays: Rays, depth: NDArray[np.float32], label: NDArray[np.int32], share: NDArray[np.float32],
    lattice: Lattice,
) -> list[SectionJoin]:  # fmt: skip
    """Return where sections touch: area of the face between them, and its thickest place."""
    found: dict[tuple[int, int], list[NDArray[np.int64]]] = {}
    for axis in range(3):
        a, b = (np.moveaxis(label, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        at = np.argwhere((a > 0) & (b > 0) & (a != b))
        one, two = a[tuple(at.T)], b[tuple(at.T)]
        pair = np.sort(np.stack([one, two], axis=1), axis=1)
        cell = np.insert(at[:, 1:], axis, at[:, 0], axis=1)
        face = np.column_stack([cell, np.full(len(cell), axis)])
        for key in np.unique(pair, axis=0):
            mine = face[(pair == key).all(axis=1)]
            found.setdefault((int(key[0]), int(key[1])), []).append(mine)
    pairs = sorted(found)
    faces = [np.concatenate(found[pair]) for pair in pairs]
    cells = [rows[np.argmax(depth[tuple(rows[:, :3].T)]), :3] for rows in faces]
    start = lattice.center_mm(np.array(cells).reshape(-1, 3))
    middle, radius, _ = centered(rays, start, lattice.pitch_mm)
    areas = [
        _area(label, share, *one) * lattice.pitch_mm**2 for one in zip(pairs, faces, strict=True)
    ]
    return [
        SectionJoin(
            a=f"section-{a}",
            b=f"section-{b}",
            area_mm2=areas[k],
            thickness_mm=float(2.0 * radius[k]),
            at_mm=(float(middle[k, 0]), float(middle[k, 1]), float(middle[k, 2])),
        )
        for k, (a, b) in enumerate(pairs)
    ]


def _area(
    label: NDArray[np.int32], share: NDArray[np.float32], pair: tuple[int, int],
    rows: NDArray[np.int64],
) -> float:  # fmt: skip
    """Return the area of the face between two sections, from its stairs. [faces of a cell]

    A stair at the surface counts by the metal beside it. The stairs' vectors sum to the flat area
    within the face's rim, however it bulges. Where a section surrounds the other they cancel; then
    each stair counts by the slope of the face there.
    """
    cell, axis = rows[:, :3], rows[:, 3]
    metal = 0.5 * (share[tuple(cell.T)] + share[tuple((cell + np.eye(3, dtype=int)[axis]).T)])
    low = np.maximum(cell.min(axis=0) - 3, 0)
    near = label[tuple(slice(a, b + 5) for a, b in zip(low, cell.max(axis=0), strict=True))]
    spot = tuple((cell - low).T)
    side = (near == pair[0]).astype(np.float64) - (near == pair[1])
    signed = side[spot] * metal
    flat = float(np.linalg.norm([signed[axis == k].sum() for k in range(3)]))
    smooth: Floats = np.asarray(ndimage.uniform_filter(side, 3), np.float64)
    normal = np.stack([np.gradient(smooth, axis=k)[spot] for k in range(3)], axis=1)
    length = np.maximum(np.linalg.norm(normal, axis=1), 1e-6)
    curved = float((metal * np.abs(normal[np.arange(len(cell)), axis]) / length).sum())
    return flat if flat > 0.5 * curved else curved


def _in_order(
    sections: list[Section], joins: list[SectionJoin], label: NDArray[np.int32],
    lattice: Lattice, walls_mm: tuple[float, float],
) -> Survey:  # fmt: skip
    """Return the survey with sections named and labelled by order of freezing."""
    order = sorted(range(len(sections)), key=lambda k: (sections[k].freezing_time_s, k))
    place = np.zeros(len(sections) + 1, np.uint8)
    place[np.array(order) + 1] = np.arange(1, len(sections) + 1)
    name = {sections[k].name: f"section-{place[k + 1]}" for k in order}
    return Survey(
        sections=tuple(
            replace(sections[k], name=name[sections[k].name], order=rank)
            for rank, k in enumerate(order, start=1)
        ),
        joins=tuple(replace(join, a=name[join.a], b=name[join.b]) for join in joins),
        label=place[label],
        pitch_mm=lattice.pitch_mm,
        origin_mm=lattice.origin_mm,
        thin_mm=walls_mm[0],
        run_wall_mm=walls_mm[1],
    )
