"""Castings and rigging as one body of metal, with its mass."""

from collections.abc import Iterable
from functools import lru_cache
from typing import Final

from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Body, Metal, Rigging
from moldprep.tolerances import SLIVER_MM3
from moldprep.units import mass_kg

UNIONS_KEPT: Final = 4
"""The build joins its bodies, too, to cut inserts and webs to them."""


def join_metal(rigging: Rigging, alloy: Alloy) -> Metal:
    """Return everything that gets liquid as one body.

    Parameters
    ----------
    rigging
        Castings and the bodies hung on them.
    alloy
        What is poured.

    Notes
    -----
    The poured mass is the cavity filled with liquid. A sound casting ends up as solid metal in
    the cavity less its shrink, so its mass is taken at the solid's density on that volume.
    """
    solid = _without_slivers(joined(rigging.metal))
    poured_kg = mass_kg(solid.volume_mm3, alloy.density_liquid_kg_m3)
    castings_mm3 = sum(body.solid.volume_mm3 for body in rigging.castings)
    shrunk_mm3 = castings_mm3 / (1.0 + alloy.shrink_pct / 100.0) ** 3
    casting_kg = mass_kg(shrunk_mm3, alloy.density_kg_m3)
    return Metal(
        solid=solid,
        parts=tuple(body.name for body in rigging.metal),
        roles=tuple(body.role for body in rigging.metal),
        mass_kg=poured_kg,
        casting_kg=casting_kg,
        yield_pct=min(100.0, 100.0 * casting_kg / poured_kg),
    )


def joined(bodies: Iterable[Body]) -> Solid:
    """Return everything that is in any of the bodies; the last few unions are kept."""
    return _union(tuple(body.solid for body in bodies))


@lru_cache(UNIONS_KEPT)
def _union(solids: tuple[Solid, ...]) -> Solid:
    return Solid.union(solids)


def _without_slivers(solid: Solid) -> Solid:
    """Return the body without the specks of rounding that a union can leave."""
    parts = solid.parts()
    kept = [part for part in parts if part.volume_mm3 > SLIVER_MM3]
    return solid if len(kept) == len(parts) else Solid.union(kept)
