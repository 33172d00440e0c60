"""Walls that metal has to run through: not the tips of teeth, nor short ribs on thick metal."""

from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from moldprep.arrays import Flags
from moldprep.geometry.measure import thickness_under_mm, wall_thickness_mm
from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots
from moldprep.geometry.solid import Floats
from moldprep.thermal.balls import Balls

THICKER: Final = 2.0
"""Metal so many times as thick as a wall keeps it hot (common practice, no source). [-]"""

ROOT: Final = 4.0
"""How far from its root a wall is kept hot, over its thickness: as in the fill's thin walls (common
practice, no source). [-]"""

OCTAVE: Final = 1.25
"""Walls are looked at in groups, the thickest of one so many times as thick as its thinnest."""


def run_wall_mm(rays: Rays, spots: Spots, balls: Balls, share: float = 0.05) -> float:
    """Return the thickness that this share of the surface is under, among walls to be run. [mm]

    Parameters
    ----------
    rays, balls
        Of the body.
    spots
        On its surface.
    share
        Of the whole surface. [-]

    Notes
    -----
    A wall is no run where metal `THICKER` times as thick begins within `ROOT` thicknesses, with
    nothing but metal between: it fills from there, and is renewed and kept hot from there.
    """
    wall = wall_thickness_mm(rays, spots)
    to_run = np.where(_has_root(rays, spots, wall, balls), np.inf, wall)
    found = thickness_under_mm(to_run, spots, share)
    return found if np.isfinite(found) else thickness_under_mm(wall, spots, share)


def _has_root(rays: Rays, spots: Spots, wall: Floats, balls: Balls) -> Flags:
    """Return (n,) whether the wall under each spot stands on thick metal close by."""
    has = np.zeros(len(wall), bool)
    finite = np.isfinite(wall)
    group = np.full(len(wall), -1)
    group[finite] = np.floor(np.log(np.maximum(wall[finite], 1e-3)) / np.log(OCTAVE))
    for one in np.unique(group[finite]):
        thick = balls.radius_mm >= 0.5 * THICKER * OCTAVE ** (one + 1.0)
        if not thick.any():
            break
        mine = np.flatnonzero(finite & (group == one))
        middle = spots.at_mm[mine] - 0.5 * wall[mine, None] * spots.normals[mine]
        has[mine] = _is_near(rays, middle, balls.at_mm[thick], balls.radius_mm[thick],
                             ROOT * wall[mine])  # fmt: skip
    return has


def _is_near(rays: Rays, at: Floats, center: Floats, radius: Floats, reach: Floats) -> Flags:
    """Return (n,) whether the nearest ball begins within reach, through metal alone."""
    far, which = cKDTree(center).query(at)
    before = np.maximum(far - radius[which], 0.0)
    toward = (center[which] - at) / np.maximum(far, 1e-9)[:, None]
    free, _ = rays.first(at, toward)
    return np.asarray((before <= reach) & (free >= before))
