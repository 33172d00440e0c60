"""How large one feeder must be: by modulus, by volume, and higher than what it feeds."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from moldprep.records import Alloy, FeederPlan, Job, Section
from moldprep.rigging.feed_reach import modulus_chain_mm
from moldprep.rigging.feed_volume import EFFICIENCY, PIPE_KEPT, feeder_volume_needed_mm3
from moldprep.rigging.feeders import MODULUS_GAIN, Sleeve, feeder_diameter_mm, feeder_volume_mm3
from moldprep.thermal.feedpairs import demand_pct

HEIGHT_RATIOS: Final = {"top": (1.5,), "side": (1.0, 1.25, 1.5)}
"""H / D that are tried; D to 1.5 D is usual for closed feeders (SFSA, AFS). A top feeder as low as
it is wide has its heat at its foot, and its pipe ends in the casting."""

SLEEVES: Final[tuple[Sleeve, ...]] = ("none", "insulating")
SLEEVE_PAYS: Final = 0.5
"""A sleeve comes first where feed metal decides and it makes do with this share of a plain feeder
(common practice, no source)."""
LEAST_SLEEVE_MM: Final = 25.0
"""Inside diameter of the smallest sleeve that is sold (common practice, no source)."""

ROUND_MM: Final = 1.0
"""Sizes are rounded up to this."""

ROUNDS: Final = 12
"""Each round changes the diameter by less than a third of the last change."""


@dataclass(frozen=True, kw_only=True)
class FeederSize:
    """Diameter and height, and what decided them: "modulus", "volume" or "height"."""

    diameter_mm: float
    height_mm: float
    decided_by: str
    neck_modulus_mm: float
    modulus_mm: float
    volume_needed_mm3: float

    @property
    def volume_mm3(self) -> float:
        """Metal in the feeder. [mm³]"""
        return feeder_volume_mm3(self.diameter_mm, self.height_mm, is_domed=True)


def pipe_allowed(alloy: Alloy, demand: float, *, has_sleeves: bool) -> float:
    """Return how far down to its neck a feeder's pipe may go: less than all where the yield bears.

    The yield is that of a casting and the feed metal it asks for by the volume rule, in percent
    as `demand` is.
    """
    efficiency = PIPE_KEPT * EFFICIENCY["insulating" if has_sleeves else "plain"]
    if not demand / 100.0 < PIPE_KEPT * EFFICIENCY["plain"]:
        return 1.0
    feeders = feeder_volume_needed_mm3(1.0, demand, efficiency)
    return PIPE_KEPT if 100.0 / (1.0 + feeders) >= alloy.yield_pct[0] else 1.0


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
    ground_mm2: float = 0.0,
    lowest_top_mm: float = 0.0,
    sleeve: Sleeve = "none",
    keeps: float = 1.0,
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
    ground_mm2
        Upward surface of the section that the foot can cover, 0 for a side feeder. [mm²]
    lowest_top_mm
        Its top must be at least this far above its foot. [mm]
    sleeve
        Kind of sleeve.
    keeps
        How far down to its neck its pipe may go, over the whole way.
    """
    efficiency = keeps * EFFICIENCY["plain" if sleeve == "none" else sleeve]
    needed = feeder_volume_needed_mm3(feeds_mm3, demand_pct, efficiency)
    tried = []
    for ratio in HEIGHT_RATIOS["top" if kind == "top" else "side"]:
        by_modulus, neck, modulus = _by_modulus(
            section, factor, neck_factor, ratio, ground_mm2, gain=MODULUS_GAIN[sleeve]
        )
        by_volume = math.cbrt(needed / feeder_volume_mm3(1.0, ratio, is_domed=True))
        diameter = _rounded(max(by_modulus, by_volume))
        height = _rounded(max(ratio * diameter, lowest_top_mm))
        why = "volume" if by_volume > by_modulus else "modulus"
        if lowest_top_mm > ratio * diameter:
            why = "height"
        volume = feeder_volume_mm3(diameter, height, is_domed=True)
        tried.append((volume, ratio, diameter, height, why, neck, modulus))
    _, _, diameter, height, why, neck, modulus = min(tried)
    return FeederSize(
        diameter_mm=diameter,
        height_mm=height,
        decided_by=why,
        neck_modulus_mm=neck,
        modulus_mm=modulus,
        volume_needed_mm3=needed,
    )


