"""One round of the closed loop: look at the pools left, change feeders and chills, go again."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from moldprep.records import (
    Alloy,
    Feeding,
    HotSpot,
    Job,
    Metal,
    Parting,
    Pattern,
    RiggingPlan,
    Round,
    Survey,
)
from moldprep.rigging.cures import Cures
from moldprep.rigging.savings import less_metal

PIPE_SAFE: Final = 0.99
"""A feeder whose neck lasts longer than this share of its own time pipes into the casting."""

ROUNDS_TO_TRY: Final = 2
"""Rounds that must be left to try a saving: one to build it, one to put it back."""


def revise_plan(
    plan: RiggingPlan,
    feeding: Feeding,
    metal: Metal,
    pattern: Pattern,
    parting: Parting,
    survey: Survey,
    job: Job,
    alloy: Alloy,
) -> RiggingPlan | None:
    """Return the plan of the next round, or None when there is nothing (more) to do.

    While a pool is left over the job's limit: flatten the ingate that makes it, enlarge the feeder
    that froze too early, widen the neck that did, else set a feeder or a chill where the pool is;
    a feeder that would run dry, or whose heat is as low as its neck, grows too. When all is fed
    and at least two rounds are left: try with less metal. What made things worse is put back.

    Parameters
    ----------
    plan, feeding, metal
        The last round's plan and what it did.
    pattern, parting, survey
        What feeders sit on.
    job
        Limits; items its `[rigging]` gives are never changed, families it leaves out of
        `rigging.auto` are not touched.
    alloy
        Factors and reach.

    Returns
    -------
    RiggingPlan | None
        The changed plan, with one more `Round`. The last round's figures are known only after
        the next solve; until then they are those of the round before (see `close_round`).
    """
    if not {"feeders", "chills", "gating"} & set(job.rigging.auto) or job.feeding.rounds == 0:
        return None
    plan = close_round(plan, feeding, metal, job)
    left_rounds = job.feeding.rounds - (len(plan.rounds) - 1)
    if left_rounds <= 0:
        return None
    if plan.rounds[-1].is_sound:
        if left_rounds < ROUNDS_TO_TRY or _has_stepped_back(plan):
            return None
        return _with_round(plan, less_metal(plan, feeding, pattern, survey, job, alloy))
    best = _best(plan)
    if best != len(plan.rounds) - 1 and (plan.rounds[best].is_sound or left_rounds == 1):
        return _stepped_back(plan, best)
    cures = Cures(plan, feeding, pattern, parting, survey, job, alloy)
    return _with_round(
        plan, cures.of(left_over(feeding, job), run_dry(feeding, job), low_heat(feeding, job))
    )


def left_over(feeding: Feeding, job: Job) -> tuple[HotSpot, ...]:
    """Return the pools larger than the job lets a section keep, largest first."""
    limit = job.feeding.left_pct / 100.0
    return tuple(
        spot
        for spot in feeding.hot_spots
        if not spot.fed_by and spot.isolated_volume_mm3 > limit * spot.section_volume_mm3
    )


def run_dry(feeding: Feeding, job: Job) -> dict[str, float]:
    """Return by name how much more feeders must give than they can; those of the job left out."""
    given = {feeder.name for feeder in job.rigging.feeder}
    need: dict[str, float] = {}
    for pair in feeding.pairs:
        need[pair.feeder] = need.get(pair.feeder, 0.0) + pair.need_mm3
    can = {pair.feeder: pair.can_give_mm3 for pair in feeding.pairs}
    return {
        name: amount / max(can[name], 1e-9)
        for name, amount in sorted(need.items())
        if name not in given and amount > can[name]
    }


def low_heat(feeding: Feeding, job: Job) -> frozenset[str]:
    """Return the feeders whose neck is their last metal to freeze; those of the job left out.

    Their pipe would end in the casting.
    """
    given = {feeder.name for feeder in job.rigging.feeder}
    return frozenset(
        pair.feeder
        for pair in feeding.pairs
        if pair.feeder not in given and pair.neck_time_s > PIPE_SAFE * pair.feeder_time_s
    )


def close_round(plan: RiggingPlan, feeding: Feeding, metal: Metal, job: Job) -> RiggingPlan:
    """Return the plan with the figures of its last round filled in from the solve.

    Parameters
    ----------
    plan
        A plan that has been built and frozen.
    feeding, metal
        What came of it.
    job
        The limit a round is sound by.
    """
    rounds = plan.rounds or (
        Round(
            number=0,
            changed="first plan",
            why="by modulus, volume and reach",
            left_mm3=0.0,
            yield_pct=0.0,
        ),
    )
    measured = replace(
        rounds[-1],
        left_mm3=_left_mm3(feeding),
        yield_pct=metal.yield_pct,
        is_sound=not (left_over(feeding, job) or run_dry(feeding, job) or low_heat(feeding, job)),
    )
    return replace(plan, rounds=(*rounds[:-1], measured))


def _left_mm3(feeding: Feeding) -> float:
    return round(sum(spot.isolated_volume_mm3 for spot in feeding.hot_spots), 3)


def _with_round(
    plan: RiggingPlan, change: tuple[RiggingPlan, Iterable[str], Iterable[str]] | None
) -> RiggingPlan | None:
    """Return the changed plan with its round written down; None where nothing changed."""
    if change is None:
        return None
    changed, what, why = change
    return replace(changed, rounds=(*plan.rounds, _next_round(plan, what, why)))


def _next_round(plan: RiggingPlan, what: Iterable[str], why: Iterable[str]) -> Round:
    last = plan.rounds[-1]
    return Round(
        number=last.number + 1,
        changed="; ".join(what),
        why="; ".join(why),
        left_mm3=last.left_mm3,
        yield_pct=last.yield_pct,
        before_feeders=plan.feeders,
        before_chills=plan.chills,
        before_ingates=plan.ingates,
    )


def _best(plan: RiggingPlan) -> int:
    """Return the row of the best round so far: sound before not, least left, highest yield."""
    rounds = plan.rounds
    return min(
        range(len(rounds)),
        key=lambda k: (
            not rounds[k].is_sound,
            0.0 if rounds[k].is_sound else rounds[k].left_mm3,
            -rounds[k].yield_pct,
            k,
        ),
    )


STEP_BACK: Final = "back to round"


def _has_stepped_back(plan: RiggingPlan) -> bool:
    return any(one.changed.startswith(STEP_BACK) for one in plan.rounds)


def _stepped_back(plan: RiggingPlan, row: int) -> RiggingPlan:
    """Return the plan of an earlier round again."""
    after = plan.rounds[row + 1]
    last, good = plan.rounds[-1], plan.rounds[row]
    why = (
        f"round {last.number} left {last.left_mm3:.0f} mm³, round {good.number} {good.left_mm3:.0f}"
    )
    return replace(
        plan,
        feeders=after.before_feeders,
        chills=after.before_chills,
        ingates=after.before_ingates,
        rounds=(*plan.rounds, _next_round(plan, [f"{STEP_BACK} {good.number}"], [why])),
    )
