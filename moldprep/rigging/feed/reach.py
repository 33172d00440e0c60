"""Bringing rigging to the body it feeds: just into its wall, never short of it, never through."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from shapely.geometry import Point

from moldprep.errors import StageError
from moldprep.geometry.rays import Rays
from moldprep.geometry.shapes import raised, trapezoid_widths_mm
from moldprep.geometry.solid import Floats, Solid
from moldprep.tolerances import OVERLAP_MM

LONGEST_DROP: Final = 0.25
"""How far a feeder's foot may hang over the surface it stands on, over its diameter."""

GROUND_SHARE: Final = 0.25
"""Least share of a foot that has the body under it."""

INSET_MM: Final = 0.02
"""What is added under a foot stays this far inside the foot's own outline and the body's: walls
that nearly coincide would leave slivers that no print file can hold. [mm]"""

JOINED_MM: Final = 1e-6
"""How far what is put under a column reaches up into it: faces that only touch may not join."""

RINGS: Final = (0.25, 0.5, 0.75, 1.0)
"""Radii of the rings of points on a disc, over its own."""

N_RING: Final = 16
"""Points on each ring."""

THIN_MM: Final = 2.0
"""Half the width of ground too narrow for a foot: fillets and edges seen from above."""

FAR_MM: Final = 20.0
"""How far past the planned end an ingate may be lengthened to reach its casting, at least."""


@dataclass(frozen=True)
class Target:
    """A body that something is to be hung on; the same for one name and one solid."""

    name: str
    solid: Solid

    @property
    def rays(self) -> Rays:
        """The ray scene."""
        return Rays.of(self.solid)

    def brought_into(
        self, path_mm: Floats, width_mm: float, height_mm: float, side_deg: float, *, what: str
    ) -> tuple[Floats, float]:
        """Return a channel's path whose last leg ends just inside the body.

        Parameters
        ----------
        path_mm
            (k, 3) floor line; its last leg points at the body. [mm]
        width_mm
            Width at half height. [mm]
        height_mm
            Height. [mm]
        side_deg
            Lean of the sides. [deg]
        what
            Name of the channel, for the error.

        Returns
        -------
        tuple
            The path, and how far along the last leg the channel first touches the body. [mm]

        Raises
        ------
        StageError
            rigging/ingate-misses, rigging/ingate-buried.
        """
        start, leg = path_mm[-2], path_mm[-1] - path_mm[-2]
        length = float(np.linalg.norm(leg))
        along = leg / length
        origins = section_grid(start, along, width_mm, height_mm, side_deg)
        if self.rays.is_inside(start[None] + (0.0, 0.0, 0.5 * height_mm))[0]:
            raise StageError(
                f"{what} starts inside {self.name} at {_place(start)}",
                code="rigging/ingate-buried",
                where=what,
                fix=f"move the first point of [[rigging.ingate]] {what} out of {self.name}",
            )
        hit, _ = self.rays.first(origins, along)
        allowed = length + max(FAR_MM, 0.5 * width_mm)
        near = hit[hit <= allowed]
        if len(near) < 0.5 * len(hit):
            raise StageError(
                f"{what} does not meet {self.name}: {len(near)} of {len(hit)} lines along it"
                f" reach the wall within {allowed:.0f} mm of {_place(start)}",
                code="rigging/ingate-misses",
                where=what,
                fix="aim its last leg at the casting's wall, or lower, raise or narrow it",
            )
        end = start + along * (float(near.max()) + OVERLAP_MM)
        return np.vstack([path_mm[:-1], end]), float(near.min())

    def stands_on(self, at_mm: Floats, diameter_mm: float, *, what: str) -> float:
        """Return the height down to which a column must go to stand on the body all round.

        Parameters
        ----------
        at_mm
            (3,) planned center of its foot. [mm]
        diameter_mm
            Diameter of the foot. [mm]
        what
            Name of the column, for the error.

        Raises
        ------
        StageError
            rigging/feeder-misses, if nothing is under it.
        """
        near, longest = self._drops(at_mm, diameter_mm)
        if not _is_ground(near):
            raise StageError(
                f"{what} stands on nothing: {self.name} is not within {longest:.0f} mm under"
                f" {_place(at_mm)}",
                code="rigging/feeder-misses",
                where=what,
                fix=f"move its foot onto the surface of {self.name}",
            )
        return float(at_mm[2] - max(0.0, float(near.max()))) - OVERLAP_MM

    def has_ground(self, at_mm: Floats, diameter_mm: float) -> bool:
        """Return whether enough of the body is under a column's foot for it to stand there."""
        near, _ = self._drops(at_mm, diameter_mm)
        return _is_ground(near)

    def _drops(self, at_mm: Floats, diameter_mm: float) -> tuple[Floats, float]:
        """Return (how far it is down to the body under the foot, the farthest that counts). [mm]"""
        longest = max(LONGEST_DROP * diameter_mm, 3.0)
        disc = _disc(raised(at_mm, longest), 0.49 * diameter_mm)
        hit, _ = self.rays.first(disc, np.array([0.0, 0.0, -1.0]))
        drop = hit - longest
        return np.asarray(drop[drop <= longest]), longest

    def set_down(self, column: Solid, at_mm: Floats, diameter_mm: float, *, what: str) -> Solid:
        """Return an upright column standing on the body, whatever the surface under its foot.

        Parameters
        ----------
        column
            The column from its planned foot up. [mm]
        at_mm
            (3,) planned center of its foot. [mm]
        diameter_mm
            Diameter of the foot. [mm]
        what
            Name of the column, for the error.

        Raises
        ------
        StageError
            rigging/feeder-misses, if nothing is under it.

        Notes
        -----
        Where the surface falls away, metal goes down to it, but only over the body itself: never
        into a bore or past an edge. The column reaches OVERLAP_MM into the body everywhere: its
        lowest layer is repeated below.
        """
        low, foot = self.stands_on(at_mm, diameter_mm, what=what), float(at_mm[2])
        disc = Point(at_mm[0], at_mm[1]).buffer(0.5 * diameter_mm, quad_segs=16)
        reach = np.array([[low - 1.0], [float(column.bounds[1, 2]) + 1.0]])
        x0, y0, x1, y1 = disc.buffer(1.0).bounds
        near = self.solid & Solid.box((x0, y0, reach[0, 0]), (x1, y1, reach[1, 0]))
        layer = column & Solid.box((x0, y0, foot), (x1, y1, foot + OVERLAP_MM))
        skirt = [layer.moved((0.0, 0.0, JOINED_MM - OVERLAP_MM))]
        if low < foot - 1.5 * OVERLAP_MM:
            under = near & Solid.box((x0, y0, low - 1.0), (x1, y1, foot))
            ground = under.shadow().buffer(-THIN_MM).buffer(THIN_MM - INSET_MM)
            ground = ground.intersection(disc.buffer(-INSET_MM))
            parts = [piece for piece in getattr(ground, "geoms", [ground]) if piece.area > 0.1]
            skirt += [Solid.extrude(piece, low, foot + OVERLAP_MM) for piece in parts]
        whole = Solid.union([column, *skirt]) - near.moved((0.0, 0.0, -OVERLAP_MM))
        return max(whole.parts(), key=lambda part: float(part.bounds[1, 2]))


