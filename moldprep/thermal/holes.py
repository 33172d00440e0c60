"""Which holes matter: how much is cut off where a way closes, and what size is let pass."""

import math
from typing import Final

from moldprep.records import Section

SMALL_HOLE_MM3: Final = 300.0
"""A hole up to this size is X-rayed and tested for leaks rather than fed …"""

SMALL_HOLE_SHARE: Final = 2e-4
"""… where it is no more than this share of the casting (both common practice, no source)."""


def small_hole_mm3(casting_mm3: float) -> float:
    """Return the largest hole that only warns. [mm³]"""
    return min(SMALL_HOLE_MM3, SMALL_HOLE_SHARE * casting_mm3)


def cut_off_share(section: Section, join_mm: float, hot_s: float) -> float:
    """Return the share of a section that is still liquid when its way out closes.

    Parameters
    ----------
    section
        Whose constant is taken for its way out too: that of a bar is the lower one.
    join_mm
        Thickness of its widest way out, 0 for none. [mm]
    hot_s
        When its hot spot freezes, by the modulus rule. [s]

    Notes
    -----
    A skin grows with the square root of time: where the way is solid at t_w and the section at
    t_s, √(t_w / t_s) of the section is solid when the way closes. Range: walls; of a compact body
    less is left, since its last metal is its thickest place alone.
    """
    way_s = section.constant_s_mm2 * (0.5 * join_mm) ** 2
    return max(0.0, 1.0 - math.sqrt(way_s / max(hot_s, 1e-9)))
