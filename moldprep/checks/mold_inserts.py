"""Can chills, sleeves and filters be put into the sand?"""

from collections.abc import Iterator
from math import isfinite

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Handling, Mold, Parting, Rigging, Role
from moldprep.results import Results


@check(
    id="mold/inserts-go-in",
    why="Nothing is printed round a chill or a sleeve: where no straight move takes it into its "
    "pocket before the mold closes, it stays on the bench.",
    source="core setting practice; swept bodies",
    limit=0.0,
    unit="mm²",
)
def inserts_go_in(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the sand in the way of each insert, seen along its best move, against none."""
    inserts = results.need(Handling).inserts
    if not results.need(Mold).inserts:
        yield passed_over("no chills or sleeves")
        return
    for insert in inserts:
        is_held = isfinite(insert.blocked_mm2)
        yield judged(
            insert.blocked_mm2 <= limit,
            f"{insert.name} goes {insert.way}"
            if insert.blocked_mm2 <= limit
            else f"{insert.name}: {insert.way}, {insert.blocked_mm2:.0f} mm² of sand bar it"
            if is_held
            else f"{insert.name} lies against no sand",
            value=insert.blocked_mm2 if is_held else float("nan"),
            part=insert.name,
            at_mm=insert.at_mm,
            remedy="an open feeder (rigging.feeder.is_open = true) takes its sleeve from above; "
            "move the parting or add one at its top (mold.cheeks_at_mm); make a chill smaller than "
            "the cavity it goes through; or plan without it (feeding.sleeves = 'none')",
        )


@check(
    id="mold/filters-go-in",
    why="A filter is set into its print where the mold opens: one that lies inside a piece of sand "
    "stays on the bench, and the metal runs unfiltered.",
    source="geometry",
    limit=0.0,
    unit="mm",
    miss=Verdict.WARN,
)
def filters_go_in(results: Results, limit: float) -> Iterator[Finding]:
    """Measure how far each filter's print is from the nearest joint."""
    joints, filters = results.need(Mold).joints_mm, results.need(Rigging).of_role(Role.FILTER)
    bottom = float(results.need(Parting).casting.bounds[0, 2])
    for body in filters:
        low, high = (float(z) for z in body.solid.bounds[:, 2])
        off = min((max(low - z, z - high, 0.0) for z in joints), default=float("inf"))
        yield judged(
            off <= limit,
            f"{body.name} opens at a joint"
            if off <= limit
            else f"{body.name} lies {off:.1f} mm from the nearest joint",
            value=off,
            part=body.name,
            at_mm=tuple(body.solid.centroid_mm),
            remedy=f"move {body.name} to the joint, or part the mold there too: mold.cheeks_at_mm ="
            f" [{0.5 * (low + high) - bottom:.0f}] beside those there are",
        )
    if not filters:
        yield passed_over("no filter")
