"""Thin sand and slender fingers of a piece, and the bending stress in them."""

from dataclasses import dataclass
from typing import Final

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.lattice import Lattice
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots, unit_normals
from moldprep.geometry.solid import Floats, Solid
from moldprep.units import G_M_S2, MM_PER_M, PA_PER_MPA

Place = tuple[float, float, float]

SAMPLES: Final = 30_000
"""Points on the surface: a web of 20 x 20 mm on 3 m² of sand still gets two."""

WEB_MM2: Final = 100.0
"""Both faces of a web of 7 x 7 mm; less is a feather edge."""

MARK_MM: Final = 0.5
"""Faces this near lettering belong to it."""

BALL_MM: Final = 9.0
"""Radius of the smaller ball that fingers are found with: sand 18 mm thick or less is one."""

OPPOSED: Final = -0.985
"""Two faces make a wall when their normals are within 10° of opposed; less is a feather edge."""


@dataclass(frozen=True)
class ThinSand:
    """The thinnest wall of a piece and where it is. [mm]"""

    thickness_mm: float
    at_mm: Place


@dataclass(frozen=True)
class Finger:
    """Sand that stands out of a piece or bridges a gap in it.

    length_mm  : from its root to its tip, or between its roots
    n_roots    : 1 stands out, 2 or more bridges
    stress_mpa : largest bending stress, see `bending_mpa`
    at_mm      : its place furthest from stout sand: the tip, or the middle of a bridge
    """

    thickness_mm: float
    length_mm: float
    n_roots: int
    stress_mpa: float
    at_mm: Place

    @property
    def slenderness(self) -> float:
        """Length over thickness, a bridge counted to its middle. [-]"""
        return self.length_mm / self.thickness_mm / min(self.n_roots, 2)


def find_thinnest(solid: Solid, marks: tuple[Floats, ...] = ()) -> ThinSand:
    """Return the thinnest wall of a piece, by rays between opposed faces.

    A wall is thin where at least `WEB_MM2` of it is that thin or thinner: a feather edge along a
    joint crumbles off and does no harm, a web breaks. The ridges between and beside letters are
    left out: `marks` are the bounds (2, 3) of lettering.
    """
    points, faces = solid.mesh()
    corners = points[faces]
    spots = spread_spots(corners, SAMPLES)
    distance, facet = Rays.of(solid).first(spots.at_mm - 1e-3 * spots.normals, -spots.normals)
    opposed = np.einsum("ij,ij->i", spots.normals, unit_normals(corners)[facet]) < OPPOSED
    reach = np.where(np.isfinite(distance), distance, 0.0)[:, None]
    for low, high in marks:
        for face in (spots.at_mm, spots.at_mm - reach * spots.normals):
            opposed &= ((face < low - MARK_MM) | (face > high + MARK_MM)).any(axis=1)
    walls = np.flatnonzero(np.isfinite(distance) & opposed)
    walls = walls[np.argsort(distance[walls], kind="stable")]
    enough = int(np.ceil(WEB_MM2 / spots.area_mm2[0])) - 1
    if enough >= len(walls):
        return ThinSand(float(solid.size_mm.min()), _place(solid.centroid_mm))
    thin = walls[enough]
    middle = spots.at_mm[thin] - 0.5 * distance[thin] * spots.normals[thin]
    return ThinSand(float(distance[thin]) + 1e-3, _place(middle))


def find_weakest_finger(
    sand: NDArray[np.bool_], lattice: Lattice, load_n_m3: float
) -> Finger | None:
    """Return the finger with the highest bending stress, or None where the piece has none.

    A finger is sand that a ball cannot roll through: what is left of the piece after it was
    shrunk and grown back by the ball's radius. Two sizes of ball, one twice the other.

    Parameters
    ----------
    sand
        (nx, ny, nz) cubes of the piece, at least one empty on every side.
    lattice
        Where they are.
    load_n_m3
        Load per volume of the finger: its weight, or buoyancy under metal. [N/m³]
    """
    worst: Finger | None = None
    least = max(3.0 * lattice.pitch_mm, BALL_MM)
    half = _distance_mm(sand, lattice, black_border=True)
    for radius in (least, 2.0 * least):
        for finger in _fingers(sand, half, lattice, radius, load_n_m3):
            if worst is None or finger.stress_mpa > worst.stress_mpa:
                worst = finger
    return worst


