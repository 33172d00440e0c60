"""What the handbooks say beside what was computed: a second opinion for a founder to weigh.

None of these decides anything: the network and the heat solve know more than a rule. Where a
rule and a computed value are far apart, one of them does not hold for this casting.
"""

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import (
    Alloy,
    Feeding,
    FeedPair,
    FlowGraph,
    Job,
    Metal,
    Rigging,
    RiggingPlan,
    Sand,
)
from moldprep.results import Results
from moldprep.rigging.feed_reach import LONGEST_NECK, side_neck_mm
from moldprep.rigging.feed_volume import CAINE, caine_diameter_mm, caine_freezing_ratio
from moldprep.rigging.fill_times import fill_time_s, ladle_flow_mm3_s, ladle_time_s
from moldprep.rigging.gate_limits import critical_speed_m_s
from moldprep.rigging.gating import effective_head_mm, efficiency
from moldprep.thermal.chvorinov import constant_s_mm2, sand_number
from moldprep.thermal.feedpairs import demand_pct
from moldprep.thermal.mold_constant import constant_of, heated
from moldprep.units import diffusivity_mm2_s

RAO: Final = "P. N. Rao, Manufacturing Technology: Foundry, Forming and Welding (from memory)"
NOZZLE: Final = 0.96
"""Discharge of a rounded ladle nozzle; A. Ghosh, A. K. Mallik, Manufacturing Science, ex. 2.3."""

CAINE_NAME: Final = {
    "steel": "steel",
    "aluminium": "aluminium",
    "copper": "copper",
    "grey-iron": "grey-iron",
}
"""Which of Caine's curves an alloy's family takes; ductile iron has none of this form."""


# ---- pouring ------------------------------------------------------------------------------


