"""The whole flow on one screen: STAGES and prepare()."""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from moldprep.catalog import load_catalog
from moldprep.errors import MoldprepError
from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.voxels import voxelize
from moldprep.mold.cut import cut_mold
from moldprep.mold.handling import measure_pieces
from moldprep.parting import find_parting
from moldprep.pattern import make_pattern
from moldprep.printing.box import pack_boxes
from moldprep.records import (
    Alloy,
    Casting,
    FlowGraph,
    Freezing,
    Grid,
    Job,
    Metal,
    Mold,
    Parting,
    Pattern,
    Printer,
    Rigging,
    RiggingPlan,
    Rules,
    Sand,
    Survey,
)
from moldprep.results import Results, Timings
from moldprep.rigging.build import build_rigging
from moldprep.rigging.fill import trace_fill
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.gates.resized import Resizing
from moldprep.rigging.metal import join_metal
from moldprep.rigging.plan import plan_rigging
from moldprep.rigging.revise import feed_by_rounds
from moldprep.rigging.vents.vented import vented, with_feeder_vents
from moldprep.thermal.feeding import trace_feeding
from moldprep.thermal.solidify import solidify
from moldprep.thermal.survey import survey_pattern

log = logging.getLogger(__name__)

Announce = Callable[[str], None]


@dataclass(frozen=True)
class Stage:
    """A name and a function from what has been made to one more record."""

    name: str
    make: Callable[[Results], object]


STAGES: Final = (
    Stage("casting", lambda r: read_casting(r.need(Job))),
    Stage("parting", lambda r: find_parting(r.need(Casting), r.need(Job))),
    Stage("pattern", lambda r: make_pattern(
        r.need(Casting), r.need(Parting), r.need(Job), r.need(Alloy))),
    Stage("survey", lambda r: survey_pattern(
        r.need(Pattern), r.need(Alloy), r.need(Sand), r.need(Job))),
    Stage("plan", lambda r: plan_rigging(
        r.need(Survey), r.need(Pattern), r.need(Parting), r.need(Job), r.need(Alloy),
        r.need(Rules), r.need(Sand))),
    Stage("rigging", lambda r: build_rigging(r.need(RiggingPlan), r.need(Pattern))),
    Stage("flow", lambda r: trace_flow(
        r.need(Rigging), r.need(RiggingPlan), r.need(Alloy))),
    Stage("metal", lambda r: join_metal(r.need(Rigging), r.need(Alloy))),
    Stage("grid", lambda r: voxelize(
        r.need(Rigging), r.need(Metal), r.need(Job), r.need(Survey), r.need(Alloy))),
    Stage("fill", lambda r: trace_fill(
        r.need(Grid), r.need(Metal), r.need(FlowGraph), r.need(Rigging), r.need(Alloy))),
    Stage("freezing", lambda r: solidify(
        r.need(Grid), r.need(Alloy), r.need(Sand), r.need(Job), r.need(Metal))),
    Stage("feeding", lambda r: trace_feeding(
        r.need(Freezing), r.need(Grid), r.need(Metal), r.need(RiggingPlan), r.need(Survey),
        r.need(Alloy))),
    Stage("mold", lambda r: cut_mold(
        r.need(Metal), r.need(Rigging), r.need(Pattern), r.need(Parting), r.need(RiggingPlan),
        r.need(Job), r.need(Alloy), r.need(Sand), r.need(Printer))),
    Stage("handling", lambda r: measure_pieces(
        r.need(Mold), r.need(Metal), r.need(Alloy), r.need(Sand), r.need(Job), r.need(Rules))),
    Stage("box", lambda r: pack_boxes(
        r.need(Mold), r.need(Printer), r.need(Sand), r.need(Job))),
)  # fmt: skip


ONCE_FED: Final = ("flow", "fill")
"""Feeding does not need them: they wait for the plan that is kept."""


def prepare(job: Job, until: str = STAGES[-1].name, announce: Announce | None = None) -> Results:
    """Return everything made for this job, up to and including stage `until`.

    From `rigging` to `feeding` the plan is revised and the metal built and frozen again, until no
    hot spot is left or the job's rounds are spent; the stages after that see the best round. Before
    a plan is frozen on the full grid its gating is sized anew for what it pours.

    Parameters
    ----------
    job
        What to make.
    until
        Name of the last stage.
    announce
        Called with the name of each stage that is done.

    Raises
    ------
    MoldprepError
        Whatever a stage raises, with the stage's name in `where`.
    """
    names = [stage.name for stage in STAGES]
    last, built, fed = (names.index(name) for name in (until, "rigging", "feeding"))
    run = _Run(announce)
    results = run.through(STAGES[: min(last + 1, built)], _given(job))
    if last >= fed:
        stages = STAGES[built : fed + 1]
        heat = tuple(stage for stage in stages if stage.name not in ONCE_FED)
        gating = Resizing.of(results)
        results = feed_by_rounds(
            results,
            lambda r: run.through(heat, r.plus(_with_feeder_vents(r))),
            lambda r: run.through(heat, r.plus(_settled(r, gating))),
        )
        results = run.through(tuple(stage for stage in stages if stage not in heat), results)
    rest = STAGES[fed + 1 : last + 1] if last >= fed else STAGES[built : last + 1]
    results = run.through(rest, results)
    return results.plus(Timings(seconds=tuple(run.seconds.items())))


def _given(job: Job) -> Results:
    """Return the job with what it names of the catalog; the alloy poured as the job wants it."""
    alloy, *others = load_catalog(job)
    pour_c = job.freezing.pour_c
    return Results(job, alloy if pour_c == "auto" else alloy.poured_at(pour_c), *others)


def _with_feeder_vents(results: Results) -> RiggingPlan:
    """Return the plan with a vent on each feeder that wants one, wherever that stands by now."""
    return with_feeder_vents(results.need(RiggingPlan), results.need(Pattern), results.need(Job))


def _settled(results: Results, gating: Resizing) -> RiggingPlan:
    """Return the plan with gating and vents as its feeders now ask for."""
    return vented(
        gating.resized(results.need(RiggingPlan)), results.need(Pattern), results.need(Parting),
        results.need(Job), results.need(Alloy),
    )  # fmt: skip


class _Run:
    """Runs stages one after another, and keeps their times."""

    def __init__(self, announce: Announce | None) -> None:
        self.seconds: dict[str, float] = {}
        self._announce = announce

    def through(self, stages: tuple[Stage, ...], results: Results) -> Results:
        for stage in stages:
            start = time.perf_counter()
            try:
                results = results.plus(stage.make(results))
            except MoldprepError as err:
                err.where = f"{stage.name}: {err.where}" if err.where else stage.name
                raise
            took = time.perf_counter() - start
            self.seconds[stage.name] = self.seconds.get(stage.name, 0.0) + took
            log.info("%s: %.2f s", stage.name, took)
            if self._announce is not None:
                self._announce(stage.name)
        return results
