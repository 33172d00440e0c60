"""Formulas of gating: the falling stream, effective head, choke."""

import math

from moldprep.units import G_M_S2, MM2_PER_M2, MM_PER_M


def falling_speed_m_s(fall_mm: float) -> float:
    """Return the speed of metal after a free fall.

    v = √(2 g h).

    Parameters
    ----------
    fall_mm
        Height from the free surface at rest, >= 0. [mm]

    Returns
    -------
    float
        Speed. [m/s]

    Raises
    ------
    ValueError
        If the height is negative.

    Notes
    -----
    Torricelli; no friction, no bends, large surface at rest above.

    References
    ----------
    M. P. Groover, Fundamentals of Modern Manufacturing, 3rd ed., ch. 10 (from memory).

    Examples
    --------
    >>> round(falling_speed_m_s(200.0), 3)
    1.981
    """
    if not fall_mm >= 0.0:
        raise ValueError(f"falling_speed_m_s: {fall_mm=}")
    return math.sqrt(2.0 * G_M_S2 * fall_mm / MM_PER_M)


def stream_area_mm2(flow_mm3_s: float, fall_mm: float) -> float:
    """Return the section of a free-falling stream.

    A = Q / √(2 g z).

    Parameters
    ----------
    flow_mm3_s
        Flow, > 0. [mm³/s]
    fall_mm
        Height below the metal's level in the basin, > 0. [mm]

    Returns
    -------
    float
        Area of the stream. [mm²]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    A sprue wider than this anywhere draws in air; one that follows it stays just full.

    References
    ----------
    Continuity and Bernoulli; J. Campbell, Complete Casting Handbook, 2nd ed., ch. 12 (from memory).

    Examples
    --------
    Four times the fall, half the area:

    >>> stream_area_mm2(1e5, 400.0) / stream_area_mm2(1e5, 100.0)
    0.5
    """
    if not (flow_mm3_s > 0.0 and fall_mm > 0.0):
        raise ValueError(f"stream_area_mm2: {flow_mm3_s=}, {fall_mm=}")
    return flow_mm3_s / (falling_speed_m_s(fall_mm) * MM_PER_M)


def taper_area_mm2(area_mm2: float, fall_mm: float, fall_there_mm: float) -> float:
    """Return the section of a stream at another height, from its section at one.

    A2 = A1 √(z1 / z2).

    Parameters
    ----------
    area_mm2
        Area at `fall_mm`, > 0. [mm²]
    fall_mm
        Height below the metal's level where the area is known, > 0. [mm]
    fall_there_mm
        Height below the metal's level where it is wanted, > 0. [mm]

    Returns
    -------
    float
        Area at `fall_there_mm`. [mm²]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Between the top and the foot of a sprue; the basin's depth counts in both heights.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter (from memory).

    Examples
    --------
    >>> round(taper_area_mm2(100.0, 60.0, 240.0), 6)
    50.0
    """
    if not (area_mm2 > 0.0 and fall_mm > 0.0 and fall_there_mm > 0.0):
        raise ValueError(f"taper_area_mm2: {area_mm2=}, {fall_mm=}, {fall_there_mm=}")
    return area_mm2 * math.sqrt(fall_mm / fall_there_mm)


def effective_head_mm(head_mm: float, casting_mm: float, above_gate_mm: float) -> float:
    """Return the effective head of top, bottom and parting gating.

    H = h - p² / (2 c): p = 0 is top gating (h), p = c is bottom gating (h - c / 2).

    Parameters
    ----------
    head_mm
        Metal level in the basin above the ingates, > 0. [mm]
    casting_mm
        Height c of the casting, > 0. [mm]
    above_gate_mm
        Height p of the casting above the ingates, 0 to c, under the head. [mm]

    Returns
    -------
    float
        Effective head. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    A handbook mean; overstates the head of bottom gating, see `equivalent_head_mm`.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter (from memory).

    Examples
    --------
    >>> effective_head_mm(300.0, 200.0, 0.0), effective_head_mm(300.0, 200.0, 100.0)
    (300.0, 275.0)
    """
    if not (head_mm > 0.0 and casting_mm > 0.0 and 0.0 <= above_gate_mm <= casting_mm):
        raise ValueError(f"effective_head_mm: {head_mm=}, {casting_mm=}, {above_gate_mm=}")
    return head_mm - above_gate_mm**2 / (2.0 * casting_mm)


