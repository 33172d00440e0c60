"""Feeding: the pools left in the castings, and which feeder serves what.

What counts as a source of feed metal: bodies of role FEEDER; the sprue and the basin as long as
they are liquid and joined to the pool (the merge tree sees to both); never a runner, an ingate or
a vent, which hold no level above the casting that could sink.

Times are those of fully solid metal, so a pool here is the last that can be cut off; metal in the
mush stops flowing earlier. The Niyama value speaks for that; this trace does not.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from moldprep.arrays import Floats
from moldprep.records import (
    Alloy,
    Feeding,
    FeedSection,
    Freezing,
    Grid,
    HotSpot,
    Metal,
    RiggingPlan,
    Role,
    Survey,
)
from moldprep.thermal.feedpairs import feed_pairs
from moldprep.thermal.pools import Pools, find_pools
from moldprep.thermal.regions import (
    Regions,
    cell_at,
    centers_mm,
    find_regions,
    hot_spot_s,
    region_graph,
)

SOURCES: Final = (Role.FEEDER, Role.SPRUE, Role.BASIN)

NOISE_SHARE: Final = 0.02
"""A peak lower than this over its neck, as a share of its own freezing time, is noise of the grid:
turning a part against the grid moves its times by about as much, where two cells or more lie
across its wall."""

MOST_NOISE: Final = 0.10
"""With fewer cells the noise grows: times in a 5 mm plate of steel turned against the grid scatter
by 0.9 % at two cells across, by 2.7 % at one and a half, by 7 % at one (one sigma)."""

MOSTLY: Final = 0.5
"""A pool lies in a section as well as in its own where it fills that much of it."""


def trace_feeding(
    freezing: Freezing,
    grid: Grid,
    metal: Metal,
    plan: RiggingPlan,
    survey: Survey,
    alloy: Alloy,
) -> Feeding:
    """Return the hot spots left, the order of freezing, and what each feeder does.

    Parameters
    ----------
    freezing
        Freezing time of every cell of metal.
    grid
        The metal's cells, labeled by part.
    metal
        Names and roles of the parts.
    plan
        What the feeders are meant to serve.
    survey
        Sections of the bare pattern, found again on the grid.
    alloy
        Contraction and feeding rules.

    Returns
    -------
    Feeding
        For every pool of a casting that closes off from all feeders a hot spot with its volume;
        for every section whose hot spot a feeder holds until it is solid, a hot spot with the
        feeder's name. `label` numbers the regions in the order of `sections`.

    Notes
    -----
    Irons: their graphite swells while they freeze, so a pool that closes after the share
    neck_factor² of its freezing time is counted as feeding itself (`fed_by` "expansion"). This
    rule is thin: it wants a rigid mold, good inoculation, and carbon enough.
    """
    regions = find_regions(grid, metal, plan.placements, survey)
    time_s = np.where(regions.label > 0, freezing.time_s, np.float32(np.nan))
    roles = np.array([0, *(role in SOURCES for role in metal.roles)], np.bool_)
    source = np.where(roles[grid.label], grid.label, 0).astype(np.uint16)
    pools = find_pools(time_s, source)
    tracer = _Tracer(freezing, grid, metal, regions, pools, alloy)
    hot_spots = tracer.hot_spots()
    frozen_s: dict[str, float] = {}
    for spot in hot_spots:
        frozen_s[spot.section] = max(frozen_s.get(spot.section, 0.0), spot.freezing_time_s)
    graph = region_graph(regions, time_s, grid)
    latest = {name: float(graph.nodes[name]["time_s"]) for name in graph}
    order = {name: k for k, name in enumerate(sorted(latest, key=lambda n: (latest[n], n)), 1)}
    return Feeding(
        sections=tuple(
            FeedSection(
                name=name,
                part=part,
                volume_mm3=float(volume),
                freezing_time_s=latest.get(name, 0.0),
                order=order.get(name, 0),
            )
            for name, part, volume in zip(
                regions.names, regions.part, regions.volume_mm3, strict=True
            )
        ),
        hot_spots=hot_spots,
        pairs=feed_pairs(freezing, grid, metal, plan, regions, alloy, frozen_s),
        graph=graph,
        label=regions.label,
    )


class _Tracer:
    """Turns the merge tree into hot spots."""

    def __init__(
        self,
        freezing: Freezing,
        grid: Grid,
        metal: Metal,
        regions: Regions,
        pools: Pools,
        alloy: Alloy,
    ) -> None:
        self._grid, self._metal, self._regions = grid, metal, regions
        self._pools, self._alloy = pools, alloy
        self._step_s = freezing.time_all_solid_s / max(freezing.n_steps, 1)
        self._region = regions.label.ravel()[pools.cell]
        self._hot_spot_s = {
            region: hot_spot_s(regions, region, freezing.time_s, grid)
            for region, section in enumerate(regions.section)
            if section is not None and regions.volume_mm3[region] > 0.0
        }
        self._middle = _middle_ratio(regions, self._hot_spot_s)
        self._noise = self._noise_of_regions()
        at_peak = regions.label.ravel()[pools.at]
        self._counts_as = pools.counting(self._noise[at_peak], self._step_s)
        self._part = grid.label.ravel()[pools.cell]
        is_casting = np.array([False, *(role is Role.CASTING for role in metal.roles)])
        self._in_casting = is_casting[self._part]
        self._mm3 = grid.fraction.ravel()[pools.cell].astype(np.float64) * grid.pitch_mm**3
        gates = [k for k, role in enumerate(metal.roles, start=1) if role is Role.INGATE]
        self._gates = {k: centers_mm(np.flatnonzero(grid.label.ravel() == k), grid) for k in gates}

    def hot_spots(self) -> tuple[HotSpot, ...]:
        """Return pools cut off, largest first, then the sections a feeder held, by name."""
        cut_off = [spot for pool in range(len(self._pools.closed_s)) for spot in self._of(pool)]
        cut_off.sort(key=lambda spot: (-spot.isolated_volume_mm3, spot.name, spot.at_mm))
        seen: dict[str, int] = {}
        named = []
        for spot in cut_off:
            seen[spot.name] = seen.get(spot.name, 0) + 1
            many = seen[spot.name]
            named.append(spot if many == 1 else replace(spot, name=f"{spot.name}.{many}"))
        return (*named, *self._held(set(seen)))

    def _noise_of_regions(self) -> Floats:
        """Return (k + 1,) the noise of times in each region, as a share; row 0 is sand."""
        across = [
            section.thickness_mm / self._grid.pitch_mm if section else 2.0
            for section in self._regions.section
        ]
        return noise_share(np.array([2.0, *across]))

    def _of(self, pool: int) -> list[HotSpot]:
        """Return the hot spots of one pool that lost its last feeder."""
        pools = self._pools
        closed_s = float(pools.closed_s[pool])
        counts_as = self._counts_as
        inside = (pools.pool[pools.peak] == pool) & (pools.time_s > closed_s)
        inside &= self._in_casting
        top = pools.top_of(pool)
        solid_s = float(pools.peak_s[top])
        share = float(self._noise[self._regions.label.ravel()[pools.at[top]]])
        noise_s = max(share * solid_s, 2.0 * self._step_s)
        if not inside.any() or solid_s - closed_s < noise_s:
            return []
        hole = self._highest(np.flatnonzero(inside))
        owner = counts_as[pools.peak]
        spots = []
        for peak in np.unique(owner[inside]):
            rows = np.flatnonzero(inside & (owner == peak))
            spots.append(self._spot(rows, closed_s, hole))
        return spots

    def _highest(self, rows: NDArray[np.int64]) -> Floats:
        """Return the highest point of a pool; of equally high ones the last to freeze."""
        at = centers_mm(self._pools.cell[rows], self._grid)
        top = at[:, 2] > at[:, 2].max() - 0.5 * self._grid.pitch_mm
        best: Floats = at[top][np.argmax(self._pools.time_s[rows][top])]
        return best

    def _spot(self, rows: NDArray[np.int64], closed_s: float, hole: Floats) -> HotSpot:
        """Return the hot spot of one peak's share of a cut-off pool; rows are its cells."""
        last = rows[np.argmax(self._pools.time_s[rows])]
        region = int(self._region[last]) - 1
        freezes_s = float(self._pools.time_s[last])
        liquid = float(self._mm3[rows].sum())
        feeds_itself = self._alloy.expands and closed_s >= self._alloy.feed_time_share * freezes_s
        contraction = max(self._alloy.contraction_pct, 0.0) / 100.0
        at = centers_mm(self._pools.cell[[last]], self._grid)[0]
        cure = self._cure(region, closed_s, freezes_s, liquid, feeds_itself=feeds_itself)
        gate = self._gate_beside(region, at)
        if gate:
            cure += (
                f"; the ingate {gate} keeps it hot: make it thinner, move it, or gate into a feeder"
            )
        return HotSpot(
            name=self._regions.names[region],
            section=self._regions.names[region],
            part=self._regions.part[region],
            at_mm=_point(at),
            modulus_mm=self._modulus_mm(region, freezes_s),
            freezing_time_s=freezes_s,
            fed_by="expansion" if feeds_itself else "",
            closed_s=closed_s,
            isolated_volume_mm3=0.0 if feeds_itself else liquid,
            hole_mm3=0.0 if feeds_itself else contraction * liquid,
            hole_at_mm=_point(hole),
            section_volume_mm3=self._lies_in_mm3(rows, region),
            cure=cure,
            gate=gate,
        )

    def _lies_in_mm3(self, rows: NDArray[np.int64], region: int) -> float:
        """Return the metal a pool is a share of: its section, and what it spills over. [mm³]

        A pool may be larger than the section of its hot spot. Sections it fills by half or more
        then count whole, of all others only what is in the pool: never less than the pool.
        """
        whole = np.append(0.0, self._regions.volume_mm3)
        pool = np.bincount(self._region[rows], weights=self._mm3[rows], minlength=len(whole))
        if pool.sum() <= whole[region + 1]:
            return float(whole[region + 1])
        counts = pool >= MOSTLY * whole
        counts[region + 1] = True
        return float(np.where(counts, np.maximum(whole, pool), pool).sum())

    def _cure(
        self, region: int, closed_s: float, freezes_s: float, liquid: float, *, feeds_itself: bool
    ) -> str:
        name = self._regions.names[region]
        if feeds_itself:
            return (
                f"{liquid / 1e3:.2f} cm³ of {name} was cut off at {closed_s:.0f} s; its own "
                "expansion is counted on, which wants a rigid mold (a thin rule)"
            )
        if closed_s == 0.0:
            return f"{name} never had a feeder: put one on it, or a chill against it"
        return (
            f"{name} lost its feeder at {closed_s:.0f} s and froze at {freezes_s:.0f} s: feed it "
            f"there, widen the way to the feeder that it stays open {freezes_s / closed_s:.2f} x "
            "as long, or chill it so that it freezes before that way does"
        )

    def _gate_beside(self, region: int, at_mm: Floats) -> str:
        """Return the ingate that ends within a wall's thickness of a hot spot, "" for none."""
        section = self._regions.section[region]
        near = 1.5 * section.thickness_mm if section else 0.0
        for label, cells in self._gates.items():
            if len(cells) and np.linalg.norm(cells - at_mm, axis=1).min() < near:
                return self._metal.parts[label - 1]
        return ""

    def _held(self, cut_off: set[str]) -> list[HotSpot]:
        """Return the sections whose hot spot hung on a feeder until it was solid."""
        held = np.zeros(self._grid.label.size, np.int64)
        held[self._pools.cell] = self._pools.source
        time = np.full(self._grid.label.size, np.nan)
        time[self._pools.cell] = self._pools.time_s
        spots = []
        for region, section in enumerate(self._regions.section):
            name = self._regions.names[region]
            if section is None or name in cut_off or not self._regions.volume_mm3[region] > 0.0:
                continue
            at = self._regions.at_mm[region]
            cell = np.ravel_multi_index(cell_at(at, self._grid), self._grid.label.shape)
            if not np.isfinite(time[cell]):
                cells = self._pools.cell[self._region == region + 1]
                cell = cells[np.argmax(time[cells])]
                at = centers_mm(cells[[np.argmax(time[cells])]], self._grid)[0]
            feeder = int(held[cell]) or self._usual_source(region)
            freezes_s = self._hot_spot_s[region]
            spots.append(
                HotSpot(
                    name=name,
                    section=name,
                    part=self._regions.part[region],
                    at_mm=_point(at),
                    modulus_mm=self._modulus_mm(region, freezes_s),
                    freezing_time_s=freezes_s,
                    fed_by=self._metal.parts[feeder - 1] if feeder else "",
                    closed_s=freezes_s,
                    isolated_volume_mm3=0.0,
                    hole_mm3=0.0,
                    hole_at_mm=_point(at),
                    section_volume_mm3=float(self._regions.volume_mm3[region]),
                    cure="",
                )
            )
        return spots

    def _usual_source(self, region: int) -> int:
        """Return the feeder most cells of a region hung on, 0 for none."""
        labels = self._pools.source[self._region == region + 1]
        counts = np.bincount(labels, minlength=2)
        counts[0] = 0
        return int(counts.argmax()) if counts.any() else 0

    def _modulus_mm(self, region: int, freezes_s: float) -> float:
        section = self._regions.section[region]
        constant = section.constant_s_mm2 if section else self._alloy.constant_s_mm2
        return float(np.sqrt(freezes_s / (constant * self._middle)))


def _middle_ratio(regions: Regions, hot_spot_s: Mapping[int, float]) -> float:
    """Return the middle, over all sections, of the solve's freezing time over the rule's. [-]

    The two clocks differ by superheat and by what keeps a section hot; a modulus is of the rule's.
    """
    ratios = [
        hot_spot_s[region] / section.freezing_time_s
        for region, section in enumerate(regions.section)
        if section is not None and region in hot_spot_s and section.freezing_time_s > 0.0
    ]
    middle = float(np.median(ratios)) if ratios else 1.0
    return middle if middle > 0.0 else 1.0


def _point(at: Floats) -> tuple[float, float, float]:
    return float(at[0]), float(at[1]), float(at[2])


def noise_share(cells_across: Floats) -> Floats:
    """Return how far freezing times scatter by the grid, as a share of themselves."""
    grows = (2.0 / np.clip(cells_across, 0.1, 2.0)) ** 2
    share: Floats = np.minimum(NOISE_SHARE * grows, MOST_NOISE)
    return share
