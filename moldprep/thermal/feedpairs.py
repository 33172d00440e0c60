"""Each feeder against each section it serves: times, moduli, feed metal, reach."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from moldprep.arrays import Floats
from moldprep.records import (
    Alloy,
    ChillPlan,
    FeederPlan,
    FeedPair,
    Freezing,
    Grid,
    Metal,
    RiggingPlan,
    Role,
    Section,
)
from moldprep.rigging.feed_reach import bar_reach_mm, plate_reach_mm
from moldprep.rigging.feed_volume import PIPE_KEPT, efficiency_of, feed_demand_pct
from moldprep.rigging.feeders import MODULUS_GAIN, feeder_modulus_mm
from moldprep.thermal.feed_shares import shared_needs, ways_between, ways_down
from moldprep.thermal.pools import grown
from moldprep.thermal.regions import Regions, centers_mm, region_name

TERRITORY_SHARE: Final = 0.05
"""A feeder nearest to less than this share of a section is not said to serve it."""

CUBE: Final = np.ones((3, 3, 3), np.bool_)


def demand_pct(alloy: Alloy) -> float:
    """Return what feeders must make up for, at the middle of the alloy's pouring range. [%]"""
    superheat = max(alloy.pour_c - alloy.liquidus_c, 0.0)
    return feed_demand_pct(alloy.contraction_pct, alloy.liquid_contraction_pct_100k, superheat)


def section_reach_mm(section: Section, alloy: Alloy, *, to_end: bool, is_chilled: bool) -> float:
    """Return how far a feeder reaches in a section: to a free end, or toward another feeder. [mm]

    Steel bars by the bar rule, all else by the plate rule with the alloy's multiples of T.
    """
    if section.shape == "bar" and alloy.family == "steel" and to_end:
        return bar_reach_mm(section.thickness_mm, has_end_chill=is_chilled)
    gain = alloy.end_chill_mm if is_chilled else 0.0
    return plate_reach_mm(section.thickness_mm, alloy.reach_t[int(to_end)], chill_gain_mm=gain)


def planned_modulus_mm(feeder: FeederPlan) -> float:
    """Return the modulus of a feeder as planned: the foot of a top feeder does not cool. [mm]"""
    return feeder_modulus_mm(
        feeder.diameter_mm,
        max(feeder.height_mm, feeder.diameter_mm / 2.0),
        cooled_ends=1 if feeder.kind == "top" else 2,
        is_domed=not feeder.is_open,
        gain=MODULUS_GAIN[feeder.sleeve],
    )


def feeder_top_mm(feeder: FeederPlan, cope_mm: float) -> float:
    """Return where a feeder ends; an open one goes up to the top of the cope. [mm]"""
    top = feeder.at_mm[2] + feeder.height_mm
    return max(top, cope_mm) if feeder.is_open else top


def can_give_mm3(feeder: FeederPlan, volume_mm3: float, demand: float) -> float:
    """Return the feed metal a feeder has for others: efficiency less its own contraction. [mm³]"""
    share = efficiency_of(feeder.diameter_mm, feeder.height_mm, feeder.sleeve) - demand / 100.0
    return max(0.0, share) * volume_mm3


def gives_mm3(pair: FeedPair, demand: float, down_to: float) -> float:
    """Return the feed metal a feeder gives while its pipe goes down to a share of the way. [mm³]"""
    own = demand / 100.0 * pair.feeder_volume_mm3
    return max(0.0, down_to * (pair.can_give_mm3 + own) - own)


def feed_pairs(
    freezing: Freezing,
    grid: Grid,
    metal: Metal,
    plan: RiggingPlan,
    regions: Regions,
    alloy: Alloy,
    hot_spots: Mapping[str, float],
) -> tuple[FeedPair, ...]:
    """Return one pair for each feeder and section it serves, as planned or by nearness.

    `hot_spots` holds when the hot spot of each section froze. [s]
    """
    feeders = [feeder for feeder in plan.feeders if feeder.name in metal.parts]
    if not feeders:
        return ()
    return _Pairs(freezing, grid, metal, plan, regions, alloy, hot_spots, feeders).all()


