"""First look at the bare pattern: sections, moduli, order of freezing, and how they join."""

from dataclasses import replace
from typing import Final

import edt
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.measure import depth_and_chord, thinnest_wall_mm
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots, spots_on_facets
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Job, Pattern, Sand, Section, SectionJoin, Survey
from moldprep.thermal import chvorinov
from moldprep.thermal.mold_constant import constant_of
from moldprep.thermal.sections import cut_sections, grown

Floats = NDArray[np.float64]

CELLS_ACROSS: Final = 4.0
"""Cells across the thinnest wall, where the budget allows."""

FEWEST_CELLS: Final = 150_000

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
    rays, corners = Rays(points, faces), points[faces]
    coarse = spots_on_facets(corners, solid.area_mm2 / 20_000.0)
    thin_mm = thinnest_wall_mm(rays, coarse)
    lattice = _lattice(solid, thin_mm, job)
    share = shares_of(solid, lattice)
    inside = share >= 0.5
    if not inside.any():
        inside = share >= 0.5 * share.max()
    depth = np.maximum(edt.edt(inside, black_border=True, parallel=2) - 0.5, 0.0) * inside
    cut, n = cut_sections(inside, depth)
    label = grown(cut, share > 0.0, np.ones_like(cut))
    spots = spots_on_facets(corners, lattice.pitch_mm**2)
    owner = _owners(label, lattice, spots)
    volume = np.bincount(label.ravel(), share.ravel(), n + 1)[1:] * lattice.pitch_mm**3
    volume *= solid.volume_mm3 / volume.sum()
    area = np.bincount(owner, spots.area_mm2, n + 1)[1:]
    thickness, middle = _thickest(rays, depth, label, lattice, n)
    sections = [
        _section(k, volume[k], area[k], thickness[k], middle[k], alloy, sand, job) for k in range(n)
    ]
    joins = _joins(rays, depth, label, lattice)
    return _in_order(sections, joins, label, lattice, thin_mm)


def _lattice(solid: Solid, thin_mm: float, job: Job) -> Lattice:
    low, high = solid.bounds
    if job.survey.pitch_mm != "auto":
        pitch = job.survey.pitch_mm
    else:
        volume = float(np.prod(high - low))
        coarsest = (volume / min(FEWEST_CELLS, job.survey.max_cells)) ** (1.0 / 3.0)
        finest = (volume / job.survey.max_cells) ** (1.0 / 3.0)
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
    rays: Rays, depth: NDArray[np.float32], label: NDArray[np.int32], lattice: Lattice, n: int
) -> tuple[Floats, Floats]:
    """Return (thickness (n,), middle (n, 3)) at the deepest voxel of each section. [mm]"""
    spots = np.array(ndimage.maximum_position(depth, label, np.arange(1, n + 1)))
    return _climbed(rays, lattice.origin_mm + (spots + 0.5) * lattice.pitch_mm, lattice.pitch_mm)


def _climbed(rays: Rays, at_mm: Floats, pitch_mm: float) -> tuple[Floats, Floats]:
    """Return (thickness (n,), place (n, 3)) of the deepest points near voxel centers. [mm]

    From a voxel's center to the middle of the chord through it, a few times: where the nearest
    surface has another opposite it, that is the middle of the wall.
    """
    best, place = depth_and_chord(rays, at_mm)[0], at_mm.copy()
    for _ in range(4):
        deep, _, middle = depth_and_chord(rays, at_mm)
        is_deeper = deep >= best
        best, place = np.where(is_deeper, deep, best), np.where(is_deeper[:, None], at_mm, place)
        is_near = np.linalg.norm(middle - at_mm, axis=1) < 2.0 * pitch_mm
        at_mm = np.where(is_near[:, None], middle, at_mm)
    return 2.0 * best, place


