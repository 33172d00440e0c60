"""Solid -> Grid: how much of each cube is metal, whose it is, and what the rest is.

A ray along each of several lines per column of cells enters and leaves the body at exact places;
the length between them, cut at the cells, is the cell's share. Rays run along all three axes: those
that cross the surface inside a cell know its place there, so each cell listens to them.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.errors import StageError
from moldprep.geometry.rays import Crossings, Rays
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Grid, Job, Metal, Rigging, Role, Survey
from moldprep.records.freezing import AIR
from moldprep.units import diffusivity_mm2_s

Floats = NDArray[np.float64]
Shares = NDArray[np.float32]

LINES: Final = 2
"""Rays per column and direction across one cell."""

SLIVER: Final = 0.02
"""A smaller share of metal is left out; the scale correction puts its volume back elsewhere."""

STEPS_TO_FREEZE: Final = 14.0
"""Steps of the heat solve, times pitch² over diffusivity and over the longest freezing time by
Chvorinov's rule: five samples took 7 to 14, feeders and superheat in it."""

CELLS_ACROSS: Final = 3.2
"""Cells across the thinnest wall, where the budget allows."""

FEWEST_CELLS: Final = 400_000
"""Compact castings are cut at least this fine, for the sake of necks and pictures."""

BELT_MODULI: Final = 3.0
"""Sand around the metal, in moduli of the slowest section. At depth 2.77 sqrt(alpha t) sand has
warmed by 5 % of the step (erfc 1.386); with t = C M² that is 2 M for steel, 2.5 M to 3 M for
aluminium."""


@dataclass(frozen=True)
class Lattice:
    """A box of cubes; the center of cube i is origin + (i + 0.5) pitch."""

    origin_mm: Floats
    shape: tuple[int, int, int]
    pitch_mm: float

    @classmethod
    def around(cls, low: Floats, high: Floats, pitch_mm: float) -> "Lattice":
        """Return the smallest lattice over a box, its spare shared out evenly."""
        count = np.maximum(np.ceil((high - low) / pitch_mm - 1e-6), 1).astype(int)
        origin = 0.5 * (low + high) - 0.5 * count * pitch_mm
        return cls(origin, (int(count[0]), int(count[1]), int(count[2])), pitch_mm)

    def window(self, solid: Solid) -> tuple[slice, slice, slice]:
        """Return the cells a body's bounds touch."""
        low, high = (solid.bounds - self.origin_mm) / self.pitch_mm
        first = np.clip(np.floor(low - 1e-6).astype(int), 0, self.shape)
        last = np.clip(np.ceil(high + 1e-6).astype(int), first, self.shape)
        x, y, z = (slice(int(a), int(b)) for a, b in zip(first, last, strict=True))
        return x, y, z

    def part(self, window: tuple[slice, slice, slice]) -> "Lattice":
        """Return the lattice of a window of cells."""
        first = np.array([w.start for w in window])
        n_x, n_y, n_z = (w.stop - w.start for w in window)
        return Lattice(self.origin_mm + first * self.pitch_mm, (n_x, n_y, n_z), self.pitch_mm)


def voxelize(rigging: Rigging, metal: Metal, job: Job, survey: Survey, alloy: Alloy) -> Grid:
    """Return the metal cut into cubes, with a belt of sand around it.

    Parameters
    ----------
    rigging
        Bodies, for the label of each cell, and inserts.
    metal
        The one body whose volume the grid must hold.
    job
        `freezing.pitch_mm`, `freezing.max_cells` and `freezing.max_updates`.
    survey
        Thinnest wall, largest modulus and longest freezing time, which set pitch and belt.
    alloy
        How fast heat spreads in it, which sets how many steps the solve will take.

    Raises
    ------
    StageError
        grid/too-few-cells, where the budget cannot hold the metal at all; grid/volume, where the
        cells hold a volume that is off by over 2 %.
    """
    lattice, is_open = _lay_out(rigging, metal, job, survey, alloy)
    fraction = shares_of(metal.solid, lattice)
    fraction[fraction < SLIVER] = 0.0
    fraction = _scaled(fraction, metal.solid.volume_mm3 / lattice.pitch_mm**3)
    label = _labels(rigging, metal, lattice, fraction)
    material, materials = _materials(rigging, lattice, fraction, job.sand)
    if is_open:
        materials = (*materials, AIR)
        material[:, :, -1] = len(materials) - 1
        fraction[:, :, -1], label[:, :, -1] = 0.0, 0
    return Grid(
        label=label,
        fraction=fraction,
        material=material,
        materials=materials,
        pitch_mm=lattice.pitch_mm,
        origin_mm=lattice.origin_mm,
    )


