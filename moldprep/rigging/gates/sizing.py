"""How much, how fast, through which areas: the numbers every automatic gating starts from."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from moldprep.records import Alloy, Job, Pattern, Rules, Survey
from moldprep.records.plan import FeederPlan, Reason
from moldprep.rigging import pour_times
from moldprep.rigging.gate_limits import gate_area_mm2
from moldprep.rigging.gating import (
    choke_area_mm2,
    efficiency,
    equivalent_head_mm,
    falling_speed_m_s,
)
from moldprep.units import MM_PER_M, mass_kg

RAO: Final = "P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding (from memory)"
CAMPBELL: Final = "J. Campbell, Complete Casting Handbook, rule 2 (from memory)"
PRACTICE: Final = "common practice, no source"

SPEED_RESERVE: Final = 1.02
"""Ingates are this much larger than the critical speed asks: no gate takes just its share. [-]"""

RUNNER_OVER_FOOT: Final = 1.5
"""Runners over the sprue's foot where the foot is the choke (common practice, no source). [-]"""

THIN_SHARE: Final = 0.45
"""Time the cavities may take to fill over the freezing time of the thinnest wall: a little under
the half that is judged, since the channels are not known so well (common practice, no source)."""

LEAST_FOOT_MM2: Final = 0.25 * math.pi * 10.0**2
"""Foot of the thinnest sprue: a narrower one freezes before its channels are full, and no tool
cleans it (common practice, no source). [mm²]"""

LEAST_GATES: Final = 0.3
"""Area of all ingates over the thinnest sprue's foot, at least: its channels are to be full before
the metal in them is cold (common practice, no source). [-]"""

UNIT_HEAD_MM: Final = 100.0
"""Any head: area times its root stays the same."""


@dataclass(frozen=True, kw_only=True)
class Shop:
    """Settings of the rule set that the layout uses; each has a default stated here. [mm]"""

    channel_wall_mm: float
    feeder_wall_mm: float
    head_mm: float
    min_head_mm: float
    spacing_mm: float

    @classmethod
    def of(cls, rules: Rules) -> "Shop":
        """Return the settings of a rule set; 25, 25, 200, 100 and 50 mm where it has none."""
        get = rules.settings.get
        return cls(
            channel_wall_mm=get("channel_wall_mm", 25.0),
            feeder_wall_mm=get("feeder_wall_mm", 25.0),
            head_mm=get("head_mm", 200.0),
            min_head_mm=get("min_head_mm", 100.0),
            spacing_mm=get("spacing_mm", 50.0),
        )


@dataclass(frozen=True, kw_only=True)
class Sizes:
    """The numbers of one gating system, all castings together.

    poured_kg    : castings and feeders
    head_mm      : metal level in the basin over the choke
    flow_mm3_s   : at the start, under the full head and without losses: the most it can be
    foot_mm2, runner_mm2, ingate_mm2 : total areas; the smallest is the choke
    """

    poured_kg: float
    pour_time_s: float
    head_mm: float
    flow_mm3_s: float
    choke_mm2: float
    foot_mm2: float
    runner_mm2: float
    ingate_mm2: float
    reasons: tuple[Reason, ...]


def mean_section_mm(survey: Survey) -> float:
    """Return the casting's mean section, twice its modulus. [mm]"""
    volume = sum(section.volume_mm3 for section in survey.sections)
    area = sum(section.cooled_area_mm2 for section in survey.sections)
    return 2.0 * volume / area


def pour_time_s(alloy: Alloy, poured_kg: float, section_mm: float) -> tuple[float, str, str]:
    """Return (pouring time [s], why, source) by the alloy's rule."""
    match alloy.pour_time_rule:
        case "steel":
            why = f"steel formula for {poured_kg:.1f} kg"
            return pour_times.steel_s(poured_kg), why, RAO
        case "grey-iron":
            why = f"grey-iron formula for {poured_kg:.1f} kg, mean section {section_mm:.1f} mm"
            return pour_times.grey_iron_s(poured_kg, section_mm), why, RAO
        case "ductile-iron":
            why = f"ductile-iron formula for {poured_kg:.1f} kg, mean section {section_mm:.1f} mm"
            return pour_times.ductile_iron_s(poured_kg, section_mm), why, RAO
        case "copper":
            return pour_times.copper_s(poured_kg), f"copper formula for {poured_kg:.1f} kg", RAO
    why = f"light-alloy formula for {poured_kg:.1f} kg, mean section {section_mm:.1f} mm"
    return pour_times.light_alloy_s(poured_kg, section_mm), why, "Dubitskii's form (from memory)"


