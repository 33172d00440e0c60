"""Formulas of gating: speeds, heads, areas, fill times, losses. Lengths in mm, speeds in m/s."""

import math
from typing import Final

from moldprep.units import G_M_S2, MM2_PER_M2, MM3_PER_M3, MM_PER_M

BEND_LENGTHS: Final = 25.0
"""Equivalent length over diameter of a rounded right-angle bend (Ghosh & Mallik, Ex. 2.2). [-]"""

ENTRANCE_LOSS: Final = 0.45
"""Entrance loss of a pouring basin into the sprue (Ghosh & Mallik, Ex. 2.2). [-]"""


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


def narrowed_area_mm2(area_mm2: float, flow_mm3_s: float, fall_mm: float) -> float:
    """Return the section of a moving stream after a further fall.

    A2 = Q / √((Q / A1)² + 2 g h).

    Parameters
    ----------
    area_mm2
        Area where the fall begins, > 0. [mm²]
    flow_mm3_s
        Flow, > 0. [mm³/s]
    fall_mm
        Height fallen from there, >= 0. [mm]

    Returns
    -------
    float
        Area after the fall. [mm²]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Uses the speed the stream already has at the top; no friction.

    References
    ----------
    Continuity and Bernoulli; used by the sprue example of S. Kalpakjian and S. Schmid,
    Manufacturing Engineering and Technology, gating chapter (from memory).

    Examples
    --------
    >>> round(narrowed_area_mm2(650.0, 650e3, 200.0), 1)
    293.0
    """
    if not (area_mm2 > 0.0 and flow_mm3_s > 0.0 and fall_mm >= 0.0):
        raise ValueError(f"narrowed_area_mm2: {area_mm2=}, {flow_mm3_s=}, {fall_mm=}")
    before_m_s = flow_mm3_s / area_mm2 / MM_PER_M
    return flow_mm3_s / math.hypot(before_m_s, falling_speed_m_s(fall_mm)) / MM_PER_M


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
    For pouring with a full basin; `discharge` computes one from the geometry.

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


def fill_time_top_s(volume_mm3: float, area_mm2: float, head_mm: float) -> float:
    """Return the time to fill a cavity under a steady head.

    t = V / (A √(2 g h)).

    Parameters
    ----------
    volume_mm3
        Cavity, > 0. [mm³]
    area_mm2
        Area of the gate or choke, > 0. [mm²]
    head_mm
        Steady head, > 0. [mm]

    Returns
    -------
    float
        Fill time. [s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Top gating, no losses.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, ch. 2.

    Examples
    --------
    >>> round(fill_time_top_s(1e6, 100.0, 200.0), 2)
    5.05
    """
    if not (volume_mm3 > 0.0 and area_mm2 > 0.0 and head_mm > 0.0):
        raise ValueError(f"fill_time_top_s: {volume_mm3=}, {area_mm2=}, {head_mm=}")
    return volume_mm3 / (area_mm2 * falling_speed_m_s(head_mm) * MM_PER_M)


def fill_time_bottom_s(
    cavity_area_mm2: float, cavity_mm: float, area_mm2: float, head_mm: float
) -> float:
    """Return the time to fill a prismatic cavity through a gate at its bottom.

    t = (2 A_m / (A_g √(2 g))) (√h - √(h - h_m)).

    Parameters
    ----------
    cavity_area_mm2
        Level area A_m of the cavity, > 0. [mm²]
    cavity_mm
        Height h_m of the cavity, > 0. [mm]
    area_mm2
        Area A_g of the gate, > 0. [mm²]
    head_mm
        Metal level above the gate, at least the cavity's height. [mm]

    Returns
    -------
    float
        Fill time. [s]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    No losses; a head equal to the height takes twice the top-gate time.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, ch. 2.

    Examples
    --------
    >>> top = fill_time_top_s(1e6, 100.0, 100.0)
    >>> round(fill_time_bottom_s(1e4, 100.0, 100.0, 100.0) / top, 9)
    2.0
    """
    if not (cavity_area_mm2 > 0.0 and area_mm2 > 0.0 and 0.0 < cavity_mm <= head_mm):
        raise ValueError(f"fill_time_bottom_s: {cavity_area_mm2=}, {cavity_mm=}, {head_mm=}")
    drop = math.sqrt(head_mm / MM_PER_M) - math.sqrt((head_mm - cavity_mm) / MM_PER_M)
    return 2.0 * cavity_area_mm2 / (area_mm2 * math.sqrt(2.0 * G_M_S2)) * drop


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


