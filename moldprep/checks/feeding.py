"""Does each feeder do what it is there for, and at what price? Pools left: see soundness."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from moldprep.checks import check, gathered, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, Feeding, FeedPair, Freezing, Grid, Metal, RiggingPlan
from moldprep.results import Results
from moldprep.rigging.feed.shortfall import ROUNDING
from moldprep.rigging.feed_volume import PIPE_KEPT, efficiency_of, pipe_share
from moldprep.thermal.feedpairs import demand_pct, feeder_top_mm
from moldprep.thermal.out_of_reach import stretch, worst_pairs
from moldprep.thermal.without import NEEDED_MM3, Without

WLODAWER = "R. Wlodawer, Directional Solidification of Steel Castings, Pergamon 1966 (from memory)"
CAMPBELL = "J. Campbell, Castings, Butterworth-Heinemann, chapter on feeding (from memory)"
Rate = Callable[[FeedPair], float]


@check(
    id="feeding/feeder-outlasts-section",
    why="A feeder that freezes before its section takes feed metal instead of giving it.",
    source="the heat solve; the rule itself: " + WLODAWER,
    limit=1.0,
)
def feeder_outlasts_section(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the freezing time of each section's hot spot with that of its best feeder.

    An iron takes no more from its feeder once it expands, see `Alloy.feed_time_share`.
    """
    share = results.need(Alloy).feed_time_share
    for pair, ratio in best_pairs(results, lambda p: p.feeder_time_s / positive(p.section_time_s)):
        yield judged(
            ratio >= limit * share,
            f"{pair.feeder} stays liquid {ratio:.2f} x as long as {pair.section} "
            f"({pair.feeder_time_s:.0f} against {pair.section_time_s:.0f} s){_thin_rule(results)}",
            value=ratio / share,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"enlarge {pair.feeder}, sleeve it, or chill {pair.section}",
        )
    yield from none_serves(results)


