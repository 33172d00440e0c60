"""How far does each feeder reach? Distances are rules of thumb; the heat solve is asked too."""

from collections.abc import Iterator
from dataclasses import replace

from moldprep.checks import check, gathered, judged, limit_of, passed_over
from moldprep.checks.feeding import none_serves
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, Feeding, Freezing
from moldprep.results import Results
from moldprep.thermal.out_of_reach import (
    FAR_BEYOND,
    low_niyama_pct,
    pool_pct,
    stretch,
    worst_pairs,
)


@check(
    id="feeding/within-reach",
    why="Beyond a feeder's reach the last liquid freezes along a plate's middle without feed.",
    source="W. S. Pellini, Trans. AFS 61 (1953) 61-80; bars: H. F. Bishop, E. T. Myskowski, W. S. "
    "Pellini, Trans. AFS 59 (1951) 171-180 (both from memory); other alloys: their own file",
    limit=1.0,
    miss=Verdict.WARN,
)
def within_reach(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the way from each feeder's edge to the far end of a section with its reach.

    For alloys whose distances nobody has measured it is passed over; what is beyond the limit of
    not-far-beyond-reach is said there.
    """
    alloy = results.need(Alloy)
    if not (alloy.family == "steel" or alloy.expands):
        yield passed_over(
            f"no feeding distances are known for {alloy.id}, those of steel do not hold: the heat "
            "solve alone judges"
        )
        return
    far = [section for section, one in _far(results, FAR_BEYOND) if one.verdict is not Verdict.PASS]
    said = far if alloy.family == "steel" else []
    near = [one for section, one in _far(results, limit) if section not in said]
    yield from gathered(near, "sections")
    if said and not near:
        yield passed_over("every section is beyond the longer distances too: see there")
    yield from none_serves(results)


@check(
    id="feeding/not-far-beyond-reach",
    why="At more than twice the old reach even the later, longer distances are passed.",
    source="C. Beckermann and others, rules for steel of about twice the 1973 distances (SFSA, "
    "Feeding & Risering Guidelines for Steel Castings, 2001); that a rule of distance only warns "
    "where the heat solve finds the section fed: common practice, no source",
    limit=FAR_BEYOND,
)
def not_far_beyond_reach(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the same way with the reach, for steel, where the figures were measured.

    The figures stand for plates and bars alone; the solve knows the casting. It is a fault where
    both agree: the solve leaves a pool in the section, or a low Niyama value in much of it.
    """
    alloy = results.need(Alloy)
    if alloy.family != "steel":
        yield passed_over(f"distances are not established for {alloy.id}; the heat solve judges")
        return
    found = [_held_against_solve(one, section, results) for section, one in _far(results, limit)]
    yield from gathered(found, "sections")
    yield from none_serves(results)


def _held_against_solve(finding: Finding, section: str, results: Results) -> Finding:
    """Return the finding, softened where the heat solve finds the section sound."""
    if finding.verdict is Verdict.PASS:
        return finding
    feeding, freezing, alloy = results.need(Feeding), results.need(Freezing), results.need(Alloy)
    pool = pool_pct(section, feeding)
    if pool > limit_of("feeding/no-pool-cut-off", results):
        words = f"the heat solve leaves a pool of {pool:.1f} % cut off in it as well"
        return replace(finding, message=f"{finding.message}; {words}")
    low = low_niyama_pct(section, feeding, freezing, alloy)
    if low > limit_of("feeding/niyama-share", results):
        words = f"{low:.0f} % of it are under the Niyama limit as well"
        return replace(finding, message=f"{finding.message}; {words}")
    left = f"a pool of {pool:.1f} % at most" if pool > 0.0 else "no pool"
    words = f"but the heat solve leaves {left} in it, and {low:.1f} % under Niyama's limit"
    return replace(finding, message=f"{finding.message}; {words}", verdict=Verdict.WARN)


def _far(results: Results, limit: float) -> Iterator[tuple[str, Finding]]:
    """Yield each section with what its reach says, for the feeder that is worst off in it.

    Each feeder's part of a section is what is nearest to it, so where several serve one section
    none is asked to reach past another.
    """
    for pair in worst_pairs(results.need(Feeding)).values():
        ratio = stretch(pair)
        yield (
            pair.section,
            judged(
                ratio <= limit,
                f"{pair.section} goes on for {pair.distance_mm:.0f} mm from {pair.feeder}, which "
                f"reaches {pair.reach_mm:.0f} mm there",
                value=ratio,
                part=pair.feeder,
                at_mm=pair.neck_mm,
                remedy=f"another feeder on {pair.section}, a chill at its end, or padding toward "
                f"{pair.feeder}",
            ),
        )
