"""Formulas: a feeder's modulus, diameter, volume, and what a sleeve adds.

Which faces of a feeder cool decides its modulus, so every function asks for it.
"""

import math
from typing import Final, Literal

Sleeve = Literal["none", "insulating", "exothermic"]

MODULUS_GAIN: Final[dict[str, float]] = {"none": 1.0, "insulating": 1.25, "exothermic": 1.40}
"""Thermal over geometric modulus of a feeder in a sleeve [-]; makers quote 1.15 to 1.35 for
insulating and 1.3 to 1.6 for exothermic ones (from memory)."""

LARGE_MM: Final = 40.0
"""Diameter from which a blind feeder holds more air than its core lets through (common practice, no
source). [mm]"""

AIR_CORE_CM3: Final = 100.0
"""Air that leaves a blind feeder through its core where no vent can go up, or the cavity under a
core that has a bore (common practice, no source). [cm³]"""

OFF_MIDDLE: Final = 0.6
"""How far from the feeder's axis, over its radius, a vent stands: beside the air core. [-]"""

N_SPOTS: Final = 8


def vent_spots(middle_mm: tuple[float, float], diameter_mm: float) -> list[tuple[float, float]]:
    """Return the places round a blind feeder's dome where a vent may stand, (x, y) each. [mm]"""
    x, y = middle_mm
    off = OFF_MIDDLE * 0.5 * diameter_mm
    turns = (2.0 * math.pi * k / N_SPOTS for k in range(N_SPOTS))
    return [(x + off * math.cos(turn), y + off * math.sin(turn)) for turn in turns]


def feeder_modulus_mm(
    diameter_mm: float,
    height_mm: float,
    *,
    cooled_ends: int = 2,
    is_domed: bool = False,
    gain: float = 1.0,
) -> float:
    """Return the modulus of an upright cylindrical feeder.

    M = gain V / A; for a flat top V = pi D² H / 4 and A = pi D H + n pi D² / 4.

    Parameters
    ----------
    diameter_mm
        Diameter D, > 0. [mm]
    height_mm
        Whole height H, > 0; at least D / 2 where domed. [mm]
    cooled_ends
        How many of the two ends cool, n: 2 for a side feeder, 1 for a top feeder (its foot is on
        the casting) or an insulated top, 0 for both.
    is_domed
        Whether the top is half a ball of the feeder's diameter.
    gain
        Thermal over geometric modulus of a sleeve, >= 1. [-]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If a size is not above zero, a dome is higher than the feeder, or n is not 0, 1 or 2.

    Notes
    -----
    Range: shapes alike (H / D from 0.5 to about 3), thick sand. H = D gives D / 6 with both ends
    cooling and D / 5 with the foot on the casting; say which, or the figure means nothing.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> round(feeder_modulus_mm(60.0, 60.0), 6)
    10.0
    >>> round(feeder_modulus_mm(60.0, 60.0, cooled_ends=1), 6)
    12.0
    """
    if not (diameter_mm > 0.0 and height_mm > 0.0 and gain >= 1.0) or cooled_ends not in (0, 1, 2):
        raise ValueError(
            f"feeder_modulus_mm: {diameter_mm=}, {height_mm=}, {gain=}, {cooled_ends=}"
        )
    volume = feeder_volume_mm3(diameter_mm, height_mm, is_domed=is_domed)
    end = math.pi * diameter_mm**2 / 4.0
    if is_domed:
        side = math.pi * diameter_mm * (height_mm - diameter_mm / 2.0)
        area = side + 2.0 * end * (cooled_ends > 0) + end * (cooled_ends > 1)
    else:
        area = math.pi * diameter_mm * height_mm + cooled_ends * end
    return gain * volume / area


def feeder_diameter_mm(
    modulus_mm: float,
    height_ratio: float,
    *,
    cooled_ends: int = 2,
    is_domed: bool = False,
    gain: float = 1.0,
) -> float:
    """Return the diameter of a cylindrical feeder of a wanted modulus.

    The modulus is proportional to D at a fixed H / D, so D = M / M(D = 1).

    Parameters
    ----------
    modulus_mm
        Wanted modulus, > 0. [mm]
    height_ratio
        H / D, > 0. [-]
    cooled_ends
        As in `feeder_modulus_mm`.
    is_domed
        As in `feeder_modulus_mm`.
    gain
        As in `feeder_modulus_mm`. [-]

    Returns
    -------
    float
        Diameter D. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: as `feeder_modulus_mm`.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> round(feeder_diameter_mm(10.0, 1.0), 6)
    60.0
    """
    if not modulus_mm > 0.0:
        raise ValueError(f"feeder_diameter_mm: {modulus_mm=}")
    unit = feeder_modulus_mm(
        1.0, height_ratio, cooled_ends=cooled_ends, is_domed=is_domed, gain=gain
    )
    return modulus_mm / unit


def feeder_volume_mm3(diameter_mm: float, height_mm: float, *, is_domed: bool = False) -> float:
    """Return the volume of a cylindrical feeder.

    pi D² H / 4; with a dome pi D² (H - D / 2) / 4 + pi D³ / 12.

    Parameters
    ----------
    diameter_mm
        Diameter D, > 0. [mm]
    height_mm
        Whole height H, > 0; at least D / 2 where domed. [mm]
    is_domed
        Whether the top is half a ball of the feeder's diameter.

    Returns
    -------
    float
        Volume. [mm³]

    Raises
    ------
    ValueError
        If a size is not above zero, or a dome is higher than the feeder.

    Notes
    -----
    Exact.

    References
    ----------
    Elementary geometry.

    Examples
    --------
    >>> round(feeder_volume_mm3(2.0, 1.0, is_domed=True) / (2.0 / 3.0 * math.pi), 9)
    1.0
    """
    if not (diameter_mm > 0.0 and height_mm > 0.0):
        raise ValueError(f"feeder_volume_mm3: {diameter_mm=}, {height_mm=}")
    if not is_domed:
        return math.pi * diameter_mm**2 * height_mm / 4.0
    if height_mm < diameter_mm / 2.0 - 1e-9 * diameter_mm:
        raise ValueError(f"feeder_volume_mm3: dome higher than the feeder, {height_mm=}")
    straight = height_mm - diameter_mm / 2.0
    return math.pi * diameter_mm**2 * straight / 4.0 + math.pi * diameter_mm**3 / 12.0
