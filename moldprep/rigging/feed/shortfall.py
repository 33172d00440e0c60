"""What feeding still lacks after a solve: pools left over, feeders run dry, heat too low."""

from typing import Final

from moldprep.records import Alloy, Feeding, FeedPair, HotSpot, Job
from moldprep.thermal.feedpairs import demand_pct, gives_mm3

PIPE_SAFE: Final = 0.99
"""A feeder whose neck lasts longer than this share of its own time pipes into the casting."""

ROUNDING: Final = 1e-6
"""Share by which a feeder that gives all it can may seem to give more."""


def is_sound(feeding: Feeding, job: Job, alloy: Alloy) -> bool:
    """Return whether no pool is over the limit, no feeder runs dry, and necks close in time."""
    is_dry = bool(run_dry(feeding, job, alloy))
    is_shut = bool(low_heat(feeding, job, alloy) or early_necks(feeding, job, alloy))
    return not (left_over(feeding, job) or is_dry or is_shut)


def unfed_mm3(feeding: Feeding, job: Job) -> float:
    """Return the liquid cut off inside castings beyond what the job lets a section keep. [mm³]"""
    limit = job.feeding.left_pct / 100.0
    return sum(
        spot.isolated_volume_mm3 - limit * spot.section_volume_mm3
        for spot in left_over(feeding, job)
    )


def reserve_mm3(feeding: Feeding, job: Job, alloy: Alloy, keeps: float) -> float:
    """Return the metal feeders would have to be larger by to keep their pipes so short. [mm³]"""
    given = {feeder.name for feeder in job.rigging.feeder}
    need, can = _need_and_can(feeding, alloy, keeps)
    volume = {pair.feeder: pair.feeder_volume_mm3 for pair in feeding.pairs}
    lacking = {name: need[name] - can[name] for name in need if name not in given}
    return sum(
        volume[name] * amount / can[name]
        for name, amount in lacking.items()
        if amount > 0.0 and can[name] > 0.0
    )


def short_mm3(feeding: Feeding, job: Job, alloy: Alloy) -> float:
    """Return the feed metal that feeders lack; those of the job left out. [mm³]"""
    given = {feeder.name for feeder in job.rigging.feeder}
    need, can = _need_and_can(feeding, alloy, keeps=1.0)
    return sum(max(need[name] - can[name], 0.0) for name in need if name not in given)


def left_over(feeding: Feeding, job: Job) -> tuple[HotSpot, ...]:
    """Return the pools larger than the job lets a section keep, largest first."""
    limit = job.feeding.left_pct / 100.0
    return tuple(
        spot
        for spot in feeding.hot_spots
        if not spot.fed_by and spot.isolated_volume_mm3 > limit * spot.section_volume_mm3
    )


def run_dry(feeding: Feeding, job: Job, alloy: Alloy, keeps: float = 1.0) -> dict[str, float]:
    """Return by name how much more feeders must give than they can; those of the job left out.

    `keeps` is how far down to their necks their pipes may go, over the whole way.
    """
    given = {feeder.name for feeder in job.rigging.feeder}
    need, can = _need_and_can(feeding, alloy, keeps)
    return {
        name: amount / max(can[name], 1e-9)
        for name, amount in sorted(need.items())
        if name not in given and amount > (1.0 + ROUNDING) * can[name]
    }


def low_heat(feeding: Feeding, job: Job, alloy: Alloy) -> frozenset[str]:
    """Return the feeders whose neck is their last metal to freeze; those of the job left out.

    Their pipe would end in the casting. An iron's pipe is done when the iron begins to expand:
    there a feeder need only be liquid above its neck until then.
    """
    given = {feeder.name for feeder in job.rigging.feeder}
    return frozenset(
        pair.feeder
        for pair in feeding.pairs
        if pair.feeder not in given
        and alloy.feed_time_share * pair.neck_time_s > PIPE_SAFE * pair.feeder_time_s
    )


def early_necks(feeding: Feeding, job: Job, alloy: Alloy) -> dict[str, str]:
    """Return the feeders of sections all of whose necks freeze first, and the section.

    By section the one whose neck lasts longest; those of the job left out.
    """
    given = {feeder.name for feeder in job.rigging.feeder}
    last: dict[str, FeedPair] = {}
    for pair in feeding.pairs:
        if pair.section not in last or pair.neck_time_s > last[pair.section].neck_time_s:
            last[pair.section] = pair
    return {
        pair.feeder: section
        for section, pair in last.items()
        if pair.feeder not in given
        and pair.neck_time_s < alloy.feed_time_share * pair.section_time_s
    }


def troubles(feeding: Feeding, job: Job, alloy: Alloy) -> dict[str, float]:
    """Return by section its liquid cut off [mm³], by feeder how dry or how low it is [-]."""
    found: dict[str, float] = {}
    for spot in feeding.hot_spots:
        found[spot.section] = found.get(spot.section, 0.0) + spot.isolated_volume_mm3
    found |= run_dry(feeding, job, alloy)
    low = low_heat(feeding, job, alloy)
    early = early_necks(feeding, job, alloy)
    for pair in feeding.pairs:
        if early.get(pair.feeder) == pair.section:
            ratio = pair.section_time_s / max(pair.neck_time_s, 1e-9)
            found[pair.feeder] = max(found.get(pair.feeder, 0.0), ratio)
        if pair.feeder in low:
            ratio = pair.neck_time_s / max(pair.feeder_time_s, 1e-9)
            found[pair.feeder] = max(found.get(pair.feeder, 0.0), ratio)
    return found


def _need_and_can(
    feeding: Feeding, alloy: Alloy, keeps: float
) -> tuple[dict[str, float], dict[str, float]]:
    """Return by feeder what it must give and what it can. [mm³]"""
    need: dict[str, float] = {}
    can: dict[str, float] = {}
    for pair in feeding.pairs:
        need[pair.feeder] = need.get(pair.feeder, 0.0) + pair.need_mm3
        can[pair.feeder] = gives_mm3(pair, demand_pct(alloy), keeps)
    return need, can
