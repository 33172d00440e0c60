"""Cooling: what metal loses to cold sand on its way."""

import numpy as np

from moldprep.geometry.solid import Floats
from moldprep.records import Alloy
from moldprep.units import MM2_PER_M2, MM_PER_M, ROOM_C


def cooling_k(stay_s: Floats, modulus_mm: Floats, alloy: Alloy) -> Floats:
    """Return the temperature metal loses in a channel or a thin wall while it stays there.

    The heat goes through the contact resistance and then into cold sand, in series. The sand's
    share follows from Chvorinov's constant: all heat, superheat and latent, is gone at C M².

    Parameters
    ----------
    stay_s
        How long the metal is there. [s]
    modulus_mm
        Section over cooled girth. [mm]
    alloy
        The metal.

    Returns
    -------
    NDArray
        Temperature lost, while it is still liquid. [K]

    Notes
    -----
    A first estimate for the first metal: it takes the sand as cold on arrival, and the metal's
    own temperature as even over the section. Good to perhaps a third.

    References
    ----------
    M. C. Flemings, Solidification Processing, McGraw-Hill (1974), ch. 1 (from memory).
    """
    heat = float(np.interp(alloy.liquidus_c, *np.array(alloy.heat_j_kgk).T))
    pour_c = alloy.pour_c
    whole_j_m3 = alloy.density_liquid_kg_m3 * (
        alloy.latent_j_kg + heat * max(pour_c - alloy.liquidus_c, 0.0)
    )
    drive_k = pour_c - ROOM_C
    root_s_m = np.sqrt(alloy.constant_s_mm2 * MM2_PER_M2 * np.maximum(stay_s, 1e-12))
    sand_m2k_w = drive_k * root_s_m / whole_j_m3
    joules_m2 = drive_k * stay_s / (alloy.contact_m2k_w + sand_m2k_w)
    depth_m = modulus_mm / MM_PER_M
    lost: Floats = joules_m2 / (alloy.density_liquid_kg_m3 * heat * depth_m)
    return lost
