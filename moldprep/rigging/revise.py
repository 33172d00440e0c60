"""The closed loop of feeding: which plan is tried next, what each round did, which one is kept."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

from moldprep.errors import StageError
from moldprep.geometry.pitch import LEAST_CELLS
from moldprep.records import (
    Alloy,
    Feeding,
    Freezing,
    Grid,
    HotSpot,
    Job,
    Metal,
    Parting,
    Pattern,
    Placement,
    Reason,
    RiggingPlan,
    Round,
    Rules,
    Step,
    Survey,
)
from moldprep.results import Results
from moldprep.rigging.feed.cures import Cures
from moldprep.rigging.feed.elbow_room import ElbowRoom
from moldprep.rigging.feed.feeder_seats import SeatFinder
from moldprep.rigging.feed.ground import Ground
from moldprep.rigging.feed.revision import Revision
from moldprep.rigging.feed.savings import (
    fewer_feeders,
    smaller_feeders,
    without_idle_feeders,
)
from moldprep.rigging.feed.shortfall import (
    early_necks,
    is_sound,
    left_over,
    low_heat,
    reserve_mm3,
    run_dry,
    short_mm3,
    troubles,
    unfed_mm3,
)
from moldprep.rigging.feed_volume import PIPE_KEPT
from moldprep.rigging.gates.sizing import Shop
from moldprep.thermal.feedpairs import demand_pct
from moldprep.thermal.out_of_reach import unreached
from moldprep.thermal.without import Without
from moldprep.units import mass_kg

TRIAL_SHARE: Final = 0.15
"""Budget of a trial's heat solve over that of the last one: its cells are half as long again."""

LEAST_SHRINKAGE_PCT: Final = 1.0
"""What a pool is taken to shrink by at least, in comparing rounds: irons may ask for nothing."""

SAME: Final = 0.02
"""Holes that differ by less than this share are the same: a pool's edge moves by a cell."""

LAST_ROUNDS: Final = 2
"""Rounds on the full grid, at most, where it shows a pool that the trials did not, and those that
the trials left over."""

FEEDER_COSTS: Final = 0.01
"""What a feeder costs besides its metal, to mold, cut off and grind, over all metal poured (common
practice, no source)."""

RESERVE_COSTS: Final = 1.2
"""What a feeder without its reserve costs, over the metal that would give it one: it is worth
pouring, but not a feeder more (common practice, no source)."""

SAVINGS: Final = ("idle", "fewer", "smaller")
"""What is tried once there is nothing to cure, in this order; a kind that failed is not tried
again, but for feeders that nothing hangs on: fewer of them may go."""

Make = Callable[[Results], Results]


def feed_by_rounds(results: Results, trial: Make, final: Make) -> Results:
    """Return the results of the best plan that was found, frozen at the job's full budget.

    Trials build and freeze one plan after another on a coarser grid, until nothing is left to
    cure and nothing to save, or the job's rounds are spent. The best of them is frozen on the full
    grid; if that shows a pool, a plan or two are tried there. Every round is in the plan's list.

    Parameters
    ----------
    results
        Everything up to the first plan.
    trial, final
        Build and freeze the plan in some results: quickly, and with all there is.

    Raises
    ------
    StageError
        Where even the first plan cannot be built.

    Notes
    -----
    Better is, in this order: less liquid cut off inside castings beyond the job's limit and less
    feed metal that feeders lack, fewer sections far beyond reach, fewer feeders that are hottest at
    their neck or shut off by it, less metal poured, with what a reserve would take where the yield
    bears it.
    """
    job = results.need(Job)
    loop = _Loop(job)
    if job.feeding.rounds and {"feeders", "chills", "gating"} & set(job.rigging.auto):
        loop.go(lambda r: trial(r.plus(_coarse(job))), results, job.feeding.rounds)
        results = loop.best.plus(job)
        left = loop.end_trials()
        loop.go(final, results, left, opening=f"round {loop.best_number} on the full grid")
    else:
        loop.go(final, results, 0)
    return loop.closed()