@dataclass(frozen=True, kw_only=True)
class Pour:
    """What is poured in which time, and why."""

    poured_kg: float
    time_s: float
    why: str
    source: str

    def thinnest_head_mm(self, alloy: Alloy) -> float:
        """Return the head under which the thinnest sprue passes it in time. [mm]"""
        density, coefficient = alloy.density_liquid_kg_m3, efficiency(has_bends=True)
        area = choke_area_mm2(self.poured_kg, density, self.time_s, UNIT_HEAD_MM, coefficient)
        return UNIT_HEAD_MM * (area / LEAST_FOOT_MM2) ** 2


def cope_top_mm(
    pattern: Pattern,
    feeders: Sequence[FeederPlan],
    parting_mm: float,
    job: Job,
    shop: Shop,
    basin_mm: float,
    filter_mm: float,
    enough_mm: float,
) -> tuple[float, Reason]:
    """Return (height of the cope's top, why): head enough, every blind feeder covered.

    Parameters
    ----------
    basin_mm
        Depth of the basin.
    filter_mm
        Highest place of a filter's middle over the parting.
    enough_mm
        Head under which the thinnest sprue passes the metal in time: more head than that only
        asks for more metal, so the usual head is taken by castings that need a larger sprue.
    """
    if job.rigging.head_mm != "auto":
        top = parting_mm + job.rigging.head_mm + basin_mm
        return top, Reason(
            item="cope", why=f"sprue {job.rigging.head_mm:.0f} mm over the parting", source="job"
        )
    least, casting = shop.min_head_mm, float(pattern.solid.bounds[1, 2])
    covered = [f.at_mm[2] + f.height_mm + shop.feeder_wall_mm for f in feeders if not f.is_open]
    usual = f"usual sprue of {shop.head_mm:.0f} mm with the basin"
    passed = f"{enough_mm:.0f} mm of sprue pass the metal in time through its thinnest foot"
    options = [
        (parting_mm + shop.head_mm + basin_mm, usual)
        if shop.head_mm <= enough_mm
        else (parting_mm + enough_mm + basin_mm, passed),
        (casting + least, f"{least:.0f} mm of head over the casting"),
        (parting_mm + filter_mm + least, f"{least:.0f} mm of head over the filter, to prime it"),
    ]
    options += [(z, f"{shop.feeder_wall_mm:.0f} mm of sand over blind feeders") for z in covered]
    top, why = max(options)
    return top, Reason(item="cope", why=f"top at {top:.0f} mm: {why}", source="rule set")


def full_by_s(survey: Survey, alloy: Alloy) -> float:
    """Return when thin walls are to be full: well before metal of their thickness freezes. [s]"""
    return THIN_SHARE * alloy.constant_s_mm2 * (0.5 * survey.run_wall_mm) ** 2


def asked_pour(
    survey: Survey,
    pattern: Pattern,
    feeders: Sequence[FeederPlan],
    count: int,
    job: Job,
    alloy: Alloy,
    slower: float = 1.0,
) -> Pour:
    """Return what `count` castings with these feeders each take, and in which time.

    `slower` lengthens the handbook's time where its flow needs more ingate than the casting takes.
    """
    feeder_mm3 = sum(math.pi / 4.0 * f.diameter_mm**2 * f.height_mm for f in feeders)
    one_mm3 = pattern.solid.volume_mm3 + feeder_mm3
    poured_kg = count * mass_kg(one_mm3, alloy.density_liquid_kg_m3)
    time_s, why, source = pour_time_s(alloy, poured_kg, mean_section_mm(survey))
    thin_s = full_by_s(survey, alloy)
    if time_s > thin_s:
        time_s = thin_s
        why += f", but walls of {survey.run_wall_mm:.1f} mm ask for less: they are to be full well"
        why += " before metal of their thickness freezes"
    if slower > 1.0:
        time_s *= slower
        why += f", x {slower:g}: ingates small enough find room, and metal enough before their jets"
    if job.rigging.pour_time_s != "auto":
        time_s, why, source = job.rigging.pour_time_s, "as the job says", "job"
    return Pour(poured_kg=poured_kg, time_s=time_s, why=why, source=source)