def scaled(feeder: FeederPlan, factor: float) -> FeederPlan:
    """Return a feeder larger or smaller all round; one beside keeps its distance to the casting."""
    diameter = float(math.ceil(feeder.diameter_mm * factor))
    resized = replace(
        feeder,
        diameter_mm=diameter,
        height_mm=float(math.ceil(feeder.height_mm * factor)),
        neck_width_mm=round(feeder.neck_width_mm * factor, 1),
    )
    return moved_out(resized, 0.5 * (diameter - feeder.diameter_mm))


def moved_out(feeder: FeederPlan, by_mm: float) -> FeederPlan:
    """Return a feeder beside farther from the casting, its neck longer; one on top as it is."""
    if feeder.kind != "side":
        return feeder
    x, y, z = feeder.at_mm
    out = np.array([x, y]) - np.array(feeder.neck_to_mm[:2])
    x, y = (np.array([x, y]) + by_mm * out / max(float(np.linalg.norm(out)), 1e-9)).tolist()
    return replace(feeder, at_mm=(round(x, 3), round(y, 3), z))


def _by_modulus(
    section: Section,
    factor: float,
    neck_factor: float,
    ratio: float,
    ground_mm2: float,
    *,
    gain: float,
) -> tuple[float, float, float]:
    """Return the diameter that has the modulus, and the moduli of neck and feeder. [mm]

    The foot of a top feeder covers part of the section, which then no longer cools there: the
    section's modulus grows with the foot, so the two are found together. A long section feels
    it only near the foot; there half the foot is counted, for heat also leaves sideways.
    """
    most = min(ground_mm2, 0.5 * section.cooled_area_mm2)
    diameter, ends = 0.0, 1 if ground_mm2 > 0.0 else 2
    for _ in range(ROUNDS):
        covered = min(math.pi / 4.0 * diameter**2, most)
        whole = covered / section.cooled_area_mm2
        near = 0.5 * min(section.modulus_mm / max(section.thickness_mm, 1e-9), 0.5)
        grown = section.modulus_mm / (1.0 - max(whole, near if covered else 0.0))
        neck, modulus = modulus_chain_mm(grown, neck_factor, factor)
        diameter = feeder_diameter_mm(modulus, ratio, cooled_ends=ends, is_domed=True, gain=gain)
    return diameter, neck, modulus


def _rounded(size_mm: float) -> float:
    """Return a size rounded up. [mm]"""
    return float(-(-round(size_mm, 6) // ROUND_MM) * ROUND_MM)


class Sizer:
    """Sizes feeders for the sections of one pattern."""

    def __init__(self, job: Job, alloy: Alloy, ground_mm2: Callable[[str], float]) -> None:
        """Take the rules, and what tells how much of a section is seen from above [mm²]."""
        self._alloy, self._ground_mm2 = alloy, ground_mm2
        self._factor = wanted_factor(job, alloy)
        self._has_sleeves = job.feeding.sleeves != "none"
        self.demand = demand_pct(alloy)
        self._keeps = pipe_allowed(alloy, self.demand, has_sleeves=self._has_sleeves)

    def sized(
        self,
        section: Section,
        feeds_mm3: float,
        kind: str,
        low: float = 0.0,
        sleeve: Sleeve = "none",
        neck_mm: float = 0.0,
    ) -> FeederSize:
        """Return the size of a feeder for a section; `low` is how high it must be at least. [mm]

        One on top of a neck covers no more of the section than the neck, `neck_mm` wide.
        """
        ground = self._ground_mm2(section.name) if kind == "top" else 0.0
        if neck_mm > 0.0:
            ground = min(ground, math.pi / 4.0 * neck_mm**2)
        return size_feeder(
            section,
            feeds_mm3,
            self.demand,
            self._factor,
            self._alloy.neck_factor,
            kind=kind,
            ground_mm2=ground,
            lowest_top_mm=low,
            sleeve=sleeve,
            keeps=self._keeps,
        )

    def sleeves(self, section: Section, feeds_mm3: float) -> tuple[Sleeve, ...]:
        """Return the kinds of sleeve to try, in this order."""
        if not self._has_sleeves:
            return SLEEVES[:1]
        return SLEEVES[::-1] if self.sleeve_pays(section, feeds_mm3) else SLEEVES

    def sleeve_pays(self, section: Section, feeds_mm3: float) -> bool:
        """Return whether a sleeve saves so much metal that it comes before a plain feeder."""
        if not self._has_sleeves:
            return False
        plain, sleeved = (
            self.sized(section, feeds_mm3, "top", sleeve=sleeve) for sleeve in SLEEVES
        )
        pays = plain.decided_by == "volume"
        pays &= sleeved.volume_mm3 <= SLEEVE_PAYS * plain.volume_mm3
        return pays and sleeved.diameter_mm >= LEAST_SLEEVE_MM
