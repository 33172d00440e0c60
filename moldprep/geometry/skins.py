"""Skins of sand that a parting plane close to a level face would leave on it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.rays import Rays
from moldprep.geometry.sampling import Spots
from moldprep.geometry.solid import Floats
from moldprep.geometry.undercuts import CLEAR_MM
from moldprep.tolerances import THINNEST_SAND_MM

LEVEL_DEG: Final = 15.0
"""A face within this of level has a skin on it, a steeper one the foot of a wedge."""

FILM_MM: Final = 0.25
"""Sand thinner than this is a grain: the mold is cut without it."""


@dataclass(frozen=True, eq=False)
class Skins:
    """Where planes across the pull leave a skin of sand on a surface.

    area_mm2       : (n,) of each level place
    low_mm, high_mm: (n,) planes between these heights leave a skin on it
    """

    area_mm2: Floats
    low_mm: Floats
    high_mm: Floats

    @classmethod
    def along(cls, pull: Floats, rays: Rays, samples: Spots) -> "Skins":
        """Return those of planes across a pull, a unit vector.

        A plane above a face that looks up, with sand all the way between, leaves it in the drag;
        one below a face that looks down, in the cope.
        """
        along = samples.normals @ pull
        is_level = np.abs(along) >= np.cos(np.radians(LEVEL_DEG))
        sense = np.sign(along[is_level])
        start = samples.at_mm[is_level] + CLEAR_MM * samples.normals[is_level]
        sand, _ = rays.first(start, sense[:, None] * pull)
        height = samples.at_mm[is_level] @ pull
        near, far = height + sense * FILM_MM, height + sense * np.minimum(sand, THINNEST_SAND_MM)
        return cls(samples.area_mm2[is_level], np.minimum(near, far), np.maximum(near, far))

    def area_at_mm2(self, z_mm: float) -> float:
        """Return the area of the skins that a plane at a height leaves. [mm²]"""
        return float(self.area_mm2[(self.low_mm < z_mm) & (z_mm < self.high_mm)].sum())
