"""Simple bodies the rest is made of: columns, boxes, swept channels. All lengths in mm."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from shapely import affinity
from shapely.geometry import Polygon
from shapely.geometry import box as rectangle

from moldprep.geometry.solid import SEGMENTS, Floats, Ints, Solid

BEND_STEP_DEG: Final = 10.0
"""A bend is drawn with a corner every so many degrees: 0.4 % off the circle at most."""


def area_radius_mm(area_mm2: float, segments: int = SEGMENTS) -> float:
    """Return the corner radius of the regular polygon that has this area. [mm]

    A faceted channel then passes exactly the metal a round one of this area would.

    Examples
    --------
    >>> round(area_radius_mm(math.pi * 100.0), 3)
    10.008
    """
    turn = 2.0 * math.pi / segments
    return math.sqrt(2.0 * area_mm2 / (segments * math.sin(turn)))


def column(foot_mm: Sequence[float], low_mm: float, high_mm: float, height_mm: float) -> Solid:
    """Return an upright cylinder or cone on its foot.

    Parameters
    ----------
    foot_mm
        Center of the foot (x, y, z). [mm]
    low_mm
        Diameter at the foot. [mm]
    high_mm
        Diameter at the top. [mm]
    height_mm
        Height. [mm]
    """
    return Solid.cone(low_mm / 2.0, high_mm / 2.0, height_mm).moved(foot_mm)


def turned_box(
    center_mm: Sequence[float] | Floats, size_mm: Sequence[float], turn_deg: float
) -> Solid:
    """Return a box about its center, turned about the upright axis.

    Parameters
    ----------
    center_mm
        Its center. [mm]
    size_mm
        Its extents before it is turned. [mm]
    turn_deg
        Counter-clockwise from above. [deg]
    """
    x, y, z = (0.5 * size for size in size_mm)
    return Solid.box((-x, -y, -z), (x, y, z)).turned((0.0, 0.0, turn_deg)).moved(tuple(center_mm))


def revolved(radius_mm: Sequence[float], z_mm: Sequence[float], at_mm: Sequence[float]) -> Solid:
    """Return the upright body of revolution with these radii at these heights. [mm]

    The radii are those of the corners; `at_mm` is where (r, z) = (0, 0) comes to lie.
    """
    outline = [(0.0, z_mm[0]), *zip(radius_mm, z_mm, strict=True), (0.0, z_mm[-1])]
    return Solid.revolve(Polygon(outline)).moved(at_mm)


def rounded_box_outline(length_mm: float, width_mm: float, radius_mm: float) -> Polygon:
    """Return a rectangle about the origin with rounded corners. [mm]"""
    radius_mm = min(radius_mm, 0.5 * length_mm - 0.1, 0.5 * width_mm - 0.1)
    core = rectangle(
        radius_mm - length_mm / 2.0,
        radius_mm - width_mm / 2.0,
        length_mm / 2.0 - radius_mm,
        width_mm / 2.0 - radius_mm,
    )
    return core.buffer(radius_mm, quad_segs=8)


def placed_outline(outline: Polygon, at_mm: Sequence[float], turn_deg: float) -> Polygon:
    """Return an outline turned about the origin and then moved. [mm]"""
    turned = affinity.rotate(outline, turn_deg, origin=(0.0, 0.0))
    return affinity.translate(turned, at_mm[0], at_mm[1])


def raised(points_mm: Floats, by_mm: float) -> Floats:
    """Return points moved up. [mm]"""
    return np.asarray(points_mm + np.array([0.0, 0.0, by_mm]))


def rounded_path(path_mm: Floats, radius_mm: float) -> Floats:
    """Return a path with its corners replaced by arcs.

    Parameters
    ----------
    path_mm
        (k, 3) points. [mm]
    radius_mm
        Radius wanted; where a leg is too short, the largest that fits; 0 keeps the corner. [mm]

    Returns
    -------
    Floats
        (n, 3) points. [mm]
    """
    points = [path_mm[0]]
    for before, corner, after in zip(path_mm[:-2], path_mm[1:-1], path_mm[2:], strict=True):
        points += _arc(before, corner, after, radius_mm)
    return np.array([*points, path_mm[-1]], np.float64)


def _arc(before: Floats, corner: Floats, after: Floats, radius_mm: float) -> list[Floats]:
    """Return the points that take the place of one corner."""
    back, ahead = before - corner, after - corner
    legs = float(np.linalg.norm(back)), float(np.linalg.norm(ahead))
    if min(legs) == 0.0:
        return [corner]
    back, ahead = back / legs[0], ahead / legs[1]
    turn = math.pi - math.acos(float(np.clip(back @ ahead, -1.0, 1.0)))
    if radius_mm <= 0.0 or turn < math.radians(1.0) or turn > math.radians(179.0):
        return [corner]
    cut = min(radius_mm * math.tan(turn / 2.0), 0.5 * min(legs))
    radius_mm = cut / math.tan(turn / 2.0)
    inward = (back + ahead) / np.linalg.norm(back + ahead)
    center = corner + inward * math.hypot(cut, radius_mm)
    start, end = corner + cut * back - center, corner + cut * ahead - center
    n = max(2, math.ceil(math.degrees(turn) / BEND_STEP_DEG) + 1)
    share = np.linspace(0.0, 1.0, n)[:, None]
    arc = np.sin((1.0 - share) * turn) * start + np.sin(share * turn) * end
    return list(center + arc / math.sin(turn))


def trapezoid_widths_mm(width_mm: float, height_mm: float, side_deg: float) -> tuple[float, float]:
    """Return the widths (at the floor, at the top) of a channel given at half height. [mm]

    A positive lean makes the top the narrower side, a negative one the floor.

    Examples
    --------
    >>> trapezoid_widths_mm(20.0, 10.0, 45.0)
    (30.0, 10.0)
    """
    lean = round(height_mm * math.tan(math.radians(side_deg)), 9)
    return width_mm + lean, width_mm - lean


def swept_channel(path_mm: Floats, width_mm: float, height_mm: float, side_deg: float) -> Solid:
    """Return a trapezoid swept along a path, mitred at its corners.

    Parameters
    ----------
    path_mm
        (k, 3) points of the center line at the channel's floor, not upright anywhere. [mm]
    width_mm
        Width at half height. [mm]
    height_mm
        Height. [mm]
    side_deg
        Lean of each side; positive narrows toward the top. [deg]

    Raises
    ------
    ValueError
        If the path has under two points, doubles back, or the sides meet below the top.

    Notes
    -----
    Sections stand upright; the area of each, normal to the path, is width x height.
    """
    floor, top = trapezoid_widths_mm(width_mm, height_mm, side_deg)
    if len(path_mm) < 2 or not min(floor, top, height_mm) > 0.0:
        raise ValueError(f"swept_channel: {len(path_mm)} points, {floor=}, {top=}, {height_mm=}")
    across = _mitres(path_mm)
    up = np.array([0.0, 0.0, height_mm])
    rings = np.stack(
        [
            path_mm + 0.5 * floor * across,
            path_mm - 0.5 * floor * across,
            path_mm - 0.5 * top * across + up,
            path_mm + 0.5 * top * across + up,
        ],
        axis=1,
    )
    return Solid.from_mesh(rings.reshape(-1, 3), _tube_faces(len(path_mm)))


def _mitres(path_mm: Floats) -> Floats:
    """Return (k, 3) vectors across the path, long enough to keep its width at the corners."""
    legs = np.diff(path_mm[:, :2], axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    if not (lengths > 1e-9).all():
        raise ValueError("swept_channel: two points of the path lie over each other")
    normals = np.stack([-legs[:, 1], legs[:, 0]], axis=1) / lengths[:, None]
    ahead = np.vstack([normals, normals[-1:]])
    behind = np.vstack([normals[:1], normals])
    halves = 1.0 + (ahead * behind).sum(axis=1)
    if not (halves > 0.1).all():
        raise ValueError("swept_channel: the path doubles back")
    mitres = (ahead + behind) / halves[:, None]
    return np.column_stack([mitres, np.zeros(len(mitres))])


def _tube_faces(n: int) -> Ints:
    """Return the facets of n rings of four corners each, closed at both ends."""
    ring = 4 * np.arange(n - 1)[:, None]
    here = np.arange(4)[None, :]
    after = (here + 1) % 4
    a, b, c, d = ring + here, ring + after, ring + 4 + after, ring + 4 + here
    # seen along the path a ring runs counter-clockwise: left, right, right and left
    sides = np.concatenate([np.stack([a, d, c], -1), np.stack([a, c, b], -1)]).reshape(-1, 3)
    last = 4 * (n - 1)
    first_cap = [[0, 1, 2], [0, 2, 3]]
    last_cap = [[last, last + 2, last + 1], [last, last + 3, last + 2]]
    return np.concatenate([sides, np.array(first_cap), np.array(last_cap)]).astype(np.int64)


def section_points(
    at_mm: Floats, along: Floats, width_mm: float, height_mm: float, side_deg: float
) -> Floats:
    """Return the four corners of a channel's section at a point of its floor: (4, 3). [mm]"""
    floor, top = trapezoid_widths_mm(width_mm, height_mm, side_deg)
    flat = np.array([-along[1], along[0], 0.0])
    flat = flat / np.linalg.norm(flat)
    up = np.array([0.0, 0.0, height_mm])
    return np.stack(
        [
            at_mm - 0.5 * floor * flat,
            at_mm + 0.5 * floor * flat,
            at_mm + 0.5 * top * flat + up,
            at_mm - 0.5 * top * flat + up,
        ]
    )
