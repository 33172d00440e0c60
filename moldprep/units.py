"""The only conversion factors, and the room. Lengths are mm inside; the rest is SI with °C."""

from typing import Final

MM_PER: Final = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "ft": 304.8,
    "um": 1e-3,
}
"""Length of one unit. [mm]"""

G_M_S2: Final = 9.80665
"""Standard gravity (BIPM, The International System of Units, 9th ed.). [m/s²]"""

MM3_PER_M3: Final = 1e9
MM2_PER_M2: Final = 1e6
MM_PER_M: Final = 1e3
M3_PER_ML: Final = 1e-6
MM3_PER_CM3: Final = 1e3
PA_PER_MPA: Final = 1e6
KELVIN_AT_0_C: Final = 273.15

ROOM_C: Final = 25.0
"""Air, sand and what lies in it before pouring, where nothing else is said: the reference
temperature of property tables (298.15 K). [°C]"""


def mass_kg(volume_mm3: float, density_kg_m3: float) -> float:
    """Return the mass of a volume. [kg]

    Examples
    --------
    >>> mass_kg(1e6, 7000.0)
    7.0
    """
    return volume_mm3 / MM3_PER_M3 * density_kg_m3


def diffusivity_mm2_s(conductivity_w_mk: float, density_kg_m3: float, heat_j_kgk: float) -> float:
    """Return k / (rho c). [mm²/s]

    Examples
    --------
    >>> round(diffusivity_mm2_s(0.6, 1500.0, 1100.0), 6)
    0.363636
    """
    return conductivity_w_mk / (density_kg_m3 * heat_j_kgk) * MM2_PER_M2


def pressure_pa(head_mm: float, density_kg_m3: float) -> float:
    """Return the pressure under a head of liquid. [Pa]

    Examples
    --------
    >>> round(pressure_pa(100.0, 7000.0), 1)
    6864.7
    """
    return head_mm / MM_PER_M * density_kg_m3 * G_M_S2