def ladle_time_s(
    level_mm: float, level_after_mm: float, ladle_mm: float, nozzle_mm: float, discharge: float
) -> float:
    """Return the time a bottom-pour ladle takes to sink from one level to another.

    t = (D / d)² (√(2 / g) / C) (√h1 - √h2).

    Parameters
    ----------
    level_mm
        Level above the nozzle at the start, > 0. [mm]
    level_after_mm
        Level at the end, 0 to the first. [mm]
    ladle_mm
        Inner diameter of the ladle, > 0. [mm]
    nozzle_mm
        Diameter of the nozzle, > 0. [mm]
    discharge
        Discharge coefficient, about 0.96 for a rounded nozzle. [-]

    Returns
    -------
    float
        Time. [s]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    A cylindrical ladle; a tank emptying through an orifice.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, Example 2.3.

    Examples
    --------
    >>> round(ladle_time_s(1000.0, 0.0, 1000.0, 50.0, 1.0), 1)
    180.6
    """
    if not (level_mm > 0.0 and 0.0 <= level_after_mm <= level_mm and 0.0 < discharge <= 1.0):
        raise ValueError(f"ladle_time_s: {level_mm=}, {level_after_mm=}, {discharge=}")
    drop = math.sqrt(level_mm / MM_PER_M) - math.sqrt(level_after_mm / MM_PER_M)
    return (ladle_mm / nozzle_mm) ** 2 * math.sqrt(2.0 / G_M_S2) / discharge * drop


def ladle_flow_mm3_s(level_mm: float, nozzle_mm: float, discharge: float) -> float:
    """Return the flow out of a bottom-pour ladle.

    Q = C A √(2 g h).

    Parameters
    ----------
    level_mm
        Level above the nozzle, >= 0. [mm]
    nozzle_mm
        Diameter of the nozzle, > 0. [mm]
    discharge
        Discharge coefficient, about 0.96 for a rounded nozzle. [-]

    Returns
    -------
    float
        Flow. [mm³/s]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Steady flow at that level.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, Example 2.3.

    Examples
    --------
    >>> round(ladle_flow_mm3_s(1000.0, 20.0, 0.96))
    1335662
    """
    if not (nozzle_mm > 0.0 and 0.0 < discharge <= 1.0):
        raise ValueError(f"ladle_flow_mm3_s: {nozzle_mm=}, {discharge=}")
    area_mm2 = math.pi / 4.0 * nozzle_mm**2
    return discharge * area_mm2 * falling_speed_m_s(level_mm) * MM_PER_M


def critical_speed_m_s(surface_tension_n_m: float, density_kg_m3: float) -> float:
    """Return the speed above which a metal's surface folds in.

    v = 2 (γ g / ρ)^1/4.

    Parameters
    ----------
    surface_tension_n_m
        Surface tension γ of the liquid, > 0. [N/m]
    density_kg_m3
        Density of the liquid, > 0. [kg/m³]

    Returns
    -------
    float
        Critical speed, about 0.5 for most metals. [m/s]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    The kinetic head equals the height of a sessile drop.

    References
    ----------
    J. Campbell, Complete Casting Handbook, rule 2 (from memory).

    Examples
    --------
    >>> round(critical_speed_m_s(0.914, 2385.0), 3)
    0.495
    """
    if not (surface_tension_n_m > 0.0 and density_kg_m3 > 0.0):
        raise ValueError(f"critical_speed_m_s: {surface_tension_n_m=}, {density_kg_m3=}")
    return 2.0 * math.sqrt(math.sqrt(surface_tension_n_m * G_M_S2 / density_kg_m3))


def critical_fall_mm(surface_tension_n_m: float, density_kg_m3: float) -> float:
    """Return the height of a sessile drop, the most a metal may fall.

    h = 2 √(γ / (ρ g)).

    Parameters
    ----------
    surface_tension_n_m
        Surface tension γ of the liquid, > 0. [N/m]
    density_kg_m3
        Density of the liquid, > 0. [kg/m³]

    Returns
    -------
    float
        Height. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    The fall that gives `critical_speed_m_s`.

    References
    ----------
    J. Campbell, Complete Casting Handbook, rule 2 (from memory).

    Examples
    --------
    >>> round(critical_fall_mm(0.914, 2385.0), 1)
    12.5
    """
    if not (surface_tension_n_m > 0.0 and density_kg_m3 > 0.0):
        raise ValueError(f"critical_fall_mm: {surface_tension_n_m=}, {density_kg_m3=}")
    return 2.0 * math.sqrt(surface_tension_n_m / (density_kg_m3 * G_M_S2)) * MM_PER_M


