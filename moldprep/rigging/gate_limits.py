"""Formulas of limits at the gates: critical speed and fall, areas of gates, filters, vents."""

import math

from moldprep.units import G_M_S2, MM2_PER_M2, MM3_PER_M3, MM_PER_M


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