@dataclass(frozen=True)
class _Worst:
    """The worst of two ways to run out of reach."""

    distance_mm: float
    reach_mm: float


class _Pairs:
    def __init__(
        self,
        freezing: Freezing,
        grid: Grid,
        metal: Metal,
        plan: RiggingPlan,
        regions: Regions,
        alloy: Alloy,
        hot_spots: Mapping[str, float],
        feeders: list[FeederPlan],
    ) -> None:
        self._time = np.nan_to_num(freezing.time_s, nan=-1.0)
        self._grid, self._metal, self._plan = grid, metal, plan
        self._regions, self._alloy, self._feeders = regions, alloy, feeders
        self._demand, self._hot_spots = demand_pct(alloy), hot_spots
        self._way, self._nearest = self._ways()

    def _number(self, part: str) -> int:
        return self._metal.parts.index(part) + 1

    def _bodies(self, feeder: FeederPlan) -> list[int]:
        """Return the labels of a feeder and of its neck."""
        return [
            self._number(name)
            for name in (feeder.name, f"neck-{feeder.name}")
            if name in self._metal.parts
        ]

    def _ways(self) -> tuple[NDArray[np.float32], NDArray[np.uint16]]:
        """Return the way from the nearest feeder's edge through the castings, and its number.

        Metal runs down: what lies higher than a feeder's top is another's that stands higher,
        where there is one with a way to it.
        """
        label = self._grid.label
        roles = [False, *(role is Role.CASTING for role in self._metal.roles)]
        casting = np.array(roles)[label]
        start = np.zeros(label.shape, np.uint16)
        for number, feeder in enumerate(self._feeders, start=1):
            touching = grown(np.isin(label, self._bodies(feeder)))
            start[touching & casting & (start == 0)] = number
        return ways_down(casting, start, self._tops_mm(), self._grid)

    def _tops_mm(self) -> Floats:
        """Return the height up to which each feeder can feed; row 0 is none. [mm]"""
        tops = [feeder_top_mm(feeder, self._plan.top_mm) for feeder in self._feeders]
        return np.array([np.inf, *tops])

    def all(self) -> tuple[FeedPair, ...]:
        found = {number: self._of(number, f) for number, f in enumerate(self._feeders, start=1)}
        need = {number: sum(pair.need_mm3 for pair in pairs) for number, pairs in found.items()}
        can = {number: pairs[0].can_give_mm3 for number, pairs in found.items() if pairs}
        need = {number: need[number] for number in can}
        kept = {number: gives_mm3(found[number][0], self._demand, PIPE_KEPT) for number in can}
        ways = ways_between(self._nearest, self._time, self._grid)
        after = shared_needs(need, (kept, can), ways, self._demand / 100.0)
        return tuple(
            replace(pair, need_mm3=pair.need_mm3 * after[number] / max(need[number], 1e-9))
            for number, pairs in found.items()
            for pair in pairs
        )

    def _of(self, number: int, feeder: FeederPlan) -> list[FeedPair]:
        n_castings = sum(role is Role.CASTING for role in self._metal.roles)
        meant = {region_name(feeder.into, name, n_castings) for name in feeder.serves}
        label = self._number(feeder.name)
        cells = self._grid.label == label
        volume = float(self._grid.fraction[cells].sum()) * self._grid.pitch_mm**3
        lasts_s = float(self._time[cells].max()) if cells.any() else 0.0
        neck_s, neck_at = self._neck(feeder)
        pairs = []
        for region, section in enumerate(self._regions.section):
            whole = self._regions.volume_mm3[region]
            if section is None or not whole > 0.0:
                continue
            own = (self._regions.label == region + 1) & (self._nearest == number)
            share = float(self._grid.fraction[own].sum()) * self._grid.pitch_mm**3 / whole
            name = self._regions.names[region]
            if name not in meant and share < TERRITORY_SHARE:
                continue
            worst = self._reach(own, number, section)
            pairs.append(
                FeedPair(
                    feeder=feeder.name,
                    section=name,
                    feeder_time_s=lasts_s,
                    section_time_s=self._hot_spots[name],
                    neck_time_s=neck_s,
                    feeder_modulus_mm=planned_modulus_mm(feeder),
                    section_modulus_mm=section.modulus_mm,
                    feeder_volume_mm3=volume,
                    need_mm3=self._demand / 100.0 * share * float(whole),
                    can_give_mm3=can_give_mm3(feeder, volume, self._demand),
                    distance_mm=worst.distance_mm,
                    reach_mm=worst.reach_mm,
                    neck_mm=neck_at,
                )
            )
        return pairs

    def _reach(self, own: NDArray[np.bool_], number: int, section: Section) -> _Worst:
        """Return the way and the reach where they are worst: to the end, or toward a rival.

        The way counts from where feed metal enters the section: what lies before it is thicker,
        and so a feeder to it, or it is a neck, which is judged by its own time.
        """
        entry = float(self._way[own].min()) if own.any() else 0.0
        ways = self._way[own] - entry
        if not len(ways):
            return _Worst(
                0.0, section_reach_mm(section, self._alloy, to_end=True, is_chilled=False)
            )
        far = np.flatnonzero(own.ravel())[np.argmax(ways)]
        chilled = self._is_chilled(centers_mm(np.array([far]), self._grid)[0], section)
        end = _Worst(
            float(ways.max()),
            section_reach_mm(section, self._alloy, to_end=True, is_chilled=chilled),
        )
        rival = (self._nearest > 0) & (self._nearest != number)
        border = own & grown(rival)
        if not border.any():
            return end
        middle = _Worst(
            float(self._way[border].max()) - entry,
            section_reach_mm(section, self._alloy, to_end=False, is_chilled=False),
        )
        return max(end, middle, key=lambda w: w.distance_mm / w.reach_mm)

    def _is_chilled(self, at_mm: Floats, section: Section) -> bool:
        return any(_is_near(chill, at_mm, section.thickness_mm) for chill in self._plan.chills)

    def _neck(self, feeder: FeederPlan) -> tuple[float, tuple[float, float, float]]:
        """Return when the way from the feeder into its casting freezes, and where.

        With a neck: the last moment at which liquid runs through the neck's whole length, the
        best of all ways by the worst cell of each. Without: the contact itself.
        """
        label, time = self._grid.label, self._time
        own = np.isin(label, self._bodies(feeder))
        roles = [False, *(role is Role.CASTING for role in self._metal.roles)]
        casting = np.array(roles)[label]
        edge = casting & grown(own)
        if not edge.any():
            return 0.0, feeder.at_mm
        box = ndimage.find_objects((own | edge).astype(np.int8))[0]
        when, cell = _widest(
            time[box], (own | edge)[box], (label == self._number(feeder.name))[box], edge[box]
        )
        at = (
            self._grid.origin_mm
            + (np.array([s.start for s in box]) + np.array(cell) + 0.5) * self._grid.pitch_mm
        )
        return when, (float(at[0]), float(at[1]), float(at[2]))


def _is_near(chill: ChillPlan, at_mm: Floats, reach_mm: float) -> bool:
    """Return whether a chill's block, at any turn, is within `reach_mm` of a point."""
    half = 0.5 * float(np.linalg.norm(chill.size_mm))
    return bool(np.linalg.norm(np.asarray(chill.at_mm) - at_mm) <= half + reach_mm)


def _widest(
    time: NDArray[np.float32],
    open_: NDArray[np.bool_],
    start: NDArray[np.bool_],
    goal: NDArray[np.bool_],
) -> tuple[float, tuple[int, ...]]:
    """Return the last time at which start and goal hang together through open cells, and where."""
    times = np.unique(time[open_])
    low, high = 0, len(times)
    while high - low > 1:  # at times[low] they hang together, at times[high] they do not
        middle = (low + high) // 2
        pools, _ = ndimage.label(open_ & (time >= times[middle]), CUBE)
        both = np.intersect1d(pools[start], pools[goal])
        low, high = (middle, high) if (both > 0).any() else (low, middle)
    narrow = np.argwhere(open_ & (time == times[low]))
    return float(times[low]), tuple(int(v) for v in narrow[0])
