"""Channels a job gives only in part: what is missing is added, what is given stays as it is."""

import math
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from moldprep.errors import StageError
from moldprep.geometry.shapes import trapezoid_widths_mm
from moldprep.records.plan import (
    BasinPlan,
    FilterPlan,
    IngatePlan,
    Placement,
    Point,
    Reason,
    RunnerPlan,
    SpruePlan,
    WellPlan,
)
from moldprep.rigging.gates.clearance import Blocked, clear_basin
from moldprep.rigging.gates.sides import SIDE_DEG
from moldprep.rigging.gates.sizing import Sizes
from moldprep.rigging.layout import (
    Layout,
    runner_section_mm,
    sprue_plan,
    well_diameter_mm,
)
from moldprep.tolerances import OVERLAP_MM

ADDED: Final = "the job gives the other channels"


@dataclass(frozen=True, kw_only=True)
class Hung:
    """The channels of a plan, where they may be missing."""

    placements: tuple[Placement, ...]
    sprue: SpruePlan | None
    well: WellPlan | None
    basin: BasinPlan | None
    runners: tuple[RunnerPlan, ...]
    ingates: tuple[IngatePlan, ...]
    filters: tuple[FilterPlan, ...]

    @classmethod
    def of(cls, layout: Layout) -> "Hung":
        """Return the channels of an automatic layout."""
        return cls(**{field.name: getattr(layout, field.name) for field in fields(cls)})


def completed(
    given: Hung, sizes: Sizes, top_mm: float, blocked: Blocked, *, is_printed: bool
) -> tuple[Hung, tuple[Reason, ...]]:
    """Return channels with runner, sprue, well and basin added where they are missing.

    Parameters
    ----------
    given
        What the job gives; at least ingates.
    sizes
        Areas of the whole system.
    top_mm
        Height of the cope's top, where no sprue is given. [mm]
    blocked
        Castings, feeders, chills.
    is_printed
        Stream-shaped sprue; else a cone.

    Raises
    ------
    StageError
        rigging/incomplete, where nothing says how the metal gets into the casting.
    """
    if not given.ingates:
        raise StageError(
            "the job gives some channels but no ingate, so there is nothing to lead metal to",
            code="rigging/incomplete",
            where="[rigging]",
            fix="add [[rigging.ingate]] tables, or take the other channels out as well: "
            "`moldprep plan` writes a whole set to start from",
        )
    hung, added = given, []
    if not hung.runners:
        hung = replace(hung, runners=(_runner_under(hung.ingates, sizes),))
        added.append("runner-1")
    sprue = hung.sprue
    if sprue is None:
        sprue = _sprue_at(hung.runners[0], sizes, top_mm, is_printed)
        hung = replace(hung, sprue=sprue)
        added.append("sprue")
    if hung.well is None:
        hung = replace(hung, well=_well_under(sprue, hung.runners[0]))
        added.append("well")
    if hung.basin is None:
        rim = max(top_mm, sprue.top_mm + 1.0)
        ahead = np.subtract(hung.runners[0].path_mm[1], hung.runners[0].path_mm[0])
        turn = math.degrees(math.atan2(ahead[1], ahead[0]))
        hung = replace(hung, basin=clear_basin(sprue, rim, turn, blocked))
        added.append("basin")
    return hung, tuple(
        Reason(item=item, why=f"added, since {ADDED}", source="job file") for item in added
    )


def _runner_under(ingates: tuple[IngatePlan, ...], sizes: Sizes) -> RunnerPlan:
    """Return a straight runner through the gates' outer ends, and past the last."""
    starts = np.array([gate.path_mm[0] for gate in ingates])
    inward = np.subtract(ingates[0].path_mm[1], ingates[0].path_mm[0])[:2]
    along = np.array([-inward[1], inward[0]]) / np.linalg.norm(inward)
    places = starts[:, :2] @ along
    width, height = runner_section_mm(sizes.runner_mm2)
    lead, tail = 60.0 + 0.5 * ingates[0].width_mm, 40.0 + 0.5 * ingates[0].width_mm
    middle = starts.mean(axis=0)
    offset = middle[:2] - (middle[:2] @ along) * along
    floor = float(starts[:, 2].max()) + max(gate.height_mm for gate in ingates) - OVERLAP_MM
    ends = [offset + at * along for at in (places.min() - lead, places.max() + tail)]
    return RunnerPlan(
        name="runner-1",
        path_mm=tuple((float(x), float(y), floor) for x, y in ends),
        width_mm=width,
        height_mm=height,
        side_deg=SIDE_DEG,
    )


def _sprue_at(runner: RunnerPlan, sizes: Sizes, top_mm: float, is_printed: bool) -> SpruePlan:
    """Return a sprue whose well the first runner starts in."""
    path = np.array(runner.path_mm)
    along = (path[1] - path[0]) / np.linalg.norm(path[1] - path[0])
    radius = 0.5 * well_diameter_mm(sizes.foot_mm2, runner.width_mm)
    half = 0.5 * max(trapezoid_widths_mm(runner.width_mm, runner.height_mm, runner.side_deg))
    x, y, z = path[0] - along * (math.sqrt(radius**2 - half**2) - 1.0)
    foot: Point = (float(x), float(y), float(z) + runner.height_mm)
    return sprue_plan(foot, sizes.foot_mm2, top_mm, is_cone=not is_printed)


def _well_under(sprue: SpruePlan, runner: RunnerPlan) -> WellPlan:
    """Return a well twice as deep as the runner, reaching up to the sprue's foot."""
    x, y, foot = sprue.at_mm
    floor = min(foot, runner.path_mm[0][2]) - runner.height_mm
    return WellPlan(
        at_mm=(x, y, floor),
        diameter_mm=well_diameter_mm(sprue.foot_area_mm2, runner.width_mm),
        depth_mm=foot - floor,
    )