def shares_of(solid: Solid, lattice: Lattice) -> Shares:
    """Return (nx, ny, nz) how much of each cell is inside a body, 0 to 1."""
    whole = np.zeros(lattice.shape, np.float32)
    window = lattice.window(solid) if not solid.is_empty else (slice(0, 0),) * 3
    part = lattice.part(window)
    if min(part.shape) == 0:
        return whole
    points, faces = solid.mesh()
    rays, normals = Rays(points, faces), _normals(points, faces)
    mean, weighed, weight = (np.zeros(part.shape) for _ in range(3))
    for axis in range(3):
        share, crossed = _along(rays, normals[:, axis], part, axis)
        mean += share / 3.0
        weighed += crossed * share
        weight += crossed
    uncut = np.round(mean)  # the axes vote: a ray that missed an edge is wrong all along its line
    cut = np.divide(weighed, weight, out=uncut, where=weight > 0.0)
    whole[window] = np.clip(cut, 0.0, 1.0)
    whole[whole > 1.0 - 1e-5] = 1.0
    return whole


def _normals(points: Floats, faces: NDArray[np.int64]) -> Floats:
    a, b, c = (points[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a))


def _along(rays: Rays, slope: Floats, lattice: Lattice, axis: int) -> tuple[Floats, Floats]:
    """Return (share, number of crossings) of each cell, seen by rays along one axis."""
    order = [k for k in range(3) if k != axis] + [axis]
    n_a, n_b, n_c = (lattice.shape[k] for k in order)
    a, b = (np.arange(n * LINES) for n in (n_a, n_b))
    line = np.stack(np.meshgrid(a, b, indexing="ij"), axis=-1).reshape(-1, 2)
    column = (line[:, 0] // LINES) * n_b + line[:, 1] // LINES
    rise, crossed = np.zeros(n_a * n_b * (n_c + 2)), np.zeros(n_a * n_b * (n_c + 2))
    left = np.arange(len(line))
    for jitter in (0.011, 0.137, -0.093):  # off the round numbers that edges like to sit on
        origin = np.empty((len(left), 3))
        for k, one in zip(order[:2], line[left].T, strict=True):
            place = (one + 0.5 + jitter) / LINES
            origin[:, k] = lattice.origin_mm[k] + place * lattice.pitch_mm
        origin[:, axis] = lattice.origin_mm[axis] - lattice.pitch_mm
        hits = rays.crossings(origin, np.eye(3)[axis])
        ray, place, sign, is_bad = _checked(hits, slope, len(left))
        good = ~is_bad[ray]
        where = place[good] / lattice.pitch_mm - 1.0
        cell = np.clip(np.floor(where), 0, n_c).astype(np.int64)
        at = column[left[ray[good]]] * (n_c + 2) + cell
        part, sign = where - cell, sign[good]
        np.add.at(rise, at, sign * (1.0 - part))
        np.add.at(rise, at + 1, sign * part)
        np.add.at(crossed, at, 1.0)
        left = left[is_bad]
        if len(left) == 0:
            break
    shape, back = (n_a, n_b, n_c + 2), np.argsort(order)
    share = np.cumsum(rise.reshape(shape), axis=2)[:, :, :n_c] / LINES**2
    return share.transpose(back), crossed.reshape(shape)[:, :, :n_c].transpose(back)


def _checked(
    hits: Crossings, slope: Floats, n_rays: int
) -> tuple[NDArray[np.int64], Floats, Floats, NDArray[np.bool_]]:
    """Return (ray, place, +1 in or -1 out) of the crossings, and which rays do not add up.

    A ray through an edge meets two facets at one place; the second is dropped.
    """
    sign = -np.sign(slope[hits.facet])
    is_twin = np.zeros(len(sign), bool)
    is_twin[1:] = (
        (np.diff(hits.ray) == 0) & (np.diff(hits.distance) < 1e-4) & (sign[1:] == sign[:-1])
    )
    keep = (sign != 0.0) & ~is_twin
    ray, place, sign = hits.ray[keep], hits.distance[keep], sign[keep]
    inside = np.cumsum(sign)
    total = np.bincount(ray, sign, n_rays)
    before = np.concatenate([[0.0], np.cumsum(total)])[ray]
    is_bad = total != 0.0
    level = inside - before
    is_bad[ray[(level < -0.5) | (level > 1.5)]] = True
    return ray, place, sign, is_bad


def _scaled(fraction: Shares, wanted_cells: float) -> Shares:
    """Return the shares with those of partial cells scaled so that they sum to the volume."""
    for _ in range(8):
        partial = (fraction > 0.0) & (fraction < 1.0)
        short = wanted_cells - float(fraction.sum(dtype=np.float64))
        held = float(fraction[partial].sum(dtype=np.float64))
        if held == 0.0 or abs(short) < 1e-7 * wanted_cells:
            break
        fraction[partial] = np.minimum(fraction[partial] * np.float32(1.0 + short / held), 1.0)
    off = float(fraction.sum(dtype=np.float64)) / wanted_cells - 1.0
    if not abs(off) < 0.02:
        raise StageError(
            f"the grid holds {100.0 * off:+.1f} % more metal than the body",
            code="grid/volume",
            fix="set freezing.pitch_mm to a third of the thinnest wall",
        )
    return fraction


def _labels(
    rigging: Rigging, metal: Metal, lattice: Lattice, fraction: Shares
) -> NDArray[np.uint8]:
    """Return the part with most of each cell; where bodies overlap, the first of them."""
    label = np.zeros(lattice.shape, np.uint8)
    most = np.zeros(lattice.shape, np.float32)
    for body in rigging.metal:
        if body.name not in metal.parts or body.solid.is_empty:
            continue
        window = lattice.window(body.solid)
        share = shares_of(body.solid, lattice.part(window))
        is_more = share > most[window] + 1e-4
        most[window][is_more] = share[is_more]
        label[window][is_more] = metal.parts.index(body.name) + 1
    label[fraction == 0.0] = 0
    return _with_strays(label, fraction)


def _with_strays(label: NDArray[np.uint8], fraction: Shares) -> NDArray[np.uint8]:
    """Give cells of the joined metal that no body claimed the label of a neighbor."""
    for _ in range(3):
        stray = (fraction > 0.0) & (label == 0)
        if not stray.any():
            break
        for axis in range(3):
            for shift in (1, -1):
                near = np.roll(label, shift, axis)
                label = np.where(stray & (label == 0), near, label)
    label[(fraction > 0.0) & (label == 0)] = 1
    return label


def _materials(
    rigging: Rigging, lattice: Lattice, fraction: Shares, sand: str
) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """Return what the rest of each cell is: sand, or the insert that has most of it."""
    material = np.zeros(lattice.shape, np.uint8)
    names = [sand]
    for insert in rigging.inserts:
        if insert.solid.is_empty:
            continue
        if insert.material not in names:
            names.append(insert.material)
        window = lattice.window(insert.solid)
        share = shares_of(insert.solid, lattice.part(window))
        is_most = share > 0.5 * (1.0 - fraction[window])
        material[window][is_most] = names.index(insert.material)
    return material, tuple(names)


def _lay_out(
    rigging: Rigging, metal: Metal, job: Job, survey: Survey, alloy: Alloy
) -> tuple[Lattice, bool]:
    """Return the lattice, and whether metal stands open at its top."""
    low, high = metal.solid.bounds
    pouring = rigging.of_role(Role.BASIN, Role.SPRUE, Role.FEEDER, Role.VENT)
    top = max((body.solid.bounds[1, 2] for body in pouring), default=-math.inf)
    is_open = bool(top > high[2] - 1e-3)
    moduli = [section.modulus_mm for section in survey.sections]
    moduli += [b.solid.volume_mm3 / b.solid.area_mm2 for b in rigging.of_role(Role.FEEDER)]
    belt = BELT_MODULI * max(moduli, default=float(min(high - low)) / 4.0)
    below = low - belt
    above = high + belt * np.array([1.0, 1.0, 0.0 if is_open else 1.0])
    pitch = _pitch(above - below, job, survey, alloy)
    if pitch > 0.5 * float(min(high - low)):
        raise StageError(
            f"{job.freezing.max_cells} cells are too few: one cell would be {pitch:.1f} mm",
            code="grid/too-few-cells",
            where="freezing.max_cells",
            fix="allow more cells, or set freezing.pitch_mm",
        )
    lattice = Lattice.around(below, above, pitch)
    if not is_open:
        return lattice, False
    n_x, n_y, n_z = lattice.shape  # a cell's face lies on the top, and one layer of air above it
    origin = np.array([*lattice.origin_mm[:2], high[2] - n_z * pitch])
    return Lattice(origin, (n_x, n_y, n_z + 1), pitch), True


def _pitch(size: Floats, job: Job, survey: Survey, alloy: Alloy) -> float:
    """Return the edge of a cell: fine enough for the thinnest wall, if the budgets allow."""
    keys = job.freezing
    if keys.pitch_mm != "auto":
        return float(keys.pitch_mm)
    volume = float(np.prod(size))
    coarsest = (volume / min(FEWEST_CELLS, keys.max_cells)) ** (1.0 / 3.0)
    pitch: float = min(survey.thin_mm / CELLS_ACROSS, coarsest)
    spread = diffusivity_mm2_s(
        max(k for _, k in alloy.conductivity_w_mk),
        alloy.density_kg_m3,
        min(c for _, c in alloy.heat_j_kgk),
    )
    longest = max((section.freezing_time_s for section in survey.sections), default=0.0)
    reach = STEPS_TO_FREEZE * spread * longest  # steps x pitch²
    while (n := _n_cells(size, pitch)) > keys.max_cells or (
        n * reach / pitch**2 > keys.max_updates
    ):
        pitch *= 1.01
    return pitch


def _n_cells(size: Floats, pitch: float) -> float:
    return float(np.prod(np.ceil(size / pitch) + np.array([0.0, 0.0, 1.0])))
