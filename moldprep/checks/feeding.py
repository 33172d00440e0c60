"""Does each feeder do what it is there for, and at what price? Pools left: see soundness."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from moldprep.checks import check, gathered, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import (
    Alloy,
    FeederPlan,
    Feeding,
    FeedPair,
    Freezing,
    Grid,
    RiggingPlan,
)
from moldprep.results import Results

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
    for pair, ratio in _best(results, lambda p: p.feeder_time_s / _positive(p.section_time_s)):
        yield judged(
            ratio >= limit * share,
            f"{pair.feeder} stays liquid {ratio:.2f} x as long as {pair.section} "
            f"({pair.feeder_time_s:.0f} against {pair.section_time_s:.0f} s){_thin_rule(results)}",
            value=ratio / share,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"enlarge {pair.feeder}, sleeve it, or chill {pair.section}",
        )
    yield from _none(results)


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
    for pair, ratio in _best(
        results, lambda p: p.feeder_modulus_mm / _positive(wanted * p.section_modulus_mm)
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
    yield from _none(results)


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
        share = need / _positive(pairs[0].can_give_mm3)
        yield judged(
            share <= limit,
            f"{name} must give {need / 1e3:.1f} cm³ and can give "
            f"{pairs[0].can_give_mm3 / 1e3:.1f} cm³{thin}",
            value=share,
            part=name,
            at_mm=pairs[0].neck_mm,
            remedy=f"enlarge {name}, sleeve it, or give part of its work to another feeder",
        )
    yield from _none(results)


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
    for pair, ratio in _best(results, lambda p: p.neck_time_s / _positive(p.section_time_s)):
        yield judged(
            ratio >= limit * share,
            f"the neck of {pair.feeder} freezes at {pair.neck_time_s:.0f} s, {pair.section} at "
            f"{pair.section_time_s:.0f} s{_thin_rule(results)}",
            value=ratio / share,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"widen or shorten the neck of {pair.feeder}",
        )
    yield from _none(results)


@check(
    id="feeding/pipe-ends-above-neck",
    why="Where the neck is the last to freeze, the feeder's pipe runs down into the casting.",
    source="the heat solve; the rule itself: " + WLODAWER,
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
        ratio = share * pair.neck_time_s / _positive(pair.feeder_time_s)
        yield judged(
            ratio <= limit,
            f"the neck of {name} freezes at {pair.neck_time_s:.0f} s, {name} at "
            f"{pair.feeder_time_s:.0f} s{_thin_rule(results)}",
            value=ratio,
            part=name,
            at_mm=pair.neck_mm,
            remedy=f"make {name} higher or wider than its neck, so that its heat is above it",
        )
    yield from _none(results)


@check(
    id="feeding/pipe-stays-in-feeder",
    why="A pipe deeper than the feeder is a hole in the casting.",
    source="cone of the diameter of the feeder, a fifth of its height in reserve: common practice, "
    "no source",
    limit=0.8,
)
def pipe_stays_in_feeder(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the depth of the pipe that the given feed metal leaves with the feeder's height."""
    plans = {feeder.name: feeder for feeder in results.need(RiggingPlan).feeders}
    for name, pairs in _by_feeder(results).items():
        depth = _pipe_mm(plans[name], sum(pair.need_mm3 for pair in pairs))
        share = depth / plans[name].height_mm
        yield judged(
            share <= limit,
            f"the pipe in {name} goes {depth:.0f} mm deep, {share:.2f} of its height",
            value=share,
            part=name,
            at_mm=plans[name].at_mm,
            remedy=f"make {name} higher or wider",
        )
    yield from _none(results)


def _pipe_mm(feeder: FeederPlan, given_mm3: float) -> float:
    """Return the depth of a conical pipe; a sleeved feeder sinks level, so a cylinder. [mm]"""
    base = math.pi / 4.0 * feeder.diameter_mm**2
    return (3.0 if feeder.sleeve == "none" else 1.0) * given_mm3 / base


