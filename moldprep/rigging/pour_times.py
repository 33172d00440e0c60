"""Formulas of pouring time, one for each family of metal. W in kg, T in mm, t in s."""

import math
from typing import Final

USUAL_SPIRAL_IN: Final = 28.0
"""Fluidity spiral of an iron at a usual pouring temperature (P. N. Rao, from memory). [in]"""

BORDER_KG: Final = 450.0
"""Where the handbook changes its grey-iron formula (P. N. Rao, from memory). [kg]"""


def steel_s(mass_kg: float) -> float:
    """Return the pouring time of a steel casting.

    t = (2.4335 - 0.3953 log10 W) √W.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0, below 1.4e6. [kg]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If the mass is out of range.

    Notes
    -----
    The bracket vanishes at 1.4e6 kg; castings of some kg to some tonnes.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter.

    Examples
    --------
    >>> round(steel_s(100.0), 3)
    16.429
    """
    bracket = 2.4335 - 0.3953 * math.log10(mass_kg) if mass_kg > 0.0 else 0.0
    if not bracket > 0.0:
        raise ValueError(f"steel_s: {mass_kg=}")
    return bracket * math.sqrt(mass_kg)


def grey_iron_s(mass_kg: float, section_mm: float, spiral_in: float = USUAL_SPIRAL_IN) -> float:
    """Return the pouring time of a grey-iron casting.

    To 450 kg t = (F / 40) (1.41 + T / 14.59) √W; above t = (F / 40) (1.236 + T / 16.65) W^1/3.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0. [kg]
    section_mm
        Mean section, > 0. [mm]
    spiral_in
        Length F of the fluidity spiral, > 0. [in]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    The two formulas do not meet at 450 kg; that step is the handbook's.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter
    (above 450 kg from memory).

    Examples
    --------
    >>> round(grey_iron_s(50.0, 15.0), 3)
    12.068
    """
    if not (mass_kg > 0.0 and section_mm > 0.0 and spiral_in > 0.0):
        raise ValueError(f"grey_iron_s: {mass_kg=}, {section_mm=}, {spiral_in=}")
    if mass_kg <= BORDER_KG:
        return spiral_in / 40.0 * (1.41 + section_mm / 14.59) * math.sqrt(mass_kg)
    return spiral_in / 40.0 * (1.236 + section_mm / 16.65) * math.cbrt(mass_kg)


def ductile_iron_s(mass_kg: float, section_mm: float) -> float:
    """Return the pouring time of a ductile-iron casting.

    t = K √W; K 2.080 under 10 mm, 2.670 to 25 mm, 2.970 heavier.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0. [kg]
    section_mm
        Mean section, > 0. [mm]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Given for shell molds poured upright; printed, resin-bonded sand is close to that.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter
    (constants from memory).

    Examples
    --------
    >>> round(ductile_iron_s(25.0, 15.0), 2)
    13.35
    """
    if not (mass_kg > 0.0 and section_mm > 0.0):
        raise ValueError(f"ductile_iron_s: {mass_kg=}, {section_mm=}")
    constant = 2.080 if section_mm < 10.0 else 2.670 if section_mm <= 25.0 else 2.970
    return root_mass_s(mass_kg, constant)


def root_mass_s(mass_kg: float, constant: float) -> float:
    """Return the pouring time by the square root of the mass.

    t = K √W.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0. [kg]
    constant
        K of the metal and section, > 0. [-]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    K holds for W in kg and t in s.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter.

    Examples
    --------
    >>> root_mass_s(25.0, 2.0)
    10.0
    """
    if not (mass_kg > 0.0 and constant > 0.0):
        raise ValueError(f"root_mass_s: {mass_kg=}, {constant=}")
    return constant * math.sqrt(mass_kg)


def copper_s(mass_kg: float, constant: float = 2.80) -> float:
    """Return the pouring time of a copper-alloy casting.

    t = K W^1/3; K 1.30 top gating, 1.80 bottom gating, 1.90 brass, 2.80 tin bronze.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0. [kg]
    constant
        K of the alloy, > 0. [-]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    K holds for W in kg and t in s.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter (from memory).

    Examples
    --------
    >>> round(copper_s(27.0), 2)
    8.4
    """
    if not (mass_kg > 0.0 and constant > 0.0):
        raise ValueError(f"copper_s: {mass_kg=}, {constant=}")
    return constant * math.cbrt(mass_kg)


def thin_walled_s(mass_kg: float, section_mm: float) -> float:
    """Return the pouring time of a thin-walled, intricate casting.

    t = K W^1/3; K 1.62 to 2.5 mm, 1.68 to 3.5, 1.85 to 8, 2.20 to 15 mm.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0, to 450. [kg]
    section_mm
        Section, 1.5 to 15. [mm]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Used as the longest time a thin wall allows.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter (from memory).

    Examples
    --------
    >>> round(thin_walled_s(27.0, 5.0), 2)
    5.55
    """
    if not (0.0 < mass_kg <= BORDER_KG and 1.5 <= section_mm <= 15.0):
        raise ValueError(f"thin_walled_s: {mass_kg=}, {section_mm=}")
    steps = ((2.5, 1.62), (3.5, 1.68), (8.0, 1.85), (15.0, 2.20))
    constant = next(k for top_mm, k in steps if section_mm <= top_mm)
    return constant * math.cbrt(mass_kg)


def heavy_s(mass_kg: float, section_mm: float) -> float:
    """Return the pouring time of a casting of 450 to 1000 kg.

    t = K (W T)^1/3; K 1.00 to 10 mm, 1.35 to 20, 1.50 to 40, 1.70 above.

    Parameters
    ----------
    mass_kg
        Metal through the gates, 450 to 1000. [kg]
    section_mm
        Mean section, > 0. [mm]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Any metal.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter
    (constants from memory).

    Examples
    --------
    >>> round(heavy_s(500.0, 16.0), 1)
    27.0
    """
    if not (BORDER_KG <= mass_kg <= 1000.0 and section_mm > 0.0):
        raise ValueError(f"heavy_s: {mass_kg=}, {section_mm=}")
    steps = ((10.0, 1.00), (20.0, 1.35), (40.0, 1.50), (math.inf, 1.70))
    constant = next(k for top_mm, k in steps if section_mm <= top_mm)
    return constant * math.cbrt(mass_kg * section_mm)


def light_alloy_s(mass_kg: float, section_mm: float, constant: float = 2.0) -> float:
    """Return the pouring time of a light-alloy casting.

    t = S (T W)^1/3; S from 1.7 to 3.0.

    Parameters
    ----------
    mass_kg
        Metal through the gates, > 0. [kg]
    section_mm
        Mean section, > 0. [mm]
    constant
        S, > 0; the lower, the quicker. [-]

    Returns
    -------
    float
        Pouring time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    No one formula is agreed on for light alloys. Where the ingates this flow needs at the
    critical speed find no room on the casting, the time is lengthened until they do.

    References
    ----------
    G. M. Dubitskii's form, quoted in foundry texts (from memory, unsure).

    Examples
    --------
    >>> light_alloy_s(12.5, 10.0)
    10.0
    """
    if not (mass_kg > 0.0 and section_mm > 0.0 and constant > 0.0):
        raise ValueError(f"light_alloy_s: {mass_kg=}, {section_mm=}, {constant=}")
    return constant * math.cbrt(mass_kg * section_mm)