@check(
    id="feeding/modulus-factor",
    why="The modulus rule keeps a margin for what a computed time does not know.",
    source=WLODAWER + ": feeder at least 1.2 x section for steel; other alloys: their own file",
    limit=1.0,
    miss=Verdict.WARN,
)
def modulus_factor(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each section's modulus times the alloy's factor with its best feeder's modulus."""
    wanted = results.need(Alloy).modulus_factor
    for pair, ratio in best_pairs(
        results, lambda p: p.feeder_modulus_mm / positive(wanted * p.section_modulus_mm)
    ):
        yield judged(
            ratio >= limit - 1e-6,
            f"{pair.feeder} has a modulus of {pair.feeder_modulus_mm:.1f} mm for {pair.section} "
            f"with {pair.section_modulus_mm:.1f} mm: {ratio * wanted:.2f} x, {wanted:.2f} x wanted",
            value=ratio,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"enlarge {pair.feeder} or sleeve it",
        )
    yield from none_serves(results)


@check(
    id="feeding/feed-metal-suffices",
    why="A feeder large enough in modulus can still run dry, and the hole then starts below it.",
    source=CAMPBELL + ": 14 % of a plain feeder can be given, 30 % and more in a sleeve",
    limit=1.0,
)
def feed_metal_suffices(results: Results, limit: float) -> Iterator[Finding]:
    """Compare what each feeder must give to all it serves with what it can give."""
    thin = _thin_rule(results)
    for name, pairs in _by_feeder(results).items():
        need = sum(pair.need_mm3 for pair in pairs)
        share = need / positive(pairs[0].can_give_mm3)
        yield judged(
            share <= limit + ROUNDING,
            f"{name} must give {need / 1e3:.1f} cm³ and can give "
            f"{pairs[0].can_give_mm3 / 1e3:.1f} cm³{thin}",
            value=share,
            part=name,
            at_mm=pairs[0].neck_mm,
            remedy=f"enlarge {name}, sleeve it, or give part of its work to another feeder",
        )
    yield from none_serves(results)


@check(
    id="feeding/neck-outlasts-section",
    why="When the neck freezes first, the feeder's metal stays where it is.",
    source="the heat solve; the rule itself: section : neck : feeder = 1 : 1.1 : 1.2, " + WLODAWER,
    limit=1.0,
)
def neck_outlasts_section(results: Results, limit: float) -> Iterator[Finding]:
    """Compare when each section's hot spot and the best way into it freeze.

    Irons feed themselves once they expand, and then the neck may close, see
    `Alloy.feed_time_share`.
    """
    share = results.need(Alloy).feed_time_share
    for pair, ratio in best_pairs(results, lambda p: p.neck_time_s / positive(p.section_time_s)):
        yield judged(
            ratio >= limit * share,
            f"the neck of {pair.feeder} freezes at {pair.neck_time_s:.0f} s, {pair.section} at "
            f"{pair.section_time_s:.0f} s{_thin_rule(results)}",
            value=ratio / share,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"widen or shorten the neck of {pair.feeder}",
        )
    yield from none_serves(results)


@check(
    id="feeding/pipe-ends-above-neck",
    why="Where the neck is the last to freeze, the feeder's pipe runs down into the casting.",
    source="the heat solve; the rule itself: " + WLODAWER + "; a difference of 2 % of the time is "
    "no more than turning the part against the grid makes, and warns",
    limit=0.99,
)
def pipe_ends_above_neck(results: Results, limit: float) -> Iterator[Finding]:
    """Compare when the neck and the feeder itself freeze.

    An iron's pipe is done when the iron begins to expand, which pushes metal back up: there the
    feeder need only be liquid above its neck until then, see `Alloy.feed_time_share`.
    """
    share = results.need(Alloy).feed_time_share
    for name, pairs in _by_feeder(results).items():
        pair = pairs[0]
        ratio = share * pair.neck_time_s / positive(pair.feeder_time_s)
        found = judged(
            ratio <= limit,
            f"the neck of {name} freezes at {pair.neck_time_s:.0f} s, {name} at "
            f"{pair.feeder_time_s:.0f} s{_thin_rule(results)}",
            value=ratio,
            part=name,
            at_mm=pair.neck_mm,
            remedy=f"narrow the neck of {name} or make it longer, so that it freezes before "
            f"{name}; where it must stay open for its section, make {name} higher",
        )
        is_near = found.verdict is Verdict.FAIL and ratio <= limit + GRID_SHARE
        yield replace(found, verdict=Verdict.WARN) if is_near else found
    yield from none_serves(results)


GRID_SHARE = 0.02
"""Freezing times that differ by less, as a share, do not tell which place froze first."""


@check(
    id="feeding/pipe-stays-in-feeder",
    why="A pipe that goes down to the neck goes on as a hole in the casting.",
    source=CAMPBELL + ": a feeder's efficiency, and that it shrinks itself; the fifth kept in "
    "reserve: common practice, no source",
    limit=PIPE_KEPT,
)
def pipe_stays_in_feeder(results: Results, limit: float) -> Iterator[Finding]:
    """Compare how far down each feeder's pipe goes with its way down to the neck.

    Within the reserve it warns; a pipe beyond the neck is a fault.
    """
    yield from gathered(_pipes(results, limit), "feeders")
    yield from none_serves(results)


def _pipes(results: Results, limit: float) -> Iterator[Finding]:
    plans = {feeder.name: feeder for feeder in results.need(RiggingPlan).feeders}
    demand = demand_pct(results.need(Alloy))
    for name, pairs in _by_feeder(results).items():
        plan, volume = plans[name], positive(pairs[0].feeder_volume_mm3)
        need = sum(pair.need_mm3 for pair in pairs)
        gives = efficiency_of(plan.diameter_mm, plan.height_mm, plan.sleeve)
        share = pipe_share(need, volume, demand, gives)
        found = judged(
            share <= limit,
            f"{name} must give {need / 1e3:.1f} cm³ and shrinks by "
            f"{demand / 100.0 * volume / 1e3:.1f} cm³ itself: its pipe goes {share:.2f} of the way "
            "down to its neck",
            value=share,
            part=name,
            at_mm=plan.at_mm,
            remedy=f"make {name} larger, sleeve it, or give part of its work to another feeder",
        )
        is_reserve = found.verdict is Verdict.FAIL and share <= 1.0 + ROUNDING
        yield replace(found, verdict=Verdict.WARN) if is_reserve else found


@check(
    id="feeding/feeder-stands-higher",
    why="Feed metal runs down: what stands higher than its feeder is fed, if at all, by air "
    "pressure alone.",
    source=CAMPBELL + ": the pressure rule",
    limit=0.0,
    unit="mm",
    miss=Verdict.WARN,
)
def feeder_stands_higher(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the top of each section with the top of its highest feeder."""
    grid, feeding, plan = results.need(Grid), results.need(Feeding), results.need(RiggingPlan)
    tops = {f.name: feeder_top_mm(f, plan.top_mm) for f in plan.feeders}
    row = {section.name: k for k, section in enumerate(feeding.sections, start=1)}
    for pair, top in best_pairs(results, lambda p: tops[p.feeder]):
        levels = np.flatnonzero((feeding.label == row[pair.section]).any(axis=(0, 1)))
        section_top = float(grid.origin_mm[2] + (levels.max() + 1) * grid.pitch_mm)
        yield judged(
            top - section_top >= limit,
            f"{pair.feeder} ends {abs(top - section_top):.0f} mm "
            f"{'above' if top >= section_top else 'BELOW'} the top of {pair.section}",
            value=top - section_top,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"make {pair.feeder} higher, or feed {pair.section} from above",
        )
    yield from none_serves(results)


@check(
    id="feeding/every-feeder-is-needed",
    why="A feeder that nothing hangs on is metal to melt and to cut off again.",
    source="the heat solve, with each feeder run dry in turn; what counts as nothing: common "
    "practice, no source",
    limit=NEEDED_MM3 / 1e3,
    unit="cm³",
    miss=Verdict.WARN,
)
def every_feeder_is_needed(results: Results, limit: float) -> Iterator[Finding]:
    """Say what would be cut off without each feeder, where the others had metal for all.

    A solve of the mold without it tells more, where automatic feeding made one; and a section of
    steel that goes on beyond its feeders' reach as it is has none too many.
    """
    freezing, grid, metal = results.need(Freezing), results.need(Grid), results.need(Metal)
    mold = Without(freezing, grid, metal, results.need(Feeding))
    far = _beyond_reach(results)
    for name, pairs in _by_feeder(results).items():
        loss = mold.loss([name])
        more, short = loss.more_mm3 / 1e3, loss.short_mm3 / 1e3
        what = f"without {name} the castings would have {more:.1f} cm³ more cut off"
        lacks = f", and the other feeders {short:.1f} cm³ too little to give" if short > 0.0 else ""
        missed = _was_missed(name, results.need(RiggingPlan))
        beyond = [
            f"; {pair.section} goes on beyond the reach of its feeders as it is"
            for pair in pairs
            if pair.section in far
        ]
        yield judged(
            more >= limit or short > 0.0 or bool(missed or beyond),
            f"{what}{lacks}{missed or ''.join(beyond[:1])}",
            value=more,
            part=name,
            at_mm=pairs[0].neck_mm,
            remedy=f"try the mold without {name} (rigging.feeder): its heat is still counted here",
        )
    yield from none_serves(results)


@check(
    id="feeding/closed-feeder-breathes",
    why="A closed feeder seals itself with its own skin; without air let in, nothing flows out.",
    source="SFSA and AFS practice: V-notch or sand core in the dome (from memory)",
    limit=0.0,
)
def closed_feeder_breathes(results: Results, limit: float) -> Iterator[Finding]:
    """Count closed feeders without an air core."""
    feeders = results.need(RiggingPlan).feeders
    closed = [feeder for feeder in feeders if not feeder.is_open]
    if not closed:
        yield passed_over("no closed feeder")
    for feeder in closed:
        missing = 0.0 if feeder.has_air_core else 1.0
        yield judged(
            missing <= limit,
            f"{feeder.name} is closed and has {'an' if feeder.has_air_core else 'no'} air core",
            value=missing,
            part=feeder.name,
            at_mm=feeder.at_mm,
            remedy=f"set has_air_core on {feeder.name}, or open it",
        )


def _was_missed(name: str, plan: RiggingPlan) -> str:
    """Return what automatic feeding saw when it froze the mold without a feeder, or nothing."""
    for one in reversed(plan.rounds):
        left_out = {item for step in one.steps if step.kind == "drop" for item in step.items}
        if name in left_out and one.outcome.startswith("put back"):
            names = ", ".join(sorted(left_out))
            return (
                f"; frozen without {names} (round {one.number}), the castings "
                f"had {one.unfed_mm3 / 1e3:.1f} cm³ cut off: {one.outcome}"
            )
    return ""


def _beyond_reach(results: Results) -> frozenset[str]:
    """Return the sections of a steel that are longer than their feeders reach."""
    if results.need(Alloy).family != "steel":
        return frozenset()
    worst = worst_pairs(results.need(Feeding))
    return frozenset(section for section, pair in worst.items() if stretch(pair) > 1.0)


def positive(value: float) -> float:
    """Return a value to divide by."""
    return max(value, 1e-9)


def _by_feeder(results: Results) -> dict[str, list[FeedPair]]:
    found: dict[str, list[FeedPair]] = {}
    for pair in results.need(Feeding).pairs:
        found.setdefault(pair.feeder, []).append(pair)
    return found


def best_pairs(results: Results, rate: Rate) -> list[tuple[FeedPair, float]]:
    """Return for each section the pair that rates highest."""
    best: dict[str, tuple[FeedPair, float]] = {}
    for pair in results.need(Feeding).pairs:
        value = rate(pair)
        if pair.section not in best or value > best[pair.section][1]:
            best[pair.section] = (pair, value)
    return list(best.values())


def none_serves(results: Results) -> Iterator[Finding]:
    """Yield a SKIP where there is no feeder to judge."""
    if not results.need(Feeding).pairs:
        yield passed_over("no feeder serves a section")


def _thin_rule(results: Results) -> str:
    """Return a remark on irons, whose feeding rules are thin."""
    if not results.need(Alloy).expands:
        return ""
    return " (iron: expansion is counted on; the rule is thin and wants a rigid mold)"
