"""Every named tolerance, with its reason."""

from typing import Final

WELD_MM: Final = 1e-4
"""Points of a mesh file closer than this are one point: ten times float32 noise at 500 mm."""

SEAM_MM: Final = 0.01
"""Open edges of a mesh file closer than this are one seam: a thirtieth of a sand grain."""

FLAT_MM: Final = 0.05
"""A hole whose rim is off its plane by no more than this is flat: half a usual chord."""

SMALL_HOLE_SHARE: Final = 0.01
"""A flat hole may be closed unasked up to this share of the model's surface."""

OVERLAP_MM: Final = 0.5
"""How deep one rigging body reaches into the next, so that a join is a volume and not a kiss."""

CONTACT_MM2: Final = 1.0
"""A contact smaller than this is a touch, not a connection: metal will not run through it."""

CONTACT_GAP_MM: Final = 0.02
"""Bodies further apart than this do not touch; the smallest real gap to be found is 0.2 mm."""

ROUNDING_MM3: Final = 1e-9
"""Volume that a shell has by rounding alone, where faces of two bodies coincide."""

SLIVER_MM3: Final = 1e-3
"""Volume under which a leftover of a boolean is rounding noise."""

BALANCE_REL: Final = 1e-6
"""Block = cavity + pieces + clearances, relative to the block (float64 kernel, float32 files)."""

THINNEST_SAND_MM: Final = 5.0
"""Thinner sand does not stand in a bore, and breaks off a face (3 mm short, 5 mm safe; common
practice, no source)."""
