"""Gas from a core's binder, and the pressure it needs to leave through the prints."""

import math
from typing import Final

from moldprep.units import KELVIN_AT_0_C, M3_PER_ML, MM2_PER_M2, MM_PER_M, ROOM_C

HOT_GAS_C: Final = 600.0
"""Mean temperature of the gas on its way through the core; from memory, a round figure."""

HOT_GAS_VISCOSITY_PA_S: Final = 4.0e-5
"""Viscosity of hot combustion gas; air at 600 °C has 3.9e-5 (heat-transfer tables, from memory)."""


def gas_ml(core_kg: float, gas_ml_g: float) -> float:
    """Return the gas a core gives off, at room temperature.

    V = m g, with g per gram of bonded sand.

    Parameters
    ----------
    core_kg
        Mass of the core inside the metal, prints left out. [kg]
    gas_ml_g
        Gas evolved by a gram of printed sand, at room temperature. [mL/g]

    Notes
    -----
    All of the binder is taken as burnt: an upper bound for thick cores.

    References
    ----------
    16.6 mL/g for printed furan sand: review page of printed sands (weak provenance).

    Examples
    --------
    >>> gas_ml(2.0, 10.0)
    20000.0
    """
    return core_kg * 1e3 * gas_ml_g


def gas_pressure_pa(
    gas_at_room_ml: float, burn_s: float, path_mm: float, way_out_mm2: float, permeability_m2: float
) -> float:
    """Return the pressure inside a core that drives its gas out through the prints.

    Darcy: p = mu Q L / (k A), Q = V (T_hot / T_room) / t.

    Parameters
    ----------
    gas_at_room_ml
        Gas evolved, at room temperature. [mL]
    burn_s
        Time over which it is evolved, > 0. [s]
    path_mm
        Way from the middle of the core to the end of its print. [mm]
    way_out_mm2
        Cross-section of all prints together, > 0. [mm²]
    permeability_m2
        Permeability of the sand. [m²]

    Returns
    -------
    float
        Pressure above the outside's. [Pa]

    Raises
    ------
    ValueError
        If a time, area or permeability is not above zero.

    Notes
    -----
    Steady flow along one line, no leak into the metal: good to a factor of two or three. To be
    held against the metal's pressure at the core's highest face; a core vent lowers it to
    almost nothing.

    References
    ----------
    Darcy's law, Bear, Dynamics of Fluids in Porous Media (from memory).

    Examples
    --------
    >>> round(gas_pressure_pa(1000.0, 60.0, 50.0, 1000.0, 3.06e-11), 0)
    3190.0
    """
    if not (burn_s > 0.0 and way_out_mm2 > 0.0 and permeability_m2 > 0.0):
        raise ValueError(f"gas_pressure_pa: {burn_s=}, {way_out_mm2=}, {permeability_m2=}")
    swell = (HOT_GAS_C + KELVIN_AT_0_C) / (ROOM_C + KELVIN_AT_0_C)
    flow_m3_s = gas_at_room_ml * M3_PER_ML * swell / burn_s
    return (
        HOT_GAS_VISCOSITY_PA_S
        * flow_m3_s
        * (path_mm / MM_PER_M)
        / (permeability_m2 * way_out_mm2 / MM2_PER_M2)
    )


def drain_pressure_pa(
    gas_at_room_ml: float,
    burn_s: float,
    length_mm: float,
    radius_mm: float,
    half_mm: float,
    permeability_m2: float,
) -> float:
    """Return the pressure that drives the gas of a core into a vent along its middle.

    Radial Darcy flow: p = mu Q ln(R / r) / (2 pi k l), Q = V (T_hot / T_room) / t.

    Parameters
    ----------
    gas_at_room_ml
        Gas evolved along the vent, at room temperature. [mL]
    burn_s
        Time over which it is evolved, > 0. [s]
    length_mm
        Length of the vent inside the core, > 0. [mm]
    radius_mm
        Radius of the vent, > 0. [mm]
    half_mm
        Half the thickness of the core; no flow is left where that is less than the radius. [mm]
    permeability_m2
        Permeability of the sand, > 0. [m²]

    Returns
    -------
    float
        Pressure above the outside's. [Pa]

    Raises
    ------
    ValueError
        If a time, length, radius or permeability is not above zero.

    Notes
    -----
    As if all gas came from the core's skin, so it overstates; the open vent itself costs nothing.

    References
    ----------
    Thiem's well formula, Bear, Dynamics of Fluids in Porous Media (from memory).

    Examples
    --------
    >>> round(drain_pressure_pa(1000.0, 60.0, 100.0, 4.0, 20.0, 3.06e-11), 0)
    163.0
    """
    if not (burn_s > 0.0 and length_mm > 0.0 and radius_mm > 0.0 and permeability_m2 > 0.0):
        raise ValueError(
            f"drain_pressure_pa: {burn_s=}, {length_mm=}, {radius_mm=}, {permeability_m2=}"
        )
    swell = (HOT_GAS_C + KELVIN_AT_0_C) / (ROOM_C + KELVIN_AT_0_C)
    flow_m3_s = gas_at_room_ml * M3_PER_ML * swell / burn_s
    spread = math.log(max(half_mm / radius_mm, 1.0))
    return (
        HOT_GAS_VISCOSITY_PA_S
        * flow_m3_s
        * spread
        / (2.0 * math.pi * permeability_m2 * (length_mm / MM_PER_M))
    )
