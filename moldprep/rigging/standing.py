"""What an automatic plan hangs on a casting is tried there; what cannot be built is left out."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from moldprep.errors import StageError
from moldprep.records import FeederPlan, Job, Pattern, Reason, RiggingPlan, VentPlan
from moldprep.records.plan import IngatePlan
from moldprep.rigging.bodies import feeder_bodies, ingate_body, vent_body
from moldprep.rigging.build import placed_casting
from moldprep.rigging.feed.reach import Target

Item = TypeVar("Item", FeederPlan, VentPlan, IngatePlan)


def standing(plan: RiggingPlan, pattern: Pattern, job: Job) -> RiggingPlan:
    """Return the plan without automatic feeders, vents and ingates that cannot be built.

    Each that goes has a reason. The last ingate stays, and the build says what is wrong with it.

    Parameters
    ----------
    plan
        Places and sizes.
    pattern
        What they hang on.
    job
        What it gives itself stays, right or wrong.
    """
    keys = job.rigging
    given = {item.name for items in (keys.feeder, keys.vent, keys.ingate) for item in items}
    targets = {
        place.name: Target(place.name, placed_casting(pattern, place).solid)
        for place in plan.placements
    }
    if len(targets) == 1:
        targets["casting"] = next(iter(targets.values()))
    reasons: list[Reason] = []

    def built(items: Sequence[Item], build: Callable[[Item], object]) -> tuple[Item, ...]:
        kept = []
        for item in items:
            try:
                if item.name not in given and item.into in targets:
                    build(item)
            except StageError as err:
                reasons.append(
                    Reason(
                        item=item.name, why=f"left out: {err.what}", source="tried on the casting"
                    )
                )
            else:
                kept.append(item)
        return tuple(kept)

    feeders = built(plan.feeders, lambda f: feeder_bodies(f, targets[f.into], plan.top_mm))
    gone = {feeder.name for feeder in plan.feeders} - {feeder.name for feeder in feeders}
    vents = built(
        [vent for vent in plan.vents if vent.into not in gone],
        lambda vent: vent_body(vent, targets[vent.into], plan.top_mm),
    )
    ingates = built(
        [gate for gate in plan.ingates if gate.into not in gone],
        lambda gate: ingate_body(gate, targets[gate.into]),
    )
    return replace(
        plan,
        feeders=feeders,
        vents=vents,
        ingates=ingates or plan.ingates,
        reasons=(*plan.reasons, *reasons),
    )
