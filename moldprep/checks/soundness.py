"""Is the casting sound: pools cut off, feed paths through the mush, rule against heat solve."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.checks.feeding import positive
from moldprep.checks.heat_grid import coarse_sections
from moldprep.findings import Finding, Verdict
from moldprep.geometry.pitch import LEAST_CELLS
from moldprep.records import (
    Alloy,
    Feeding,
    Freezing,
    Grid,
    HotSpot,
    Metal,
    RiggingPlan,
    Role,
    Survey,
)
from moldprep.results import Results
from moldprep.thermal.holes import small_hole_mm3
from moldprep.thermal.out_of_reach import LOW_NIYAMA_PCT, POOL_PCT

CAMPBELL: Final = "J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory)"


@check(
    id="feeding/no-pool-cut-off",
    why="Liquid that loses its last feeder shrinks alone and leaves a hole at its highest point.",
    source="common practice, no source, for the size that is let pass, and for a hole of at most "
    "0.3 cm³ and 0.02 % of the casting, which warns; " + CAMPBELL,
    limit=POOL_PCT,
    unit="%",
)
def no_pool_cut_off(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the liquid cut off at each hot spot with its section's volume.

    Sections thinner than 1.5 cells of the grid are not passed: their times are the grid's.
    """
    spots = results.need(Feeding).hot_spots
    plan = results.need(RiggingPlan) if RiggingPlan in results else None
    tried = {reason.item: reason.why for reason in plan.reasons} if plan else {}
    whole = _castings_mm3(results.need(Feeding))
    coarse = coarse_sections(results)
    unsure = []
    if not spots:
        yield passed_over("no casting was traced")
    for spot in spots:
        share = 100.0 * spot.isolated_volume_mm3 / max(spot.section_volume_mm3, 1e-9)
        found = judged(
            share <= limit,
            _pool_message(spot, share),
            value=share,
            part=spot.part,
            at_mm=spot.hole_at_mm if spot.isolated_volume_mm3 > 0.0 else spot.at_mm,
            remedy="; ".join(filter(None, (spot.cure, tried.get(spot.section)))),
        )
        if found.verdict is Verdict.PASS and _section_of(spot) in coarse:
            unsure.append(spot.name)
        elif found.verdict is Verdict.FAIL and spot.hole_mm3 <= small_hole_mm3(whole[spot.part]):
            leak = f"{found.remedy}; or keep it, and test for leaks and X-ray it there"
            yield replace(found, verdict=Verdict.WARN, remedy=leak)
        else:
            yield found
    if unsure:
        yield passed_over(
            f"{len(unsure)} sections are thinner than {LEAST_CELLS:g} cells of the heat solve, are "
            f"not judged, see feeding/grid-resolves-walls: {', '.join(unsure[:4])}"
            + (" and others" if len(unsure) > 4 else "")
        )


def _castings_mm3(feeding: Feeding) -> dict[str, float]:
    """Return the volume of each casting. [mm³]"""
    whole: dict[str, float] = {}
    for section in feeding.sections:
        whole[section.part] = whole.get(section.part, 0.0) + section.volume_mm3
    return whole


def _pool_message(spot: HotSpot, share: float) -> str:
    if spot.fed_by == "expansion":
        return f"hot spot in {spot.name}: {spot.cure}"
    if spot.fed_by:
        return (
            f"hot spot in {spot.name} is fed until it is solid at {spot.freezing_time_s:.0f} s, "
            f"last by {spot.fed_by}"
        )
    return (
        f"hot spot in {spot.name}: {spot.isolated_volume_mm3 / 1e3:.2f} cm³ ({share:.1f} % of what "
        f"it lies in) cut off at {spot.closed_s:.0f} s, solid at {spot.freezing_time_s:.0f} s; "
        f"a hole of about {spot.hole_mm3 / 1e3:.2f} cm³ at most"
    )


