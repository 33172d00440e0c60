"""What is asked of a place for gates: the most first, less where nothing offers it."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.rigging.gates.gate_walls import DEEPEST_MM, LEAST_MM, MOST_HIDDEN_MM

SIDES_DEG: Final = (270.0, 90.0, 0.0, 180.0)
SLANTED_DEG: Final = (45.0, 135.0, 225.0, 315.0)

BREAK_OFF: Final = 0.7
"""Thickness of an ingate over the wall it joins, at most: it then breaks off in the gate
(common practice, no source). [-]"""


UPRIGHT: Final = 2.0
"""Height of a gate over its width where nothing wider fits: on teeth, fins, lugs (common practice,
no source). [-]"""


@dataclass(frozen=True)
class Try:
    """What is asked of a place for gates.

    thinness   : thickness of a gate over the wall's, at most
    sand       : sand beside gates over the usual
    deepest_mm : how far behind the casting's shadow the wall may lie
    least_mm   : thickness of the thinnest gate
    tallest    : height of a gate over its width, at most
    """

    sides_deg: tuple[float, ...]
    thinness: float
    sand: float
    deepest_mm: float = DEEPEST_MM
    least_mm: float = LEAST_MM
    tallest: float = 1.0


TRIES: Final = (
    Try(SIDES_DEG, BREAK_OFF, 1.0),
    Try(SIDES_DEG, 1.0, 0.4),
    Try(SLANTED_DEG, BREAK_OFF, 1.0),
)
"""In order of trying."""

LAST_TRIES: Final = (
    Try(SIDES_DEG, BREAK_OFF, 0.4, DEEPEST_MM, 1.5, UPRIGHT),
    Try(SIDES_DEG, 1.0, 0.22, MOST_HIDDEN_MM, 1.5, UPRIGHT),
    Try(SLANTED_DEG, 1.0, 0.22, MOST_HIDDEN_MM, 1.5, UPRIGHT),
    Try(SIDES_DEG, 1.0, 0.1, MOST_HIDDEN_MM, 1.5, UPRIGHT),
    Try(SLANTED_DEG, 1.0, 0.1, MOST_HIDDEN_MM, 1.5, UPRIGHT),
    Try(SIDES_DEG, 1.0, 0.04, MOST_HIDDEN_MM, 1.5, UPRIGHT),
)
"""Where none of the others offers anything: thinner gates, little sand under feeders that stand on
small castings, and walls far behind the outline."""

SLOWER: Final = (1.0, 1.25, 1.6, 2.0, 2.5)
"""How much longer than the handbook's the pour may take where thin walls allow little ingate."""

SHARES: Final = (0.7, 0.5, 0.35, 0.25, 0.15, 0.08, 0.04, 0.02)
"""Shares of the ingates' area taken, in this order, where no wall has room for all of it."""


def break_off_notch_mm(height_mm: Floats) -> Floats:
    """Return the depth of the break-off notch of gates. [mm]"""
    return np.asarray(np.minimum(3.0, np.round(0.15 * height_mm, 1)))


def narrowest_mm(height_mm: float) -> float:
    """Return the least width of a gate of this height that passes less than others. [mm]"""
    return min(height_mm, max(LEAST_MM, height_mm / UPRIGHT))