def section_grid(
    at_mm: Floats, along: Floats, width_mm: float, height_mm: float, side_deg: float
) -> Floats:
    """Return points spread over a channel's section, edges included: (15, 3). [mm]"""
    floor, top = trapezoid_widths_mm(width_mm, height_mm, side_deg)
    flat = np.array([-along[1], along[0], 0.0])
    flat = flat / np.linalg.norm(flat)
    points = []
    for share in (0.02, 0.5, 0.98):
        half = 0.49 * (floor + (top - floor) * share)
        rise = np.array([0.0, 0.0, share * height_mm])
        points += [at_mm + rise + side * half * flat for side in (-1.0, -0.5, 0.0, 0.5, 1.0)]
    return np.array(points)


def _is_ground(near: Floats) -> bool:
    """Return whether so many drops from a disc are enough to stand on."""
    return len(near) >= GROUND_SHARE * N_RING * len(RINGS)


def _disc(center: Floats, radius_mm: float) -> Floats:
    """Return points over a level disc, its center and rings: (65, 3). [mm]"""
    angles = 2.0 * np.pi * np.arange(N_RING) / N_RING
    ring = np.stack([np.cos(angles), np.sin(angles), np.zeros(N_RING)], axis=1)
    return np.vstack([center, *(center + share * radius_mm * ring for share in RINGS)])


def _place(at_mm: Floats) -> str:
    return "(" + ", ".join(f"{v:.1f}" for v in at_mm) + ") mm"