def gate_area_mm2(flow_mm3_s: float, speed_m_s: float) -> float:
    """Return the total ingate area that keeps a speed.

    A = Q / v.

    Parameters
    ----------
    flow_mm3_s
        Flow, > 0. [mm³/s]
    speed_m_s
        Speed not to be passed, > 0. [m/s]

    Returns
    -------
    float
        Area of all ingates. [mm²]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    All gates full, even split.

    References
    ----------
    Continuity; J. Campbell, Complete Casting Handbook, rule 2 (from memory).

    Examples
    --------
    >>> gate_area_mm2(483e3, 0.5)
    966.0
    """
    if not (flow_mm3_s > 0.0 and speed_m_s > 0.0):
        raise ValueError(f"gate_area_mm2: {flow_mm3_s=}, {speed_m_s=}")
    return flow_mm3_s / (speed_m_s * MM_PER_M)


def filter_area_mm2(
    poured_kg: float,
    rate_kg_s: float,
    choke_mm2: float,
    capacity_kg_cm2: float,
    rate_kg_s_cm2: float,
    choke_ratio: float,
) -> float:
    """Return the free area a filter needs.

    A = max(poured / capacity, rate / flow, ratio x choke).

    Parameters
    ----------
    poured_kg
        Metal through the filter, > 0. [kg]
    rate_kg_s
        Pouring rate, > 0. [kg/s]
    choke_mm2
        Choke, > 0. [mm²]
    capacity_kg_cm2
        What a filter passes before it clogs, > 0. [kg/cm²]
    rate_kg_s_cm2
        Flow a filter passes, > 0. [kg/(s cm²)]
    choke_ratio
        Filter over choke, > 0. [-]

    Returns
    -------
    float
        Free area, without the seat. [mm²]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Foam filters; figures by metal differ between makers.

    References
    ----------
    common practice, no source

    Examples
    --------
    >>> filter_area_mm2(40.0, 3.3, 400.0, 2.0, 0.15, 4.0)
    2200.0
    """
    figures = (poured_kg, rate_kg_s, choke_mm2, capacity_kg_cm2, rate_kg_s_cm2, choke_ratio)
    if not min(figures) > 0.0:
        raise ValueError(f"filter_area_mm2: {figures}")
    by_mass = 100.0 * poured_kg / capacity_kg_cm2
    by_rate = 100.0 * rate_kg_s / rate_kg_s_cm2
    return max(by_mass, by_rate, choke_ratio * choke_mm2)


def vent_area_mm2(
    metal_flow_mm3_s: float,
    pressure_pa: float,
    heating: float = 3.0,
    discharge: float = 0.6,
    air_kg_m3: float = 1.2,
) -> float:
    """Return the total vent area that lets the mold's air out under a small pressure.

    A = n Q / (C √(2 Δp / ρ)).

    Parameters
    ----------
    metal_flow_mm3_s
        Flow of metal into the mold, > 0. [mm³/s]
    pressure_pa
        Pressure the air may build up, > 0. [Pa]
    heating
        Air volume out over metal volume in, 2 to 3 as the air warms. [-]
    discharge
        Discharge coefficient of the vent, 0 to 1. [-]
    air_kg_m3
        Density of the air, > 0. [kg/m³]

    Returns
    -------
    float
        Area of all vents. [mm²]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Air only; core gas comes on top.

    References
    ----------
    Orifice law; heating 2 to 3 is common practice, no source.

    Examples
    --------
    >>> round(vent_area_mm2(483e3, 100.0))
    187
    """
    if not (metal_flow_mm3_s > 0.0 and pressure_pa > 0.0 and heating > 0.0 and air_kg_m3 > 0.0):
        raise ValueError(f"vent_area_mm2: {metal_flow_mm3_s=}, {pressure_pa=}, {heating=}")
    air_m3_s = heating * metal_flow_mm3_s / MM3_PER_M3
    return air_m3_s / (discharge * math.sqrt(2.0 * pressure_pa / air_kg_m3)) * MM2_PER_M2