def equivalent_head_mm(head_mm: float, casting_mm: float, above_gate_mm: float) -> float:
    """Return the steady head that fills a prismatic cavity in the true time.

    The share below the gates fills under h, the share above under the falling head:
    1 / √H = (1 - p / c) / √h + (p / c) / ((√h + √(h - p)) / 2).

    Parameters
    ----------
    head_mm
        Metal level in the basin above the ingates, > 0. [mm]
    casting_mm
        Height c of the casting, > 0. [mm]
    above_gate_mm
        Height p of the casting above the ingates, 0 to c, at most the head. [mm]

    Returns
    -------
    float
        Equivalent head. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Exact for a cavity of constant area and a steady choke.

    References
    ----------
    From the bottom-gate fill time in A. Ghosh and A. K. Mallik, Manufacturing Science, ch. 2.

    Examples
    --------
    >>> round(equivalent_head_mm(300.0, 200.0, 200.0), 3)
    186.603
    """
    if not (head_mm > 0.0 and casting_mm > 0.0 and 0.0 <= above_gate_mm <= casting_mm):
        raise ValueError(f"equivalent_head_mm: {head_mm=}, {casting_mm=}, {above_gate_mm=}")
    if above_gate_mm > head_mm:
        raise ValueError(f"equivalent_head_mm: {above_gate_mm=} is above {head_mm=}")
    share = above_gate_mm / casting_mm
    rising = 0.5 * (math.sqrt(head_mm) + math.sqrt(head_mm - above_gate_mm))
    return 1.0 / ((1.0 - share) / math.sqrt(head_mm) + share / rising) ** 2


def choke_area_mm2(
    mass_kg: float, density_kg_m3: float, time_s: float, head_mm: float, efficiency: float
) -> float:
    """Return the choke that passes a mass in a time.

    A = W / (ρ t C √(2 g H)).

    Parameters
    ----------
    mass_kg
        Metal that passes the choke, > 0. [kg]
    density_kg_m3
        Density of the liquid, > 0. [kg/m³]
    time_s
        Pouring time, > 0. [s]
    head_mm
        Effective head, > 0. [mm]
    efficiency
        Discharge coefficient of the system, 0 to 1. [-]

    Returns
    -------
    float
        Area of the choke. [mm²]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    The choke is the smallest section; the basin is kept full.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, gating chapter (from memory).

    Examples
    --------
    >>> round(choke_area_mm2(50.0, 7000.0, 14.0, 200.0, 0.8))
    322
    """
    if not (mass_kg > 0.0 and density_kg_m3 > 0.0 and time_s > 0.0 and 0.0 < efficiency <= 1.0):
        raise ValueError(f"choke_area_mm2: {mass_kg=}, {density_kg_m3=}, {time_s=}, {efficiency=}")
    flow_m3_s = mass_kg / density_kg_m3 / time_s
    return flow_m3_s / (efficiency * falling_speed_m_s(head_mm)) * MM2_PER_M2


def efficiency(has_bends: bool, is_tapered: bool = True) -> float:
    """Return the handbook discharge coefficient of a gating system.

    Tapered, choked sprue: 0.90, with right-angle bends 0.85; straight sprue with a choke in the
    runner: 0.73, with bends 0.70.

    Parameters
    ----------
    has_bends
        Whether the runner turns at right angles.
    is_tapered
        Whether the sprue is tapered and its foot is the choke.

    Returns
    -------
    float
        Discharge coefficient. [-]

    Notes
    -----
    For pouring with a full basin; the flow network computes the losses from the geometry.

    References
    ----------
    P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding, table of efficiency
    coefficients (from memory).

    Examples
    --------
    >>> efficiency(has_bends=True)
    0.85
    """
    if is_tapered:
        return 0.85 if has_bends else 0.90
    return 0.70 if has_bends else 0.73