def _section(
    number: int, volume_mm3: float, area_mm2: float, thickness_mm: float, at_mm: Floats,
    alloy: Alloy, sand: Sand, job: Job,
) -> Section:  # fmt: skip
    modulus = chvorinov.modulus_mm(volume_mm3, max(area_mm2, 2.0 * volume_mm3 / thickness_mm))
    shape = shape_of(thickness_mm, modulus)
    constant = constant_of(shape, alloy, sand, job)
    return Section(
        name=f"section-{number + 1}",
        volume_mm3=float(volume_mm3),
        cooled_area_mm2=float(area_mm2),
        modulus_mm=float(modulus),
        freezing_time_s=chvorinov.freezing_time_s(float(modulus), constant),
        constant_s_mm2=constant,
        shape=shape,
        thickness_mm=float(thickness_mm),
        at_mm=(float(at_mm[0]), float(at_mm[1]), float(at_mm[2])),
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
    rays: Rays, depth: NDArray[np.float32], label: NDArray[np.int32], lattice: Lattice
) -> list[SectionJoin]:
    """Return where sections touch: area of the face between them, and its thickest place."""
    found: dict[tuple[int, int], list[NDArray[np.int64]]] = {}
    for axis in range(3):
        a, b = (np.moveaxis(label, axis, 0)[s] for s in (slice(None, -1), slice(1, None)))
        at = np.argwhere((a > 0) & (b > 0) & (a != b))
        one, two = a[tuple(at.T)], b[tuple(at.T)]
        pair = np.sort(np.stack([one, two], axis=1), axis=1)
        cell = np.insert(at[:, 1:], axis, at[:, 0], axis=1)
        rows = np.column_stack([cell, np.full(len(cell), axis)])
        for key in np.unique(pair, axis=0):
            mine = rows[(pair == key).all(axis=1)]
            found.setdefault((int(key[0]), int(key[1])), []).append(mine)
    return [
        _join(rays, depth, label, lattice, key, np.concatenate(found[key])) for key in sorted(found)
    ]


def _join(
    rays: Rays, depth: NDArray[np.float32], label: NDArray[np.int32], lattice: Lattice,
    pair: tuple[int, int], rows: NDArray[np.int64],
) -> SectionJoin:  # fmt: skip
    cell, axis = rows[:, :3], rows[:, 3]
    deepest = cell[int(np.argmax(depth[tuple(cell.T)]))]
    at = lattice.origin_mm + (deepest + 0.5) * lattice.pitch_mm
    (thickness,), (at,) = _climbed(rays, at[None], lattice.pitch_mm)
    area = _area(label == pair[0], label == pair[1], cell, axis) * lattice.pitch_mm**2
    return SectionJoin(
        a=f"section-{pair[0]}",
        b=f"section-{pair[1]}",
        area_mm2=area,
        thickness_mm=float(thickness),
        at_mm=(float(at[0]), float(at[1]), float(at[2])),
    )


def _area(
    a: NDArray[np.bool_], b: NDArray[np.bool_], cell: NDArray[np.int64], axis: NDArray[np.int64]
) -> float:
    """Return the area of the face between two sections, from its stairs. [faces of a cell]

    The stairs' vectors sum to the flat area within the face's rim, however it bulges. Where a
    section surrounds the other they cancel; then each stair counts by the slope of the face there.
    """
    sign = np.where(a[tuple(cell.T)], 1.0, -1.0)
    flat = float(np.linalg.norm([sign[axis == k].sum() for k in range(3)]))
    low = np.maximum(cell.min(axis=0) - 3, 0)
    box = tuple(slice(int(x), int(y) + 5) for x, y in zip(low, cell.max(axis=0), strict=True))
    smooth: Floats = np.asarray(
        ndimage.uniform_filter(a[box].astype(np.float64) - b[box], 3), np.float64
    )
    spot = tuple((cell - low).T)
    normal = np.stack([np.gradient(smooth, axis=k)[spot] for k in range(3)], axis=1)
    length = np.maximum(np.linalg.norm(normal, axis=1), 1e-6)
    curved = float((np.abs(normal[np.arange(len(cell)), axis]) / length).sum())
    return flat if flat > 0.5 * curved else curved


def _in_order(
    sections: list[Section], joins: list[SectionJoin], label: NDArray[np.int32],
    lattice: Lattice, thin_mm: float,
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
        thin_mm=thin_mm,
    )
