"""Is the casting sound: pools cut off, feed paths through the mush, rule against heat solve."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from moldprep.checks import check, gathered, judged, passed_over
from moldprep.findings import Finding, Verdict
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

CAMPBELL: Final = "J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory)"


@check(
    id="feeding/no-pool-cut-off",
    why="Liquid that loses its last feeder shrinks alone and leaves a hole at its highest point.",
    source="common practice, no source, for the size that is let pass; " + CAMPBELL,
    limit=0.5,
    unit="%",
)
def no_pool_cut_off(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the liquid cut off at each hot spot with its section's volume."""
    spots = results.need(Feeding).hot_spots
    plan = results.need(RiggingPlan) if RiggingPlan in results else None
    tried = {reason.item: reason.why for reason in plan.reasons} if plan else {}
    if not spots:
        yield passed_over("no casting was traced")
    for spot in spots:
        share = 100.0 * spot.isolated_volume_mm3 / max(spot.section_volume_mm3, 1e-9)
        yield judged(
            share <= limit,
            _pool_message(spot, share),
            value=share,
            part=spot.part,
            at_mm=spot.hole_at_mm if spot.isolated_volume_mm3 > 0.0 else spot.at_mm,
            remedy="; ".join(filter(None, (spot.cure, tried.get(spot.name.split(".")[0])))),
        )


def _pool_message(spot: HotSpot, share: float) -> str:
    if spot.fed_by == "expansion":
        return f"hot spot in {spot.name}: {spot.cure}"
    if spot.fed_by:
        return (
            f"hot spot in {spot.name} hangs on {spot.fed_by} until it is solid at "
            f"{spot.freezing_time_s:.0f} s"
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
    limit=5.0,
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
        share = 100.0 * float(grid.fraction[low].sum()) / _positive(volume)
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
    why="Chvorinov's modulus knows shape only; where the solve differs, the rule misleads.",
    source="N. Chvorinov, Giesserei 27 (1940) 201-208, against the heat solve; the factor let "
    "pass: common practice, no source",
    limit=1.5,
    miss=Verdict.WARN,
)
def rule_and_solve_agree(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each section's time over the rule's with the casting's middle of that ratio."""
    rule = {section.name: section.freezing_time_s for section in results.need(Survey).sections}
    ratios = {
        spot: spot.freezing_time_s / _positive(rule[_section_of(spot)])
        for spot in results.need(Feeding).hot_spots
        if _section_of(spot) in rule
    }
    if not ratios:
        yield passed_over("no section to compare")
        return
    middle = _positive(float(np.median(list(ratios.values()))))
    yield from gathered(
        (_against_rule(spot, ratio, middle, limit) for spot, ratio in ratios.items()), "sections"
    )


def _against_rule(spot: HotSpot, ratio: float, middle: float, limit: float) -> Finding:
    off = max(ratio / middle, middle / _positive(ratio))
    return judged(
        off <= limit,
        f"{spot.name} freezes at {spot.freezing_time_s:.0f} s, {ratio:.2f} x the rule's time; "
        f"all sections together {middle:.2f} x (superheat and contact, which C leaves out). "
        + _why_off(spot, ratio / middle, limit),
        value=off,
        part=spot.part,
        at_mm=spot.at_mm,
        remedy="believe the solve here; set no feeder by this modulus alone",
    )


def _why_off(spot: HotSpot, off: float, limit: float) -> str:
    if off > limit:
        hot = f"{spot.fed_by} keeps it hot" if spot.fed_by else "its neighbors keep it hot"
        return f"Longer than its modulus says: {hot}, or sand between faces is used up"
    if off < 1.0 / limit:
        return "Shorter than its modulus says: a chill, or thinner neighbors draw its heat"
    return "They agree"


def _section_of(spot: HotSpot) -> str:
    """Return the survey's section a hot spot is named after."""
    return spot.name.removeprefix(f"{spot.part} ").split(".")[0]


def _positive(value: float) -> float:
    return max(value, 1e-9)
