"""How thick the sand around the metal must be: for heat, for pressure, and by shop habit."""

import math
from dataclasses import dataclass

import numpy as np

from moldprep.records import Alloy, Job, Rigging, Role, Sand
from moldprep.units import PA_PER_MPA, ROOM_C, diffusivity_mm2_s, mass_kg, pressure_pa

SAFETY = 3.0
"""Bend strength over working stress of a sand wall; common practice, no source."""
SMALL_KG = 5.0
"""A casting lighter than this may have the thinnest shop wall; common practice, no source."""
BOTTOM_FACTOR = 1.5
"""Sand below the metal over sand beside it; common practice, no source."""


RIB_STEP_MM = 120.0
"""Largest distance between two ribs of a contoured mold; common practice, no source."""
THINNEST_SHELL_MM = 20.0
"""Thinnest wall of a contoured mold, for handling; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class Walls:
    """Sand around the metal, in mm, and why."""

    side_mm: float
    top_mm: float
    bottom_mm: float
    reason: str


def heat_depth_mm(diffusivity_mm2_s: float, time_s: float) -> float:
    """Return how deep a hot face warms the sand by 5 % of its own rise.

    x = 2 erfc⁻¹(0.05) sqrt(a t) = 2.77 sqrt(a t)

    Parameters
    ----------
    diffusivity_mm2_s
        Thermal diffusivity a of the sand, > 0. [mm²/s]
    time_s
        Time the face is hot, for a casting its freezing time, > 0. [s]

    Returns
    -------
    float
        Depth. [mm]

    Raises
    ------
    ValueError
        If an argument is not above zero.

    Notes
    -----
    Holds for a flat face at constant temperature on sand that is thicker than this depth;
    an inner corner warms deeper, an outer one less.

    References
    ----------
    H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd ed., Oxford 1959, section 2.4
    (from memory).

    Examples
    --------
    Steel of modulus 10 mm (C = 2.2 min/cm² = 1.32 s/mm²) warms sand of 0.4 mm²/s to 2 M:

    >>> round(heat_depth_mm(0.4, 1.32 * 10.0**2), 1)
    20.1
    """
    if not (diffusivity_mm2_s > 0.0 and time_s > 0.0):
        raise ValueError(f"heat_depth_mm: {diffusivity_mm2_s=}, {time_s=}")
    return 2.772 * math.sqrt(diffusivity_mm2_s * time_s)


def panel_thickness_mm(
    span_mm: float, head_mm: float, density_kg_m3: float, strength_mpa: float, factor: float
) -> float:
    """Return the thickness of a flat sand wall that bears the head of metal behind it.

    t = a sqrt(0.308 rho g h n / s)

    Parameters
    ----------
    span_mm
        Side a of the square panel, clamped all round, > 0. [mm]
    head_mm
        Head h of metal at the panel, > 0. [mm]
    density_kg_m3
        Density rho of the liquid metal, > 0. [kg/m³]
    strength_mpa
        Bend strength s of the cured sand, > 0. [MPa]
    factor
        Strength over working stress n, >= 1. [-]

    Returns
    -------
    float
        Thickness. [mm]

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Thin-plate theory: exact for t under about a tenth of a, on the safe side above (a thick wall
    carries part of the load as an arch). A wall bedded in a flask needs less.

    References
    ----------
    W. C. Young, R. G. Budynas, Roark's Formulas for Stress and Strain, 7th ed., table 11.4 case 8a,
    square plate: 0.3078 (from memory).

    Examples
    --------
    >>> round(panel_thickness_mm(300.0, 300.0, 7000.0, 2.0, 3.0), 1)
    29.3
    """
    if not (min(span_mm, head_mm, density_kg_m3, strength_mpa) > 0.0 and factor >= 1.0):
        raise ValueError(f"panel_thickness_mm: {span_mm=}, {head_mm=}, {strength_mpa=}, {factor=}")
    load_mpa = pressure_pa(head_mm, density_kg_m3) / PA_PER_MPA
    return span_mm * math.sqrt(0.308 * load_mpa * factor / strength_mpa)


def choose_walls(rigging: Rigging, job: Job, alloy: Alloy, sand: Sand) -> Walls:
    """Return the walls: what the job says, else the thickest of what heat, head and habit ask.

    A contoured mold goes by heat and head alone, the head on a panel between two ribs.
    """
    heat = heat_depth_mm(sand_diffusivity_mm2_s(sand, alloy), _freezing_time_s(rigging, alloy))
    is_contour = job.mold.form == "contour"
    span, head = _panel(rigging)
    span = min(span, RIB_STEP_MM) if is_contour else span
    strength = panel_thickness_mm(
        span, head, alloy.density_liquid_kg_m3, sand.bend_strength_mpa, SAFETY
    )
    low, high = alloy.mold_wall_mm
    casting = sum(body.solid.volume_mm3 for body in rigging.castings)
    habit = low if mass_kg(casting, alloy.density_kg_m3) < SMALL_KG else 0.5 * (low + high)
    if is_contour:
        habit = THINNEST_SHELL_MM
    # A wall that only the head asks for may be bedded in a flask: not above the shop's high value.
    wanted = math.ceil(max(heat, habit, min(strength, high)))
    side = wanted if job.mold.wall_mm == "auto" else job.mold.wall_mm
    top = side if job.mold.top_mm == "auto" else job.mold.top_mm
    bottom = BOTTOM_FACTOR * side if job.mold.bottom_mm == "auto" else job.mold.bottom_mm
    reason = (
        f"wall {side:.0f} mm: heat asks {heat:.0f}, head on a {span:.0f} mm panel asks"
        f" {strength:.0f}, shop habit {habit:.0f} (common practice, no source)"
        + ("" if job.mold.wall_mm == "auto" else "; the job decides")
    )
    return Walls(side_mm=side, top_mm=top, bottom_mm=bottom, reason=reason)


def sand_diffusivity_mm2_s(sand: Sand, alloy: Alloy) -> float:
    """Return the sand's diffusivity half way between room and the metal's solidus. [mm²/s]"""
    middle_c = 0.5 * (ROOM_C + alloy.solidus_c)
    k = float(np.interp(middle_c, *np.transpose(sand.conductivity_w_mk)))
    heat = float(np.interp(middle_c, *np.transpose(sand.heat_j_kgk)))
    return diffusivity_mm2_s(k, sand.density_kg_m3, heat)


def _freezing_time_s(rigging: Rigging, alloy: Alloy) -> float:
    """Return C M² of the heaviest body: whole castings and feeders, volume over surface."""
    moduli = [
        body.solid.volume_mm3 / body.solid.area_mm2
        for body in rigging.of_role(Role.CASTING, Role.FEEDER)
    ]
    return alloy.constant_s_mm2 * max(moduli) ** 2


def _panel(rigging: Rigging) -> tuple[float, float]:
    """Return (shorter side of the largest wall panel beside a casting, head on its middle). [mm]"""
    bounds = np.array([body.solid.bounds for body in rigging.castings])
    size = (bounds[:, 1] - bounds[:, 0]).max(axis=0)
    span = min(max(size[0], size[1]), size[2])
    top = max(body.solid.bounds[1, 2] for body in rigging.metal)
    low = bounds[:, 0, 2].min()
    return float(span), float(max(top - low - 0.5 * size[2], 0.5 * size[2]))
