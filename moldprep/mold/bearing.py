"""What holds a core: level sand under and over it, and the least pressure on that."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import linprog
from shapely.geometry import MultiPoint, Point

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import spread_spots
from moldprep.geometry.solid import Floats, Solid

NEAR_MM: Final = 2.0
"""A print bears on the sand that is at most this far from it."""

SPOTS: Final = 8_000
"""Points that print bearing is measured with: about 1 % of the area."""

STEEPEST: Final = 0.3
"""Faces within 72° of level bear: least part of a normal along z."""

CLEAR_MM: Final = 1e-3


@dataclass(frozen=True, eq=False)
class Bearing:
    """Where other sand can push a core; each row is a spot of its surface.

    at_mm    : (n, 2) x and y
    area_mm2 : (n,) seen from above
    push     : (n,) 1 where the sand lies under the core and pushes it up, -1 over it and down
    """

    at_mm: Floats
    area_mm2: Floats
    push: Floats

    def area_of(self, push: float) -> float:
        """Return the level area that pushes this way. [mm²]"""
        return float(self.area_mm2[self.push == push].sum())

    def only_under(self) -> "Bearing":
        """Return the spots with sand under them alone: the cope is not on yet."""
        rows = self.push > 0.0
        return Bearing(self.at_mm[rows], self.area_mm2[rows], self.push[rows])

    def overhang_mm(self, at_mm: Floats) -> float:
        """Return how far a place lies beyond the hull of what pushes up, 0 within it. [mm]

        Infinite where nothing does.
        """
        under = self.at_mm[self.push > 0.0]
        if len(under) == 0:
            return float("inf")
        return float(MultiPoint(under).convex_hull.distance(Point(at_mm[:2])))


def find_bearing(core: Solid, sand: Sequence[Solid], seats: Sequence[Solid] = ()) -> Bearing:
    """Return where other sand holds a core from below and from above.

    Parameters
    ----------
    core
        The core in its place.
    sand
        The pieces that lie round it.
    seats
        Where the sand round it is not ours (cores only): the room of its prints; what of the core
        lies in it is held there.
    """
    points, faces = core.mesh()
    spots = spread_spots(points[faces], SPOTS)
    push = -np.sign(spots.normals[:, 2])
    is_level = np.abs(spots.normals[:, 2]) > STEEPEST
    held = np.zeros(len(push), bool)
    for side in (1.0, -1.0):
        rows = np.flatnonzero(is_level & (push == side))
        if len(rows) == 0:
            continue
        start = spots.at_mm[rows] + side * np.array([0.0, 0.0, CLEAR_MM])
        near = np.zeros(len(rows), bool)
        for seat in seats:
            near |= Rays.of(seat).is_inside(start)
        for other in sand:
            distance, _ = Rays.of(other).first(start, np.array([0.0, 0.0, -side]))
            near |= distance < NEAR_MM
        held[rows[near]] = True
    area = np.abs(spots.normals[:, 2]) * spots.area_mm2
    return Bearing(spots.at_mm[held, :2], area[held], push[held])


def least_pressure_mpa(bearing: Bearing, force_n: float, at_mm: Floats) -> float:
    """Return the least pressure at which the sand round a core can hold a force on it.

    Spots push by p_i A_i, 0 <= p_i <= p, and only away from themselves; together they balance the
    force and its moments. The least such p is a linear program.

    Parameters
    ----------
    bearing
        Where sand can push.
    force_n
        Upright force, up above zero. [N]
    at_mm
        A place on its line. [mm]

    Returns
    -------
    float
        Pressure; force over area where the force goes through the middle of what bears it,
        more where it lies aside, infinite where the core falls or tips. [MPa]

    Notes
    -----
    Static theorem of limit analysis: sand that crushes at p carries the force if any such
    distribution does. Rigid core, no friction.

    References
    ----------
    Gvozdev 1936, Drucker, Prager and Greenberg 1952, limit theorems (from memory).

    Examples
    --------
    A square of 10 x 10 mm in four spots, pushed down at its middle and half way to its edge:

    >>> at = np.array([[-2.5, -2.5], [2.5, -2.5], [-2.5, 2.5], [2.5, 2.5]])
    >>> square = Bearing(at, np.full(4, 25.0), np.ones(4))
    >>> round(least_pressure_mpa(square, -100.0, np.zeros(3)), 3)
    1.0
    >>> round(least_pressure_mpa(square, -100.0, np.array([1.25, 0.0, 0.0])), 3)
    1.5
    """
    if force_n == 0.0:
        return 0.0
    if len(bearing.push) == 0:
        return float("inf")
    size = max(float(np.abs(bearing.at_mm - at_mm[:2]).max()), 1.0)
    arms = np.column_stack([np.ones(len(bearing.push)), (bearing.at_mm - at_mm[:2]) / size])
    share = (bearing.push * bearing.area_mm2)[:, None] * arms / bearing.area_mm2.mean()
    # p_i = p s_i with 0 <= s_i <= 1: the largest force for p = 1 gives the least p for this force.
    want = -np.sign(force_n)
    done = linprog(-want * share[:, 0], A_eq=share[:, 1:].T, b_eq=np.zeros(2), bounds=(0.0, 1.0))
    most = float(want * share[:, 0] @ done.x) * float(bearing.area_mm2.mean())
    return abs(force_n) / most if most > CLEAR_MM else float("inf")