def bending_mpa(length_mm: float, thickness_mm: float, n_roots: int, load_n_m3: float) -> float:
    """Return the largest bending stress in a bar of sand under a spread load.

    Standing out: s = 3 w L² / t. Bridging (ends free to turn): s = 3 w L² / (4 t).

    Parameters
    ----------
    length_mm
        Free length, > 0. [mm]
    thickness_mm
        Thickness along the load, > 0. [mm]
    n_roots
        1 where it stands out, 2 or more where it bridges. [-]
    load_n_m3
        Load per volume. [N/m³]

    Returns
    -------
    float
        Stress in the outer fiber. [MPa]

    Raises
    ------
    ValueError
        If a length is not above zero.

    Notes
    -----
    Straight beam of rectangular section, small deflection; for L/t under 2 it overstates.

    References
    ----------
    Gere & Timoshenko, Mechanics of Materials, beam tables (from memory).

    Examples
    --------
    >>> round(bending_mpa(100.0, 20.0, 1, 5.0e4), 6)
    0.075
    """
    if not (length_mm > 0.0 and thickness_mm > 0.0):
        raise ValueError(f"bending_mpa: {length_mm=}, {thickness_mm=}")
    share = 3.0 if n_roots < 2 else 0.75
    pascal = share * load_n_m3 * length_mm**2 / thickness_mm / MM_PER_M
    return pascal / PA_PER_MPA


def weight_n_m3(density_kg_m3: float) -> float:
    """Return the weight of a volume. [N/m³]"""
    return density_kg_m3 * G_M_S2


def _distance_mm(
    cubes: NDArray[np.bool_], lattice: Lattice, black_border: bool = False
) -> NDArray[np.float32]:
    """Return how far each of the cubes is from the nearest that is not one of them. [mm]"""
    spacing = (lattice.pitch_mm,) * 3
    far: NDArray[np.float32] = edt.edt(
        cubes, anisotropy=spacing, black_border=black_border, parallel=2
    )
    return far


def _fingers(
    sand: NDArray[np.bool_],
    half: NDArray[np.float32],
    lattice: Lattice,
    radius: float,
    load_n_m3: float,
) -> list[Finger]:
    """Return the fingers that a ball of this radius leaves; `half`: distance to the outside."""
    pitch = lattice.pitch_mm
    core = half > radius
    if not core.any():
        return []
    stout = _distance_mm(~core, lattice) <= radius
    thin = sand & ~stout
    label = cc3d.connected_components(thin, connectivity=6)
    thickest = np.zeros(int(label.max()) + 1, np.float32)
    np.maximum.at(thickest, label[thin], half[thin])
    no_noise = np.flatnonzero(thickest >= pitch)  # less is rounding along an edge
    if len(no_noise) == 0:
        return []
    reach = _distance_mm(~(stout & sand), lattice)
    found = []
    boxes = cc3d.statistics(label)["bounding_boxes"]
    for k in no_noise:
        box = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in boxes[k])
        mine = label[box] == k
        thickness = 2.0 * float(thickest[k])
        length = float(reach[box][mine].max())
        if length < 1.5 * thickness:
            continue  # as stout as it is long
        root = sand[box] & stout[box] & (edt.edt(~mine, black_border=False) <= 1.0)
        n_roots = int(cc3d.connected_components(root, connectivity=26).max())
        free = 2.0 * length if n_roots > 1 else length
        stress = bending_mpa(free, thickness, n_roots, load_n_m3)
        tip = np.unravel_index(int(np.where(mine, reach[box], -1.0).argmax()), mine.shape)
        at = lattice.center_mm(np.array(tip) + [one.start for one in box])
        found.append(Finger(thickness, free, max(n_roots, 1), stress, _place(at)))
    return found


def _place(point: Floats) -> Place:
    return (float(point[0]), float(point[1]), float(point[2]))