def _coarse(job: Job) -> Job:
    """Return the job with a smaller budget for the heat solve, which ends when all is solid."""
    budget = TRIAL_SHARE * job.freezing.max_updates
    keys = job.freezing.model_copy(update={"max_updates": budget, "shake_out": False})
    return job.model_copy(update={"freezing": keys})


class _Loop:
    """Goes from plan to plan; remembers the best one and what did not help."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._rounds: list[Round] = []
        self._refused: set[str] = set()
        self._savings = list(SAVINGS)
        self._saving = ""
        self._has_trials = True
        self._finder: SeatFinder | None = None
        self._left: tuple[Reason, ...] = ()
        self.best_number = 0

    def go(self, make: Make, results: Results, most: int, opening: str = "first plan") -> None:
        """Try plans by one way of making them: the one in `results`, then `most` more."""
        why = "by modulus, volume and reach" if not self._rounds else "trials are coarser"
        self.best = make(results)
        self._note(opening, why)
        self._measure(self.best, "kept")
        self.best_number = self._rounds[-1].number
        while most > 0 and (revision := self._revision()) is not None:
            most -= 1
            changed = "; ".join(step.text for step in revision.steps)
            self._note(changed, "; ".join(revision.why), revision.steps)
            try:
                tried = make(self.best.plus(revision.plan))
            except StageError as err:
                self._rounds[-1] = replace(self._rounds[-1], outcome=f"not built: {err.what}")
                at_fault = err.where.split()[-1].removeprefix("neck-") if err.where else ""
                named = {step.change for step in revision.steps if step.item == at_fault}
                self._refuse(named or {step.change for step in revision.steps})
                continue
            self._judge(tried, revision)

    def closed(self) -> Results:
        """Return the best results, their plan with the list of rounds and what would still help."""
        plan, left = self.best.need(RiggingPlan), list[Reason]()
        if self._job.feeding.rounds and not self._is_sound(self.best):
            revision = self._revision()
            for step in revision.steps if revision else ():
                why = f"the job's rounds are spent (feeding.rounds); next to try: {step.text}"
                left.append(Reason(item=step.for_what, why=why, source="the heat solve"))
            left += self._left
        whole = replace(plan, rounds=tuple(self._rounds), reasons=(*plan.reasons, *left))
        return self.best.plus(whole)

    def end_trials(self) -> int:
        """Return the rounds that are left for the full grid: no savings, an end where none helps.

        The first of those done is the first plan itself.
        """
        self._savings.clear()
        self._has_trials = False
        return max(LAST_ROUNDS, self._job.feeding.rounds + 1 - len(self._rounds))

    def _revision(self) -> Revision | None:
        """Return the next plan to try from the best one, or None."""
        plan, feeding = self.best.need(RiggingPlan), self.best.need(Feeding)
        plan, alloy = replace(plan, rounds=tuple(self._rounds)), self.best.need(Alloy)
        finder = self._seats(plan, alloy)
        self._left, self._saving = (), ""
        if self._is_done(self.best):
            return self._saved(plan, feeding, finder, alloy)
        above_mm = Shop.of(self.best.need(Rules)).feeder_wall_mm
        refused = frozenset(self._refused)
        cures = Cures(plan, feeding, finder, self._job, alloy, above_mm, refused)
        pools = left_over(feeding, self._job)
        seen = _seen_by_the_grid(pools, self.best)
        dry = run_dry(feeding, self._job, alloy, _keeps(self.best))
        low, early = self._shaped(feeding, alloy)
        revision = cures.of(seen, dry, low, early)
        self._left = (*cures.left, *_left_unseen(len(pools) - len(seen)))
        return revision or self._saved(plan, feeding, finder, alloy)

    def _shaped(self, feeding: Feeding, alloy: Alloy) -> tuple[frozenset[str], frozenset[str]]:
        """Return the feeders hottest at their neck, and those shut off by it; of trials alone.

        No solve on the full grid is spent on what pools and feed metal do not ask for.
        """
        if not self._has_trials:
            return frozenset(), frozenset()
        low, early = low_heat(feeding, self._job, alloy), early_necks(feeding, self._job, alloy)
        return frozenset(low), frozenset(early)

    def _saved(
        self, plan: RiggingPlan, feeding: Feeding, finder: SeatFinder, alloy: Alloy
    ) -> Revision | None:
        """Return the first saving that is left to try, or None."""
        for kind in tuple(self._savings):
            self._saving = kind
            if kind == "idle":
                mold = _without(self.best)
                revision = without_idle_feeders(plan, mold, self._job, frozenset(self._refused))
            elif kind == "fewer":
                room = ElbowRoom(plan, finder, plan.placements)
                revision = fewer_feeders(plan, feeding, self._job, alloy, room)
            else:
                revision = smaller_feeders(plan, feeding, self._job, alloy)
            if revision is not None:
                return revision
        self._saving = ""
        return None

    def _seats(self, plan: RiggingPlan, alloy: Alloy) -> SeatFinder:
        """Return the finder of seats on the casting, the same for all rounds."""
        if self._finder is None:
            ground = Ground(
                self.best.need(Survey), self.best.need(Pattern), self.best.need(Parting),
                self._job, alloy, plan.placements or (Placement(name="casting"),),
                plan.print_rooms,
            )  # fmt: skip
            self._finder = SeatFinder(ground)
        return self._finder

    def _refuse(self, what: set[str]) -> None:
        """Remember what did not help; a kind of saving is given up for good."""
        self._refused |= what
        if self._saving in self._savings and self._saving != "idle":
            self._savings.remove(self._saving)

    def _judge(self, tried: Results, revision: Revision) -> None:
        """Keep a round's results where they are better, else remember what did not help."""
        if self._is_better(tried, self.best):
            self.best = tried
            self._measure(tried, "kept")
            self.best_number = self._rounds[-1].number
            return
        self._measure(tried, f"put back to round {self.best_number}")
        before, after = (self._troubles(r) for r in (self.best, tried))
        bad = {
            step.change
            for step in revision.steps
            if after.get(step.for_what, 0.0) >= before.get(step.for_what, 0.0)
        }
        grown = {name for name in after if after[name] > (1.0 + SAME) * before.get(name, 0.0)}
        bad |= _in_the_way(revision, grown, tried.need(Feeding))
        self._refuse(bad or _costliest(revision))

    def _is_better(self, tried: Results, best: Results) -> bool:
        keeps = max(_keeps(tried), _keeps(best))
        for a, b in zip(self._faults(tried), self._faults(best), strict=True):
            if abs(a - b) > SAME * max(a, b):
                return a < b
        return self._cost_kg(tried, keeps) < self._cost_kg(best, keeps)

    def _faults(self, results: Results) -> tuple[float, ...]:
        """Return what is compared, the worst first: holes [mm³], sections out of reach, bad necks.

        A pool leaves what it shrinks by, a feeder that runs dry what it lacks.
        """
        feeding, alloy = results.need(Feeding), results.need(Alloy)
        shrinks = max(demand_pct(alloy), LEAST_SHRINKAGE_PCT) / 100.0
        holes = shrinks * unfed_mm3(feeding, self._job) + short_mm3(feeding, self._job, alloy)
        return (
            holes,
            len(unreached(feeding, results.need(Freezing), alloy)),
            len(low_heat(feeding, self._job, alloy)) + len(early_necks(feeding, self._job, alloy)),
        )

    def _cost_kg(self, results: Results, keeps: float) -> float:
        """Return the metal poured, with what feeders cost besides and lack of a reserve. [kg]"""
        alloy, poured = results.need(Alloy), results.need(Metal).mass_kg
        lacking = RESERVE_COSTS * reserve_mm3(results.need(Feeding), self._job, alloy, keeps)
        n_feeders = len(results.need(RiggingPlan).feeders)
        return poured * (1.0 + FEEDER_COSTS * n_feeders) + mass_kg(lacking, alloy.density_kg_m3)

    def _is_sound(self, results: Results) -> bool:
        return is_sound(results.need(Feeding), self._job, results.need(Alloy))

    def _is_done(self, results: Results) -> bool:
        """Return whether all is sound, and feeders keep a reserve where the yield bears it."""
        feeding, alloy = results.need(Feeding), results.need(Alloy)
        short = run_dry(feeding, self._job, alloy, _keeps(results))
        return self._is_sound(results) and not short

    def _troubles(self, results: Results) -> dict[str, float]:
        return troubles(results.need(Feeding), self._job, results.need(Alloy))

    def _note(self, changed: str, why: str, steps: tuple[Step, ...] = ()) -> None:
        number = len(self._rounds)
        self._rounds.append(
            Round(number=number, changed=changed, why=why, steps=steps, left_mm3=0.0, yield_pct=0.0)
        )

    def _measure(self, results: Results, outcome: str) -> None:
        """Write down what the last round did."""
        feeding, metal = results.need(Feeding), results.need(Metal)
        self._rounds[-1] = replace(
            self._rounds[-1],
            left_mm3=round(sum(spot.isolated_volume_mm3 for spot in feeding.hot_spots), 3),
            unfed_mm3=round(unfed_mm3(feeding, self._job), 3),
            yield_pct=metal.yield_pct,
            poured_kg=metal.mass_kg,
            pitch_mm=results.need(Grid).pitch_mm,
            is_sound=self._is_sound(results),
            outcome=outcome,
        )


