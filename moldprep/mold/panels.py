"""Walls of sand with metal on one side and nothing on the other: how far the metal bends them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from moldprep.arrays import Flags
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Floats, Solid
from moldprep.units import PA_PER_MPA, pressure_pa

SPOTS: Final = 8_000
"""Spots on the faces that metal touches."""

SQUARE_PLATE: Final = 0.308
"""Largest bending stress of a clamped square plate: this times p (a / t)²; see `panel_thickness_mm`
in `walls`."""

WAYS: Final = np.array(
    [np.divide(w, np.linalg.norm(w)) for w in product((-1.0, 0.0, 1.0), repeat=3) if any(w)]
)
"""Faces are sorted into these 26 directions."""

TURNED: Final = 0.6
"""A face that turns away from a wall's direction by more than 53° clamps it: cosine of that."""

BACKED_MM: Final = 2.0
"""A wall that other sand is this near to leans on it."""

APART: Final = 2.0
"""A wall is at least this many spots wide: one thin spot is a corner of sand."""

STEPS: Final = 16
"""Thicknesses at which walls are told from what holds them."""

THICKEST: Final = 0.5
"""A wall thicker than this share of its free span is no plate: it stands as an arch."""


@dataclass(frozen=True)
class Panel:
    """The wall that the metal bends most.

    span_mm    : twice the radius of the widest circle on it that is no thicker than it
    stress_mpa : of a clamped square plate of that span under the pressure there
    """

    thickness_mm: float
    span_mm: float
    stress_mpa: float
    at_mm: tuple[float, float, float]


def find_weakest_panel(
    sand: Solid,
    wetted: Floats,
    others: Sequence[Rays],
    level_mm: float,
    density_kg_m3: float,
    *,
    has_bed: bool,
) -> Panel | None:
    """Return the wall of a piece that the metal behind it bends most, None where there is none.

    Parameters
    ----------
    sand
        The piece.
    wetted
        (n, 3, 3) triangles of the metal that press on it, outward from the metal. [mm]
    others
        Rays on all that the piece may lean on: other pieces, metal and inserts.
    level_mm
        Height of the free surface. [mm]
    density_kg_m3
        Density of the liquid. [kg/m³]
    has_bed
        Whether the piece stands on something flat all over.

    Notes
    -----
    Thickness is measured straight through the sand; a wall narrower than two spots is not seen.
    Free edges at a joint are taken as held: the other half presses on them.
    """
    if len(wetted) == 0:
        return None
    spots = spread_spots(wetted, SPOTS)
    thick = _thickness_mm(sand, spots.at_mm, spots.normals, others, has_bed=has_bed)
    head = np.maximum(level_mm - spots.at_mm[:, 2], 0.0)
    load_mpa = head * pressure_pa(1.0, density_kg_m3) / PA_PER_MPA
    finite = thick[np.isfinite(thick)]
    if len(finite) == 0:
        return None
    worst: Panel | None = None
    turned = _turned_mm(spots.at_mm, spots.normals)
    narrowest_mm = APART * math.sqrt(float(spots.area_mm2[0]))
    for limit in np.unique(np.quantile(finite, np.linspace(0.02, 1.0, STEPS))):
        thin = np.flatnonzero(thick <= limit)
        clear = np.minimum(turned[thin], _from_mm(spots.at_mm[thick > limit], spots.at_mm[thin]))
        span = np.where(np.isfinite(clear), 2.0 * clear, 0.0)  # nothing holds it: no wall
        is_plate = (span * THICKEST > limit) & (span > narrowest_mm)
        stress = np.where(is_plate, SQUARE_PLATE * load_mpa[thin] * (span / limit) ** 2, 0.0)
        k = int(stress.argmax())
        if stress[k] > 0.0 and (worst is None or stress[k] > worst.stress_mpa):
            x, y, z = (float(v) for v in spots.at_mm[thin[k]])
            worst = Panel(float(limit), float(span[k]), float(stress[k]), (x, y, z))
    return worst


def _thickness_mm(
    sand: Solid, at_mm: Floats, normals: Floats, others: Sequence[Rays], *, has_bed: bool
) -> Floats:
    """Return (n,) how far it is through the sand to nothing; infinite where the wall is backed."""
    start = at_mm + 0.05 * normals
    thick, _ = Rays.of(sand).first(start, normals)
    behind = start + (np.where(np.isfinite(thick), thick, 0.0) + 1e-2)[:, None] * normals
    for other in others:
        near, _ = other.first(behind, normals)
        thick[(near < BACKED_MM) | other.is_inside(behind)] = np.inf
    if has_bed:
        thick[_is_on_bed(sand, behind, normals)] = np.inf
    return np.asarray(thick + 0.05)


def _turned_mm(at_mm: Floats, normals: Floats) -> Floats:
    """Return (n,) how far it is from each spot to the nearest of a face that turns away.

    That holds the wall, as thick sand does. Infinite without any.
    """
    far: Floats = np.full(len(at_mm), np.inf)
    facing = (normals @ WAYS.T).argmax(axis=1)
    for k in np.unique(facing):
        mine = facing == k
        far[mine] = _from_mm(at_mm[normals @ WAYS[k] < TURNED], at_mm[mine])
    return far


def _from_mm(some: Floats, at_mm: Floats) -> Floats:
    """Return (n,) how far it is from each place to the nearest of some; infinite without any."""
    if len(some) == 0:
        return np.full(len(at_mm), np.inf)
    tree = cKDTree(some, compact_nodes=False, balanced_tree=False)
    return np.asarray(tree.query(at_mm)[0])


def _is_on_bed(sand: Solid, behind: Floats, normals: Floats) -> Flags:
    """Return which places behind a wall lie on what the piece stands on."""
    floor = float(sand.bounds[0, 2])
    return np.asarray((normals[:, 2] < -TURNED) & (np.abs(behind[:, 2] - floor) < BACKED_MM))