@check(
    id="feeding/niyama-share",
    why="Where the gradient is low while the last metal freezes, feed metal no longer gets "
    "through the mush: pores along the middle, leaks.",
    source="E. Niyama, T. Uchida, M. Morikawa, S. Saito, AFS Int. Cast Met. J. 1982, 52-63; the "
    "share let pass: common practice, no source",
    limit=LOW_NIYAMA_PCT,
    unit="%",
    miss=Verdict.WARN,
)
def niyama_share(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the share of each casting's volume under the alloy's Niyama limit."""
    alloy, grid, metal = results.need(Alloy), results.need(Grid), results.need(Metal)
    niyama = results.need(Freezing).niyama
    for number, (name, role) in enumerate(zip(metal.parts, metal.roles, strict=True), start=1):
        if role is not Role.CASTING:
            continue
        own = (grid.label == number) & np.isfinite(niyama)
        volume = float(grid.fraction[own].sum())
        low = own & (niyama < alloy.niyama_limit)
        share = 100.0 * float(grid.fraction[low].sum()) / positive(volume)
        worst = np.unravel_index(int(np.argmin(np.where(own, niyama, np.inf))), niyama.shape)
        yield judged(
            share <= limit,
            f"{share:.1f} % of {name} is under {alloy.niyama_limit:.2f} (K s)^½/mm. The limit was "
            "found on steel test bars; it depends on alloy and size, and cannot tell a hot spot "
            "that is fed from one that is not",
            value=share,
            part=name,
            at_mm=tuple(grid.origin_mm + (np.array(worst) + 0.5) * grid.pitch_mm),
            remedy="steeper gradients: chills at the ends, feeders closer, padding",
        )


@check(
    id="feeding/rule-and-solve-agree",
    why="The modulus rule was measured on castings; where the solve is far off it, the times may "
    "be wrong, and every margin reckoned from them.",
    source="N. Chvorinov, Giesserei 27 (1940) 201-208, against the heat solve; the constant of the "
    "figures themselves: M. C. Flemings, Solidification Processing, ch. 1 (from memory); the "
    "factor let pass: common practice, no source",
    limit=1.5,
    miss=Verdict.WARN,
)
def rule_and_solve_agree(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the middle of all hot spots' times over the rule's around them with 1."""
    sections = {section.name: section for section in results.need(Survey).sections}
    coarse = coarse_sections(results)
    times: dict[str, float] = {}
    for spot in results.need(Feeding).hot_spots:
        name = _section_of(spot)
        if name in sections and name not in coarse:
            times[name] = max(times.get(name, 0.0), spot.freezing_time_s)
    if not times:
        yield passed_over(f"no section that is {LEAST_CELLS:g} cells thick to compare")
        return
    ratios = {name: t / positive(sections[name].freezing_time_s) for name, t in times.items()}
    middle = float(np.median(list(ratios.values())))
    rest = float(np.median([t / positive(sections[name].hot_time_s) for name, t in times.items()]))
    yield judged(
        1.0 / limit <= rest <= limit,
        f"the solve's freezing times are {middle:.2f} x the modulus rule's, the middle of "
        f"{len(ratios)} sections. The rule takes a section's mean modulus and a constant measured "
        "in rammed sand; the modulus around its hot spot, with the alloy's and the sand's own "
        f"figures and all heat of the melt, explains {middle / positive(rest):.2f} x, which leaves "
        f"{rest:.2f} x: feeders and cores that keep sections hot, which the rule on the bare "
        "casting does not know, or times of the solve that are wrong by so "
        f"much{_outliers(ratios, middle, limit)}",
        value=rest,
        remedy="take no time here for exact: judge feeders by modulus and volume too, and hold a "
        "first casting (thermocouple, saw cut) against the solve",
    )


def _outliers(ratios: dict[str, float], middle: float, limit: float) -> str:
    """Return a remark on sections that are off the middle of all by more than a factor."""
    off = {name: max(ratio / middle, middle / positive(ratio)) for name, ratio in ratios.items()}
    far = [name for name, factor in off.items() if factor > limit]
    if not far:
        return "; all sections keep to that middle"
    worst = max(far, key=lambda name: off[name])
    return (
        f"; {len(far)} of them are off that middle by over {limit:g} x, most {worst} with "
        f"{ratios[worst]:.2f} x: heat from neighbors, chills, sand used up between faces"
    )


def _section_of(spot: HotSpot) -> str:
    """Return the name the survey has for the section of a hot spot."""
    return spot.section.removeprefix(f"{spot.part} ")