def _in_the_way(revision: Revision, grown: set[str], feeding: Feeding) -> set[str]:
    """Return the chills beside whose section a neighbor lost more: they close the way to it."""
    ways, chills = feeding.graph, {chill.name for chill in revision.plan.chills}
    return {
        step.change
        for step in revision.steps
        if step.item in chills
        and step.for_what in ways
        and grown & set(ways.neighbors(step.for_what))
    }


def _costliest(revision: Revision) -> set[str]:
    """Return the changes that are given up first where each helped, but not all together.

    New feeders pour more metal and keep their neighbors hot; what is left may do without them.
    """
    feeders = {feeder.name for feeder in revision.plan.feeders}
    new = {step.change for step in revision.steps if step.kind == "add" and step.item in feeders}
    return new or {step.change for step in revision.steps}


def _keeps(results: Results) -> float:
    """Return how far down pipes may go: less than all where the yield bears the metal for it."""
    low, _ = results.need(Alloy).yield_pct
    return PIPE_KEPT if results.need(Metal).yield_pct >= low else 1.0


def _without(results: Results) -> Without:
    """Return the mold of some results, to be tried without some of its feeders."""
    return Without(
        results.need(Freezing), results.need(Grid), results.need(Metal), results.need(Feeding)
    )


def _seen_by_the_grid(pools: tuple[HotSpot, ...], results: Results) -> tuple[HotSpot, ...]:
    """Return the pools in sections the grid can see: none is cured that may be its noise."""
    least = LEAST_CELLS * results.need(Grid).pitch_mm
    thin = {s.name for s in results.need(Survey).sections if s.thickness_mm < least}
    return tuple(pool for pool in pools if pool.section not in thin)


def _left_unseen(n_pools: int) -> tuple[Reason, ...]:
    """Return the remark on pools that were not acted on."""
    if not n_pools:
        return ()
    why = (
        f"{n_pools} pools lie in sections thinner than {LEAST_CELLS:g} cells of the heat solve, "
        "whose times are the grid's: nothing is set for them; raise freezing.max_updates"
    )
    return (Reason(item="feeding", why=why, source="the heat solve"),)
