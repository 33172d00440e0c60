"""Formulas of flow losses in channels: friction, bends, changes of section."""

import math
from typing import Final

from moldprep.units import MM_PER_M

BEND_LENGTHS: Final = 25.0
"""Equivalent length over diameter of a rounded right-angle bend (Ghosh & Mallik, Ex. 2.2). [-]"""

ENTRANCE_LOSS: Final = 0.45
"""Entrance loss of a pouring basin into the sprue (Ghosh & Mallik, Ex. 2.2). [-]"""


def reynolds(
    speed_m_s: float, diameter_mm: float, density_kg_m3: float, viscosity_pa_s: float
) -> float:
    """Return the Reynolds number of a channel.

    Re = ρ v D / μ.

    Parameters
    ----------
    speed_m_s
        Mean speed, >= 0. [m/s]
    diameter_mm
        Diameter, or hydraulic diameter 4 A / perimeter, > 0. [mm]
    density_kg_m3
        Density of the liquid, > 0. [kg/m³]
    viscosity_pa_s
        Dynamic viscosity, > 0. [Pa s]

    Returns
    -------
    float
        Reynolds number. [-]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Laminar below about 2000; 2000 to 20 000 is tolerated in gating.

    References
    ----------
    S. Kalpakjian and S. Schmid, Manufacturing Engineering and Technology, gating chapter
    (from memory).

    Examples
    --------
    >>> round(reynolds(2.0, 10.0, 2500.0, 0.002))
    25000
    """
    if not (speed_m_s >= 0.0 and diameter_mm > 0.0 and density_kg_m3 > 0.0 and viscosity_pa_s > 0):
        raise ValueError(f"reynolds: {speed_m_s=}, {diameter_mm=}, {viscosity_pa_s=}")
    return density_kg_m3 * speed_m_s * diameter_mm / MM_PER_M / viscosity_pa_s


def friction(reynolds: float) -> float:
    """Return the Fanning friction factor of a channel.

    f = 16 / Re to Re 2000; f = 0.0791 Re^-1/4 above.

    Parameters
    ----------
    reynolds
        Reynolds number, > 0. [-]

    Returns
    -------
    float
        Friction factor. [-]

    Raises
    ------
    ValueError
        If the Reynolds number is not above zero.

    Notes
    -----
    Blasius, smooth wall, to Re about 1e5.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, Example 2.2.

    Examples
    --------
    >>> round(friction(1e4), 5)
    0.00791
    """
    if not reynolds > 0.0:
        raise ValueError(f"friction: {reynolds=}")
    return 16.0 / reynolds if reynolds <= 2000.0 else 0.0791 * reynolds**-0.25


def discharge(
    friction: float,
    length_over_diameter: float,
    bend_lengths: float = BEND_LENGTHS,
    entrance: float = ENTRANCE_LOSS,
) -> float:
    """Return the discharge coefficient of a channel with friction, bends and entrance.

    C = (1 + K + 4 f (L / D + (L / D)eq))^-1/2.

    Parameters
    ----------
    friction
        Fanning friction factor, >= 0. [-]
    length_over_diameter
        Length of the channel over its diameter, >= 0. [-]
    bend_lengths
        Sum of the equivalent lengths of all bends over the diameter, >= 0. [-]
    entrance
        Entrance loss K, >= 0. [-]

    Returns
    -------
    float
        Discharge coefficient. [-]

    Raises
    ------
    ValueError
        If an argument is negative.

    Notes
    -----
    f depends on the speed: start with C = 1, one or two rounds suffice.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, Example 2.2.

    Examples
    --------
    >>> discharge(0.0, 10.0, entrance=3.0)
    0.5
    """
    if not (
        friction >= 0.0 and length_over_diameter >= 0.0 and bend_lengths >= 0.0 and entrance >= 0.0
    ):
        raise ValueError(f"discharge: {friction=}, {length_over_diameter=}, {entrance=}")
    lengths = length_over_diameter + bend_lengths
    return 1.0 / math.sqrt(1.0 + entrance + 4.0 * friction * lengths)


def expansion_loss(area_mm2: float, area_there_mm2: float) -> float:
    """Return the loss of a sudden widening, in units of the speed before it.

    K = (1 - A1 / A2)².

    Parameters
    ----------
    area_mm2
        Area before, > 0. [mm²]
    area_there_mm2
        Area after, at least the area before. [mm²]

    Returns
    -------
    float
        Loss coefficient. [-]

    Raises
    ------
    ValueError
        If the channel does not widen.

    Notes
    -----
    Borda and Carnot; turbulent flow.

    References
    ----------
    F. M. White, Fluid Mechanics, chapter on minor losses (from memory).

    Examples
    --------
    >>> expansion_loss(100.0, 200.0)
    0.25
    """
    if not 0.0 < area_mm2 <= area_there_mm2:
        raise ValueError(f"expansion_loss: {area_mm2=}, {area_there_mm2=}")
    return (1.0 - area_mm2 / area_there_mm2) ** 2
