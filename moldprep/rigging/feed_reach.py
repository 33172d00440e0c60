"""Formulas: how far a feeder reaches, how thick its neck must be, what a chill does."""

import math
from typing import Final

INCH_MM: Final = 25.4
LONGEST_NECK: Final = 0.5


def plate_reach_mm(thickness_mm: float, multiple: float, *, chill_gain_mm: float = 0.0) -> float:
    """Return how far a feeder keeps a plate sound, from the feeder's edge.

    L = n T (+ gain of an end chill).

    Parameters
    ----------
    thickness_mm
        Plate thickness T, > 0. [mm]
    multiple
        n, > 0: for steel 4.5 toward a free end (2 from the feeder + 2.5 from the end), 2 toward
        another feeder. [-]
    chill_gain_mm
        What a chill on the end adds, >= 0; for steel 50 (2 in). [mm]

    Returns
    -------
    float
        Reach L. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: found on steel plates 13 to 100 mm thick, width over thickness at least 3, green sand.
    Later rules allow about twice the distance for ordinary quality (M. Blair, C. Beckermann and
    others), so going past this limit is a warning; going past twice it is a fault.

    References
    ----------
    W. S. Pellini, Factors which determine riser adequacy and feeding range, Trans. AFS 61 (1953)
    61-80 (from memory); the 2 T feeder zone is repeated by S. Ou and others, 2002.

    Examples
    --------
    >>> plate_reach_mm(50.0, 4.5)
    225.0
    """
    if not (thickness_mm > 0.0 and multiple > 0.0 and chill_gain_mm >= 0.0):
        raise ValueError(f"plate_reach_mm: {thickness_mm=}, {multiple=}, {chill_gain_mm=}")
    return multiple * thickness_mm + chill_gain_mm


def bar_reach_mm(thickness_mm: float, *, has_end_chill: bool = False) -> float:
    """Return how far a feeder keeps a square steel bar sound toward its free end.

    L = 6 sqrt(T), both in inches; with a chill on the end 6 sqrt(T) + T.

    Parameters
    ----------
    thickness_mm
        Side of the bar T, > 0. [mm]
    has_end_chill
        Whether the far end is chilled.

    Returns
    -------
    float
        Reach L. [mm]

    Raises
    ------
    ValueError
        If the thickness is not above zero.

    Notes
    -----
    Range: found on steel bars 50 to 200 mm square. Not dimensionless: it must be worked in inches.

    References
    ----------
    H. F. Bishop, E. T. Myskowski, W. S. Pellini, Trans. AFS 59 (1951) 171-180 (from memory).

    Examples
    --------
    >>> round(bar_reach_mm(50.8) / 25.4, 3)
    8.485
    """
    if not thickness_mm > 0.0:
        raise ValueError(f"bar_reach_mm: {thickness_mm=}")
    inches = thickness_mm / INCH_MM
    return (6.0 * math.sqrt(inches) + (inches if has_end_chill else 0.0)) * INCH_MM


def modulus_chain_mm(
    section_mm: float, neck_factor: float, feeder_factor: float
) -> tuple[float, float]:
    """Return the moduli that neck and feeder need so that section, neck and feeder freeze in turn.

    Steel: section : neck : feeder = 1 : 1.1 : 1.2.

    Parameters
    ----------
    section_mm
        Modulus of the section, > 0. [mm]
    neck_factor
        Neck over section, > 0; below 1 for irons, whose neck may close once expansion begins. [-]
    feeder_factor
        Feeder over section, > 0. [-]

    Returns
    -------
    tuple[float, float]
        Moduli of neck and feeder. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Range: a neck counted as a long bar. A short neck is kept hot from both ends and may be
    thinner; the heat solve tells by how much.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> [round(m, 3) for m in modulus_chain_mm(10.0, 1.1, 1.2)]
    [11.0, 12.0]
    """
    if not (section_mm > 0.0 and neck_factor > 0.0 and feeder_factor > 0.0):
        raise ValueError(f"modulus_chain_mm: {section_mm=}, {neck_factor=}, {feeder_factor=}")
    return section_mm * neck_factor, section_mm * feeder_factor


def neck_modulus_mm(width_mm: float, height_mm: float) -> float:
    """Return the modulus of a rectangular neck counted as a long bar.

    M = b h / (2 (b + h)).

    Parameters
    ----------
    width_mm
        Width b, > 0. [mm]
    height_mm
        Height h, > 0. [mm]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If a size is not above zero.

    Notes
    -----
    Range: length at least about the smaller side; a shorter neck stays hot longer than this says.

    References
    ----------
    N. Chvorinov, Giesserei 27 (1940) 201-208, for the modulus.

    Examples
    --------
    >>> neck_modulus_mm(40.0, 40.0)
    10.0
    """
    if not (width_mm > 0.0 and height_mm > 0.0):
        raise ValueError(f"neck_modulus_mm: {width_mm=}, {height_mm=}")
    return width_mm * height_mm / (2.0 * (width_mm + height_mm))


def side_neck_mm(feeder_diameter_mm: float, length_mm: float) -> float:
    """Return the diameter of a round neck of a side feeder.

    D_n = L_n + 0.2 D, with L_n at most D / 2.

    Parameters
    ----------
    feeder_diameter_mm
        Feeder diameter D, > 0. [mm]
    length_mm
        Neck length L_n, from 0 to D / 2. [mm]

    Returns
    -------
    float
        Neck diameter D_n. [mm]

    Raises
    ------
    ValueError
        If the neck is longer than half the feeder's diameter, or a size is negative.

    Notes
    -----
    Range: "general" form of the rule; plates and bars have forms of their own.

    References
    ----------
    AFS rule as given by P. N. Rao, Manufacturing Technology vol. 1 (from memory).

    Examples
    --------
    >>> side_neck_mm(100.0, 50.0)
    70.0
    """
    if not (feeder_diameter_mm > 0.0 and 0.0 <= length_mm <= LONGEST_NECK * feeder_diameter_mm):
        raise ValueError(f"side_neck_mm: {feeder_diameter_mm=}, {length_mm=}")
    return length_mm + 0.2 * feeder_diameter_mm


def chilled_modulus_mm(
    volume_mm3: float, cooled_mm2: float, chilled_mm2: float, counts_as: float = 2.5
) -> float:
    """Return the modulus of a section with a chill against part of its surface.

    M = V / (A + (f - 1) A_chill): a chilled face counts f times.

    Parameters
    ----------
    volume_mm3
        Volume V, > 0. [mm³]
    cooled_mm2
        Cooled surface A, chilled part included, > 0. [mm²]
    chilled_mm2
        Chilled part of it, from 0 to A. [mm²]
    counts_as
        f, from 1 to 4; 2 to 3 is usual for a bare iron chill. [-]

    Returns
    -------
    float
        Modulus. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Range: chill thickness 0.5 to 1 times the section's; a thinner one is full of heat too early.
    Chills must be dry and warm: damp ones make steam under liquid metal.

    References
    ----------
    R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory).

    Examples
    --------
    >>> chilled_modulus_mm(1000.0, 100.0, 50.0, 3.0)
    5.0
    """
    if not (volume_mm3 > 0.0 and 0.0 <= chilled_mm2 <= cooled_mm2 and 1.0 <= counts_as <= 4.0):
        raise ValueError(
            f"chilled_modulus_mm: {volume_mm3=}, {cooled_mm2=}, {chilled_mm2=}, {counts_as=}"
        )
    return volume_mm3 / (cooled_mm2 + (counts_as - 1.0) * chilled_mm2)