@check(
    id="feeding/within-reach",
    why="Beyond a feeder's reach the last liquid freezes along a plate's middle without feed.",
    source="W. S. Pellini, Trans. AFS 61 (1953) 61-80; bars: H. F. Bishop, E. T. Myskowski, W. S. "
    "Pellini, Trans. AFS 59 (1951) 171-180 (both from memory); other alloys: their own file",
    limit=1.0,
    miss=Verdict.WARN,
)
def within_reach(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the way from each feeder's edge to the far end of a section with its reach."""
    yield from gathered(_reach(results, limit), "sections")
    yield from _none(results)


@check(
    id="feeding/not-far-beyond-reach",
    why="At more than twice the old reach even the later, longer distances are passed.",
    source="C. Beckermann and others, rules for steel of about twice the 1973 distances (SFSA, "
    "Feeding & Risering Guidelines for Steel Castings, 2001); that a rule of distance only warns "
    "where the heat solve finds the section fed: common practice, no source",
    limit=2.0,
)
def not_far_beyond_reach(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the same way with the reach, for steel, where the figures were measured.

    The figures stand for plates and bars alone; the solve knows the casting. It is a fault where
    both agree: the solve leaves a pool in the section, or a low Niyama value in much of it.
    """
    alloy = results.need(Alloy)
    if alloy.family != "steel":
        yield passed_over(f"distances are not established for {alloy.id}; within-reach warns")
        return
    found = [_held_against_solve(one, section, results) for section, one in _far(results, limit)]
    yield from gathered(found, "sections")
    yield from _none(results)


LOW_SHARE = 0.05
"""Share of a section under the alloy's Niyama limit that counts as unsound (common practice, no
source; the same as feeding/niyama-share lets pass)."""


def _held_against_solve(finding: Finding, section: str, results: Results) -> Finding:
    """Return the finding, softened where the heat solve finds the section sound."""
    if finding.verdict is Verdict.PASS:
        return finding
    feeding = results.need(Feeding)
    pool = sum(
        spot.isolated_volume_mm3
        for spot in feeding.hot_spots
        if spot.name.split(".")[0] == section and not spot.fed_by
    )
    if pool > 0.0:
        words = f"the heat solve leaves {pool / 1e3:.2f} cm³ cut off in it as well"
        return replace(finding, message=f"{finding.message}; {words}")
    row = 1 + next(k for k, (name, *_) in enumerate(feeding.sections) if name == section)
    niyama = results.need(Freezing).niyama[feeding.label == row]
    low = float(np.mean(niyama[np.isfinite(niyama)] < results.need(Alloy).niyama_limit))
    if low > LOW_SHARE:
        words = f"{100.0 * low:.0f} % of it are under the Niyama limit as well"
        return replace(finding, message=f"{finding.message}; {words}")
    words = f"but the heat solve leaves no pool in it, and {100.0 * low:.1f} % under Niyama's limit"
    return replace(finding, message=f"{finding.message}; {words}", verdict=Verdict.WARN)


def _reach(results: Results, limit: float) -> Iterator[Finding]:
    for _, finding in _far(results, limit):
        yield finding


def _far(results: Results, limit: float) -> Iterator[tuple[str, Finding]]:
    """Yield each section with what its reach says, for the feeder that is worst off in it.

    Each feeder's part of a section is what is nearest to it, so where several serve one section
    none is asked to reach past another.
    """
    for pair, ratio in _worst(results, lambda p: p.distance_mm / _positive(p.reach_mm)):
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
    tops = {
        f.name: max(f.at_mm[2] + f.height_mm, plan.top_mm if f.is_open else -math.inf)
        for f in plan.feeders
    }
    row = {name: k for k, (name, *_) in enumerate(feeding.sections, start=1)}
    for pair, top in _best(results, lambda p: tops[p.feeder]):
        levels = np.flatnonzero((feeding.label == row[pair.section]).any(axis=(0, 1)))
        section_top = float(grid.origin_mm[2] + (levels.max() + 1) * grid.pitch_mm)
        yield judged(
            top - section_top >= limit,
            f"{pair.feeder} ends {top - section_top:+.0f} mm over the top of {pair.section}",
            value=top - section_top,
            part=pair.feeder,
            at_mm=pair.neck_mm,
            remedy=f"make {pair.feeder} higher, or feed {pair.section} from above",
        )
    yield from _none(results)


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


def _positive(value: float) -> float:
    return max(value, 1e-9)


def _by_feeder(results: Results) -> dict[str, list[FeedPair]]:
    found: dict[str, list[FeedPair]] = {}
    for pair in results.need(Feeding).pairs:
        found.setdefault(pair.feeder, []).append(pair)
    return found


def _best(results: Results, rate: Rate) -> list[tuple[FeedPair, float]]:
    """Return for each section the pair that rates highest: one good feeder is enough."""
    best: dict[str, tuple[FeedPair, float]] = {}
    for pair in results.need(Feeding).pairs:
        value = rate(pair)
        if pair.section not in best or value > best[pair.section][1]:
            best[pair.section] = (pair, value)
    return list(best.values())


def _worst(results: Results, rate: Rate) -> list[tuple[FeedPair, float]]:
    """Return for each section the pair that rates highest, where that is the worst."""
    return _best(results, rate)


def _none(results: Results) -> Iterator[Finding]:
    if not results.need(Feeding).pairs:
        yield passed_over("no feeder serves a section")


def _thin_rule(results: Results) -> str:
    """Return a remark on irons, whose feeding rules are thin."""
    if not results.need(Alloy).expands:
        return ""
    return " (iron: expansion is counted on; the rule is thin and wants a rigid mold)"
