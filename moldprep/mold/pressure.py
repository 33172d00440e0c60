"""Metallostatic pressure on pieces of sand, integrated over the real wetted surface.

Pressure grows straight with depth, so its integral over a flat facet is exactly the facet's
area times the pressure at its centroid; nothing is sampled.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.faces import Surface
from moldprep.geometry.rays import Rays
from moldprep.geometry.reshape import cut_at
from moldprep.geometry.sampling import facet_areas, unit_normals
from moldprep.geometry.solid import Floats, Solid
from moldprep.records.mold import Piece
from moldprep.records.rigging import Insert
from moldprep.units import MM2_PER_M2, pressure_pa

PROBE_MM: Final = 0.02
"""How far outside the metal a facet is probed for the sand it wets: well under any joint gap,
well over float32 noise of the ray kernel on a 2 m block."""

SPLITS: Final = 4
"""How often a facet that wets two pieces is quartered: 1/256 of its area stays in doubt."""

SMALL_MM2: Final = 10.0
"""A facet this small goes whole to the piece at its middle."""

MIDDLE: Final = (1 / 3, 1 / 3, 1 / 3)
NEAR_CORNERS: Final = ((0.9, 0.05, 0.05), (0.05, 0.9, 0.05), (0.05, 0.05, 0.9))


@dataclass(frozen=True)
class Wetted:
    """Facets of the metal and the piece each one presses on.

    corners : (n, 3, 3) triangles, outward from the metal [mm]
    piece   : (n,) index of the piece, counted on through the inserts; -1 where it presses on none
              (open tops, cuts)
    """

    corners: Floats
    piece: NDArray[np.int64]

    def of(self, index: int) -> Floats:
        """Return the triangles that press on one piece."""
        return np.asarray(self.corners[self.piece == index])


def find_wetted(
    metal: Solid,
    pieces: tuple[Piece, ...],
    joints_mm: Sequence[float],
    inserts: tuple[Insert, ...] = (),
) -> Wetted:
    """Return what every facet of the metal presses on; facets are cut at the joints."""
    surface = Surface.of(metal)
    for z_mm in joints_mm:
        surface, _ = cut_at(surface, z_mm)
    corners = surface.points[surface.faces]
    bodies = [*(piece.solid for piece in pieces), *(insert.solid for insert in inserts)]
    scenes = [Rays.of(body) for body in bodies]
    done: list[Floats] = []
    where: list[NDArray[np.int64]] = []
    for _ in range(SPLITS):
        at_middle = _piece_at(scenes, _probes(corners, MIDDLE))
        is_whole = np.ones(len(corners), bool)
        wide = np.flatnonzero(facet_areas(corners) > SMALL_MM2)
        for weights in NEAR_CORNERS:
            is_whole[wide] &= _piece_at(scenes, _probes(corners[wide], weights)) == at_middle[wide]
        done.append(corners[is_whole])
        where.append(at_middle[is_whole])
        corners = _quarters(corners[~is_whole])
        if len(corners) == 0:
            break
    else:
        done.append(corners)
        where.append(_piece_at(scenes, _probes(corners, MIDDLE)))
    return Wetted(np.concatenate(done), np.concatenate(where))


def force_n(triangles: Floats, level_mm: float, density_kg_m3: float) -> Floats:
    """Return the force of the liquid on the sand behind facets of the metal.

    F = sum of p(centroid) A n, p = rho g (level - z), n outward from the metal.

    Parameters
    ----------
    triangles
        (n, 3, 3) facets of the metal. [mm]
    level_mm
        Height of the free surface; facets above it bear nothing. [mm]
    density_kg_m3
        Density of the liquid. [kg/m³]

    Returns
    -------
    Floats
        (3,) force. [N]

    Notes
    -----
    Exact for facets wholly below the level. Static: the surge at the end of a pour is for the
    factor on the weights.

    References
    ----------
    Hydrostatics; the block example of GATE Mechanical 1991 is among the tests.
    """
    if len(triangles) == 0:
        return np.zeros(3)
    return np.asarray(_facet_forces_n(triangles, level_mm, density_kg_m3).sum(axis=0))


def up_center_mm(triangles: Floats, level_mm: float, density_kg_m3: float) -> Floats:
    """Return (2,) where the upright force of the liquid behind facets acts, 0 where it is none.

    x = sum of F_z x over sum of F_z, each facet's force at its middle. [mm]
    """
    shares = _facet_forces_n(triangles, level_mm, density_kg_m3)[:, 2]
    total = float(shares.sum())
    if total == 0.0:
        return np.zeros(2)
    return np.asarray(shares @ triangles.mean(axis=1)[:, :2] / total)


def _facet_forces_n(triangles: Floats, level_mm: float, density_kg_m3: float) -> Floats:
    """Return (n, 3) force of the liquid on the sand behind each facet. [N]"""
    vector = 0.5 * np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    head = np.maximum(level_mm - triangles[:, :, 2].mean(axis=1), 0.0)
    pressure = head * pressure_pa(1.0, density_kg_m3)
    return np.asarray(vector * pressure[:, None] / MM2_PER_M2)


def _probes(corners: Floats, weights: tuple[float, float, float]) -> Floats:
    """Return (n, 3) points just outside the facets, at these weights of the corners."""
    inside = np.einsum("k,nkj->nj", np.array(weights), corners)
    return np.asarray(inside + PROBE_MM * unit_normals(corners))


def _piece_at(scenes: list[Rays], points: Floats) -> NDArray[np.int64]:
    """Return (n,) index of the piece that holds each point, -1 for none."""
    piece = np.full(len(points), -1, np.int64)
    if len(points) == 0:
        return piece
    for index, scene in enumerate(scenes):
        open_ones = np.flatnonzero(piece < 0)
        piece[open_ones[scene.is_inside(points[open_ones])]] = index
    return piece


def _quarters(corners: Floats) -> Floats:
    """Return each triangle cut into four."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.concatenate([np.stack(part, axis=1) for part in parts])
