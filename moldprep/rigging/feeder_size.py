"""How large one feeder must be: by modulus, by volume, and higher than what it feeds."""

from dataclasses import dataclass
from typing import Final

from moldprep.records import Alloy, Job, Section
from moldprep.rigging.feeders import (
    EFFICIENCY,
    MODULUS_GAIN,
    Sleeve,
    feeder_diameter_mm,
    feeder_volume_mm3,
    feeder_volume_needed_mm3,
    modulus_chain_mm,
)

HEIGHT_RATIOS: Final = (1.0, 1.25, 1.5)
"""H / D that are tried; D to 1.5 D is usual for closed feeders (SFSA, AFS)."""

ROUND_MM: Final = 1.0
"""Sizes are rounded up to this."""


@dataclass(frozen=True, kw_only=True)
class FeederSize:
    """Diameter and height, and what decided them: "modulus", "volume" or "height"."""

    diameter_mm: float
    height_mm: float
    decided_by: str
    neck_modulus_mm: float
    modulus_mm: float
    volume_needed_mm3: float


def wanted_factor(job: Job, alloy: Alloy) -> float:
    """Return the feeder's modulus over the section's: the job's, or the alloy's. [-]"""
    factor = job.feeding.modulus_factor
    return alloy.modulus_factor if factor == "auto" else float(factor)


def size_feeder(
    section: Section,
    feeds_mm3: float,
    demand_pct: float,
    factor: float,
    neck_factor: float,
    *,
    kind: str,
    lowest_top_mm: float = 0.0,
    sleeve: Sleeve = "none",
) -> FeederSize:
    """Return the smallest closed (domed) feeder that meets modulus, volume and height.

    Parameters
    ----------
    section
        The section it stands on.
    feeds_mm3
        Volume of everything it serves. [mm³]
    demand_pct
        What feeders must make up for. [%]
    factor
        Feeder modulus over section modulus. [-]
    neck_factor
        Neck modulus over section modulus. [-]
    kind
        "top": the foot does not cool; "side": all faces cool.
    lowest_top_mm
        Its top must be at least this far above its foot. [mm]
    sleeve
        Kind of sleeve.
    """
    neck, modulus = modulus_chain_mm(section.modulus_mm, neck_factor, factor)
    efficiency = EFFICIENCY["plain" if sleeve == "none" else sleeve]
    needed = feeder_volume_needed_mm3(feeds_mm3, demand_pct, efficiency)
    ends = 1 if kind == "top" else 2
    tried = []
    for ratio in HEIGHT_RATIOS:
        by_modulus = feeder_diameter_mm(
            modulus, ratio, cooled_ends=ends, is_domed=True, gain=MODULUS_GAIN[sleeve]
        )
        unit = feeder_volume_mm3(1.0, ratio, is_domed=True)
        by_volume = (needed / unit) ** (1.0 / 3.0)
        diameter = _rounded(max(by_modulus, by_volume))
        height = _rounded(max(ratio * diameter, lowest_top_mm))
        why = "volume" if by_volume > by_modulus else "modulus"
        if lowest_top_mm > ratio * diameter:
            why = "height"
        volume = feeder_volume_mm3(diameter, height, is_domed=True)
        tried.append((volume, ratio, diameter, height, why))
    _, _, diameter, height, why = min(tried)
    return FeederSize(
        diameter_mm=diameter,
        height_mm=height,
        decided_by=why,
        neck_modulus_mm=neck,
        modulus_mm=modulus,
        volume_needed_mm3=needed,
    )


def _rounded(size_mm: float) -> float:
    """Return a size rounded up. [mm]"""
    return float(-(-round(size_mm, 6) // ROUND_MM) * ROUND_MM)
