"""The mold constant of an alloy in a sand, for bodies of any shape."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.records import Alloy, Job, Sand
from moldprep.thermal import chvorinov
from moldprep.thermal.solidify import pour_temperature_c
from moldprep.units import diffusivity_mm2_s

SILICA_STORAGE: Final = 0.941
"""k rho c of printed silica sand half way up, for which the alloys' constants are stated:
0.617 W/mK, 1400 kg/m³, 1089 J/kgK. [W²s/(mm⁴K²)]"""


@dataclass(frozen=True, kw_only=True)
class HeatedSand:
    """Sand as the freezing of an alloy heats it, its properties taken half way up.

    freezes_c : temperature the alloy acts as if it froze at
    step_k    : how far that is above the cold sand
    """

    freezes_c: float
    step_k: float
    conductivity_w_mk: float
    heat_j_kgk: float
    density_kg_m3: float

    @property
    def storage_j_m3k(self) -> float:
        """Heat capacity by volume."""
        return self.heat_j_kgk * self.density_kg_m3


def heated(sand: Sand, alloy: Alloy, job: Job) -> HeatedSand:
    """Return the sand of a job as an alloy heats it."""
    freezes = chvorinov.acts_at_c(alloy.solidus_c, alloy.liquidus_c)
    start = job.freezing.sand_c
    middle = 0.5 * (freezes + start)
    return HeatedSand(
        freezes_c=freezes,
        step_k=freezes - start,
        conductivity_w_mk=float(np.interp(middle, *np.asarray(sand.conductivity_w_mk).T)),
        heat_j_kgk=float(np.interp(middle, *np.asarray(sand.heat_j_kgk).T)),
        density_kg_m3=sand.density_kg_m3,
    )


def constant_of(shape: str, alloy: Alloy, sand: Sand, job: Job) -> float:
    """Return the mold constant of an alloy in a sand for bodies of a shape. [s/mm²]

    The alloy's figure is for plates in silica sand; other sands go inversely by their k rho c at
    the middle temperature, other shapes by the ratio that conduction into sand gives.
    """
    hot = heated(sand, alloy, job)
    superheat = max(pour_temperature_c(alloy, job) - hot.freezes_c, 0.0)
    liquid_heat = float(np.interp(alloy.liquidus_c, *np.asarray(alloy.heat_j_kgk).T))
    gives = alloy.density_kg_m3 * (alloy.latent_j_kg + liquid_heat * superheat)
    number = chvorinov.sand_number(hot.step_k, hot.storage_j_m3k, gives)
    storage = chvorinov.heat_storage(hot.conductivity_w_mk, hot.storage_j_m3k)
    in_silica = alloy.constant_s_mm2 * SILICA_STORAGE
    return in_silica / storage * chvorinov.shape_ratio(number, shape)


def own_constant(shape: str, alloy: Alloy, sand: Sand, job: Job) -> float:
    """Return the constant that the alloy's and the sand's own figures give. [s/mm²]

    Where `constant_of` starts from what was measured on castings in rammed sand, poured no hotter
    than usual, this one counts all heat above the temperature the alloy acts as if it froze at, of
    metal as dense as just after freezing, into this sand. It knows no contact resistance and no
    gradient within the metal, so a solve with both takes somewhat longer still.
    """
    hot = heated(sand, alloy, job)
    above = max(pour_temperature_c(alloy, job) - hot.freezes_c, 0.0)
    liquid_heat = float(np.interp(alloy.liquidus_c, *np.asarray(alloy.heat_j_kgk).T))
    dense = alloy.density_kg_m3 / (1.0 + alloy.shrink_pct / 100.0) ** 3
    gives = dense * (alloy.latent_j_kg + liquid_heat * above)
    number = chvorinov.sand_number(hot.step_k, hot.storage_j_m3k, gives)
    spread = diffusivity_mm2_s(hot.conductivity_w_mk, hot.density_kg_m3, hot.heat_j_kgk)
    return chvorinov.constant_s_mm2(number, spread, shape)
