"""Skins of sand between a joint and what is hollow close beside it: too thin to print, left out."""

from collections.abc import Sequence
from typing import Final

from shapely.geometry import MultiPolygon
from shapely.geometry.base import BaseGeometry

from moldprep.geometry.solid import Solid
from moldprep.mold.halves import FILM_MM, STEP_MM

NARROW_MM: Final = 4.0
"""Narrower than this it is the feather edge of a slanted wall, and stays."""


def joint_skins(hollow: Solid, levels: Sequence[float]) -> Solid:
    """Return the room of skins thinner than `FILM_MM` along the joints; it may reach into metal.

    A channel whose floor lies a hair above the joint leaves one in the cope, a layer or less
    thick: it would break off into the metal, or hang in the printer's box as a flake.
    """
    found = []
    for level in levels:
        at = hollow.slice_at(level - STEP_MM).union(hollow.slice_at(level + STEP_MM))
        for near, low, high in (
            (level + FILM_MM, level, level + FILM_MM),
            (level - FILM_MM, level - FILM_MM, level),
        ):
            skin = _polygons(hollow.slice_at(near).difference(at))
            wide = [part for part in skin.geoms if not part.buffer(-0.5 * NARROW_MM).is_empty]
            if wide:
                found.append(Solid.extrude(MultiPolygon(wide), low, high))
    return Solid.union(found)


def _polygons(outline: BaseGeometry) -> MultiPolygon:
    parts = getattr(outline, "geoms", [outline])
    return MultiPolygon([part for part in parts if part.geom_type == "Polygon"])