@check(
    id="gating/pour-time-near-choke-formula",
    why="Where the choke alone does not set the time, something else does: look for it.",
    source="choke formula with the effective head h - p²/2c, " + RAO + "; the factor let pass: "
    "common practice, no source",
    limit=2.0,
    miss=Verdict.WARN,
)
def pour_time_near_choke_formula(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the filling of the cavities with what the measured choke passes by the handbook."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    if not math.isfinite(flow.pour_time_s) or not flow.mouths:
        yield passed_over("the mold does not fill")
        return
    bounds = np.array([body.solid.bounds for body in rigging.castings])
    low, top = float(bounds[:, 0, 2].min()), float(bounds[:, 1, 2].max())
    gate = min(mouth.at_mm[2] for mouth in flow.mouths)
    above = min(max(top - gate, 0.0), top - low)
    head = effective_head_mm(flow.source_mm - gate, top - low, above)
    is_foot = flow.ratio_mm2[0] <= min(flow.ratio_mm2) * (1.0 + 1e-6)
    share = efficiency(has_bends=True, is_tapered=is_foot)
    volume = sum(float(course.volume_mm3[-1]) for course in flow.cavities)
    formula = fill_time_s(volume, share * flow.bottleneck_mm2, head)
    cavity = flow.pour_time_s - flow.prime_s
    times = max(cavity / formula, formula / cavity)
    yield judged(
        times <= limit,
        f"cavities fill in {cavity:.1f} s; {flow.bottleneck_mm2:.0f} mm² under an effective head "
        f"of {head:.0f} mm at a discharge of {share:.2f} pass them in {formula:.1f} s",
        value=times,
        part=flow.bottleneck[0] if flow.bottleneck else "",
        at_mm=flow.bottleneck_at_mm,
        remedy="look for a second narrow place, a filter, or gates that are hardly under metal",
    )


@check(
    id="gating/critical-speed-near-theory",
    why="The speed a metal may enter at follows from its surface tension and density.",
    source="2 (gamma g / rho)^¼, J. Campbell, Complete Casting Handbook, rule 2 (from memory); the "
    "spread let pass: common practice, no source",
    limit=1.25,
    miss=Verdict.WARN,
)
def critical_speed_near_theory(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the critical speed in the alloy's file with the formula."""
    alloy = results.need(Alloy)
    if not results.need(FlowGraph).cavities:
        yield passed_over("no metal flows")
        return
    theory = critical_speed_m_s(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    times = max(alloy.critical_speed_m_s / theory, theory / alloy.critical_speed_m_s)
    yield judged(
        times <= limit,
        f"{alloy.id}: {alloy.critical_speed_m_s:.2f} m/s in its file, {theory:.2f} m/s by its "
        "surface tension and density",
        value=times,
        remedy="look at critical_speed_m_s and surface_tension_n_m in the alloy's file",
    )


@check(
    id="gating/ladle-keeps-up",
    why="A ladle that gives less than the sprue takes lets the basin run down and draws in air.",
    source="flow out of a bottom-pour ladle: A. Ghosh, A. K. Mallik, Manufacturing Science, "
    "ex. 2.3",
    limit=1.0,
    miss=Verdict.WARN,
)
def ladle_keeps_up(results: Results, limit: float) -> Iterator[Finding]:
    """Compare what the nozzle gives at the end of the pour with the most the mold takes."""
    ladle, flow = results.need(Job).ladle, results.need(FlowGraph)
    if ladle.nozzle_mm is None or ladle.diameter_mm is None or ladle.level_mm is None:
        yield passed_over("no bottom-pour ladle in the job, see [ladle]")
        return
    takes = sum(float(course.flow_mm3_s.max()) for course in flow.cavities)
    if not takes > 0.0:
        yield passed_over("no metal flows")
        return
    poured = results.need(Metal).solid.volume_mm3
    left = ladle.level_mm - poured / (math.pi / 4.0 * ladle.diameter_mm**2)
    if left <= 0.0:
        yield judged(
            False, f"the ladle holds less than the {poured / 1e6:.2f} l of this mold", value=0.0,
            remedy="a larger ladle, or fill it higher",
        )  # fmt: skip
        return
    gives = ladle_flow_mm3_s(left, ladle.nozzle_mm, NOZZLE)
    seconds = ladle_time_s(ladle.level_mm, left, ladle.diameter_mm, ladle.nozzle_mm, NOZZLE)
    yield judged(
        gives >= limit * takes,
        f"wide open the ladle gives {gives / 1e6:.2f} l/s at the end of the pour, the mold takes "
        f"{takes / 1e6:.2f} l/s; its metal would be out in {seconds:.1f} s, the mold takes "
        f"{flow.pour_time_s:.1f} s",
        value=gives / takes,
        remedy=f"a nozzle of {ladle.nozzle_mm * math.sqrt(takes / gives):.0f} mm, or a fuller "
        "ladle",
    )


# ---- feeding ------------------------------------------------------------------------------


@check(
    id="feeding/on-caines-curve",
    why="Caine's curve weighs time and volume together; the modulus rule looks at time alone.",
    source="J. B. Caine, Trans. AFS 57 (1949) 66, constants by P. N. Rao, Manufacturing "
    "Technology vol. 1 (both from memory); two sets of constants for steel (a 0.10 and 0.12) "
    "lie a tenth apart: that much is let pass",
    limit=0.9,
    miss=Verdict.WARN,
)
def on_caines_curve(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each feeder's freezing ratio with what the curve asks at its volume."""
    alloy, feeding = results.need(Alloy), results.need(Feeding)
    name, demand = CAINE_NAME.get(alloy.family), demand_pct(alloy) / 100.0
    if name is None or demand <= 0.0 or not feeding.pairs:
        yield passed_over(f"no curve for {alloy.family}" if name is None else "nothing is fed")
        return
    plans = {feeder.name: feeder for feeder in results.need(RiggingPlan).feeders}
    for feeder in dict.fromkeys(pair.feeder for pair in feeding.pairs):
        pairs = [pair for pair in feeding.pairs if pair.feeder == feeder]
        volume, area = _fed(pairs, demand)
        if volume <= 0.0:
            yield passed_over(f"{feeder} has nothing to feed")
            continue
        has = area / volume * pairs[0].feeder_modulus_mm
        share = pairs[0].feeder_volume_mm3 / volume
        asks = caine_freezing_ratio(share, CAINE[name]) if share > CAINE[name][1] else math.inf
        plan = plans[feeder]
        wanted = caine_diameter_mm(volume, area, plan.height_mm / plan.diameter_mm, CAINE[name])
        yield judged(
            has >= limit * asks,
            f"{feeder} has {share:.2f} x the volume it feeds and a freezing ratio of {has:.2f}; "
            f"Caine's curve asks {asks:.2f} there",
            value=has / asks,
            part=feeder,
            at_mm=pairs[0].neck_mm,
            remedy=f"a bare side feeder of {wanted:.0f} mm diameter lies on the curve",
        )


def _fed(pairs: list[FeedPair], demand: float) -> tuple[float, float]:
    """Return volume and cooled area of what a feeder feeds, from its pairs. [mm³], [mm²]"""
    volumes = [pair.need_mm3 / demand for pair in pairs]
    areas = [
        volume / max(pair.section_modulus_mm, 1e-9)
        for volume, pair in zip(volumes, pairs, strict=True)
    ]
    return sum(volumes), sum(areas)


@check(
    id="feeding/neck-is-short",
    why="A long neck loses its heat to the sand and closes before the feeder is needed.",
    source="AFS rule as given by P. N. Rao, Manufacturing Technology vol. 1 (from memory): at "
    "most half the feeder's diameter",
    limit=LONGEST_NECK,
    miss=Verdict.WARN,
)
def neck_is_short(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the length of each side feeder's neck with the feeder's diameter."""
    necks = _necks(results)
    for name, length, _, diameter, at_mm in necks:
        yield judged(
            length <= limit * diameter,
            f"the neck of {name} is {length:.0f} mm long, {length / diameter:.2f} x its feeder's "
            f"diameter of {diameter:.0f} mm",
            value=length / diameter,
            part=name,
            at_mm=at_mm,
            remedy=f"bring {name} within {limit * diameter:.0f} mm of the casting",
        )
    if not necks:
        yield passed_over("no side feeder with a neck")


@check(
    id="feeding/neck-near-rule",
    why="The handbook's neck is thick enough to stay open and thin enough to come off.",
    source="neck diameter = length + 0.2 feeder diameters; AFS rule as given by P. N. Rao, "
    "Manufacturing Technology vol. 1 (from memory)",
    limit=1.0,
    miss=Verdict.WARN,
)
def neck_near_rule(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each side feeder's neck, as a round one of its modulus, with the rule's."""
    found = False
    for name, length, wide, diameter, at_mm in _necks(results):
        if length > LONGEST_NECK * diameter:
            continue
        found, wanted = True, side_neck_mm(diameter, length)
        yield judged(
            wide >= limit * wanted,
            f"the neck of {name} cools like a round one of {wide:.0f} mm; the rule asks "
            f"{wanted:.0f} mm for {length:.0f} mm of length",
            value=wide / wanted,
            part=name,
            at_mm=at_mm,
            remedy=f"widen or shorten the neck of {name}, or trust the heat solve where it is fine",
        )
    if not found:
        yield passed_over("no side feeder with a neck as short as the rule wants")


def _necks(results: Results) -> list[tuple[str, float, float, float, tuple[float, ...]]]:
    """Return (feeder, neck length, round equal of the neck, feeder diameter, place) [mm].

    A round bar of diameter 2 b h / (b + h) has the modulus of a rectangular one of b x h.
    """
    found: list[tuple[str, float, float, float, tuple[float, ...]]] = []
    for plan in results.need(RiggingPlan).feeders:
        if plan.kind == "side" and min(plan.neck_width_mm, plan.neck_height_mm) > 0.0:
            wide, high = plan.neck_width_mm, plan.neck_height_mm
            away = math.dist(plan.at_mm[:2], plan.neck_to_mm[:2]) - 0.5 * plan.diameter_mm
            equal = 2.0 * wide * high / (wide + high)
            found.append((plan.name, max(away, 0.0), equal, plan.diameter_mm, plan.neck_to_mm))
    return found


@check(
    id="feeding/mold-constant-near-theory",
    why="Every modulus stands on this constant; a slip in the alloy's file moves them all.",
    source="plate form C = (pi/4) (rho L / (T - T0))² / (k rho c), M. C. Flemings, Solidification "
    "Processing, McGraw-Hill 1974, ch. 1 (from memory); the factor let pass: common practice, "
    "no source",
    limit=1.5,
    miss=Verdict.WARN,
)
def mold_constant_near_theory(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the constant of plates in this sand with conduction into it, without superheat."""
    alloy, sand, job = results.need(Alloy), results.need(Sand), results.need(Job)
    hot = heated(sand, alloy, job)
    number = sand_number(
        hot.step_k, hot.storage_j_m3k, alloy.density_liquid_kg_m3 * alloy.latent_j_kg
    )
    spread = diffusivity_mm2_s(hot.conductivity_w_mk, hot.density_kg_m3, hot.heat_j_kgk)
    theory = constant_s_mm2(number, spread, "plate")
    used = constant_of("plate", alloy, sand, job)
    times = max(used / theory, theory / used)
    yield judged(
        times <= limit,
        f"plates of {alloy.id} in {sand.id}: C {used:.2f} s/mm² by its file, {theory:.2f} s/mm² by "
        "conduction into the sand",
        value=times,
        remedy="look at constant_s_mm2, latent_j_kg and the sand's properties",
    )