def size_gating(
    survey: Survey,
    pattern: Pattern,
    feeders: Sequence[FeederPlan],
    count: int,
    choke_z_mm: float,
    top_mm: float,
    job: Job,
    alloy: Alloy,
    slower: float = 1.0,
) -> Sizes:
    """Return pouring time, choke and areas for `count` castings with these feeders each."""
    pour = asked_pour(survey, pattern, feeders, count, job, alloy, slower)
    poured_kg, time_s = pour.poured_kg, pour.time_s
    bounds = pattern.solid.bounds
    highest = max([bounds[1, 2], *(f.at_mm[2] + f.height_mm for f in feeders)])
    height = float(highest - bounds[0, 2])
    head_mm = top_mm - choke_z_mm
    above = min(max(float(highest) - choke_z_mm, 0.0), height, head_mm)
    effective = equivalent_head_mm(head_mm, height, above)
    coefficient = efficiency(has_bends=True)
    choke = choke_area_mm2(poured_kg, alloy.density_liquid_kg_m3, time_s, effective, coefficient)
    flow = choke * falling_speed_m_s(head_mm) * MM_PER_M
    foot, runner, ingate, ratio_why = _areas(job, alloy, choke, flow)
    reasons = (
        Reason(item="pour-time", why=f"{time_s:.1f} s: {pour.why}", source=pour.source),
        Reason(
            item="choke",
            why=f"{choke:.0f} mm² passes {poured_kg:.1f} kg in {time_s:.1f} s under an equivalent"
            f" head of {effective:.0f} mm at a discharge coefficient of {coefficient:.2f}",
            source=RAO,
        ),
        ratio_why,
    )
    sizes = Sizes(
        poured_kg=poured_kg, pour_time_s=time_s, head_mm=head_mm,
        flow_mm3_s=flow, choke_mm2=choke, foot_mm2=foot, runner_mm2=runner, ingate_mm2=ingate,
        reasons=reasons,
    )  # fmt: skip
    return _with_least_foot(sizes, alloy)


def _with_least_foot(sizes: Sizes, alloy: Alloy) -> Sizes:
    """Return sizes whose sprue can be cleaned and runs before it freezes, for tiny castings."""
    if sizes.foot_mm2 >= LEAST_FOOT_MM2:
        return sizes
    foot = LEAST_FOOT_MM2
    flow = foot / sizes.choke_mm2 * sizes.flow_mm3_s
    calm = SPEED_RESERVE * gate_area_mm2(flow, alloy.critical_speed_m_s)
    ingate = max(sizes.ingate_mm2, calm, LEAST_GATES * foot)
    choke = min(foot, ingate)
    why = Reason(
        item="sprue",
        why=f"foot of {foot:.0f} mm² instead of {sizes.foot_mm2:.0f} mm²: a thinner sprue freezes"
        " before it has filled the channels. Several castings round one sprue (mold.count) use it"
        " better",
        source=PRACTICE,
    )
    return replace(
        sizes, foot_mm2=foot, choke_mm2=choke, ingate_mm2=ingate,
        pour_time_s=sizes.pour_time_s * sizes.choke_mm2 / choke,
        flow_mm3_s=choke / sizes.choke_mm2 * sizes.flow_mm3_s,
        runner_mm2=max(sizes.runner_mm2, RUNNER_OVER_FOOT * foot), reasons=(*sizes.reasons, why),
    )  # fmt: skip


def with_less_ingate(sizes: Sizes, share: float, alloy: Alloy) -> Sizes:
    """Return sizes with only a share of the ingates' area, and why, for castings without walls."""
    if share == 1.0:
        return sizes
    ingate = share * sizes.ingate_mm2
    why = Reason(
        item="ingate",
        why=f"{ingate:.0f} of the {sizes.ingate_mm2:.0f} mm² asked for: no wall has room for more;"
        f" the metal enters faster for it, {alloy.critical_speed_m_s} m/s is the alloy's limit",
        source="geometry",
    )
    choke = min(sizes.choke_mm2, ingate)
    throttled = choke / sizes.choke_mm2
    return replace(
        sizes, ingate_mm2=ingate, choke_mm2=choke, pour_time_s=sizes.pour_time_s / throttled,
        flow_mm3_s=throttled * sizes.flow_mm3_s, reasons=(*sizes.reasons, why),
    )  # fmt: skip


def _areas(
    job: Job, alloy: Alloy, choke_mm2: float, flow_mm3_s: float
) -> tuple[float, float, float, Reason]:
    """Return total areas of sprue foot, runners and ingates, and why."""
    ratio = alloy.ratio if job.rigging.ratio == "auto" else job.rigging.ratio
    foot, runner, ingate = (choke_mm2 * part / min(ratio) for part in ratio)
    shown = " : ".join(f"{part:g}" for part in ratio)
    if job.rigging.ratio != "auto":
        return foot, runner, ingate, Reason(item="ratio", why=f"{shown}, job", source="job")
    calm = SPEED_RESERVE * gate_area_mm2(flow_mm3_s, alloy.critical_speed_m_s)
    if ingate >= calm:
        why = f"{shown} for {alloy.title}; keeps the ingates under {alloy.critical_speed_m_s} m/s"
        return foot, runner, ingate, Reason(item="ratio", why=why, source=RAO)
    runner = choke_mm2 * max(RUNNER_OVER_FOOT, ratio[1] / ratio[0])
    why = (
        f"{shown} would let metal in faster than {alloy.critical_speed_m_s} m/s; the ingates are"
        f" widened to {calm:.0f} mm² and the sprue's foot becomes the choke"
    )
    return choke_mm2, runner, calm, Reason(item="ratio", why=why, source=CAMPBELL)
