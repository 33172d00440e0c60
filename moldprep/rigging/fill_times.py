"""Formulas of how long a cavity takes to fill, and a ladle to run out."""

import math

from moldprep.rigging.gating import falling_speed_m_s
from moldprep.units import G_M_S2, MM_PER_M


def fill_time_s(volume_mm3: float, area_mm2: float, head_mm: float) -> float:
    """Return the time to fill a cavity under a steady head.

    t = V / (A √(2 g h)).

    Parameters
    ----------
    volume_mm3
        Cavity, > 0. [mm³]
    area_mm2
        Area of the gate or choke, > 0. [mm²]
    head_mm
        Steady head, > 0; for bottom and parting gating an effective head. [mm]

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
    No losses but those counted into the area, see `gating.efficiency`; a basin kept full.

    References
    ----------
    A. Ghosh and A. K. Mallik, Manufacturing Science, ch. 2.

    Examples
    --------
    >>> round(fill_time_s(1e6, 100.0, 200.0), 2)
    5.05
    """
    if not (volume_mm3 > 0.0 and area_mm2 > 0.0 and head_mm > 0.0):
        raise ValueError(f"fill_time_s: {volume_mm3=}, {area_mm2=}, {head_mm=}")
    return volume_mm3 / (area_mm2 * falling_speed_m_s(head_mm) * MM_PER_M)


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
