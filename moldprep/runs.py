"""One call for each thing a caller may want: a package, a study of feeding or gating, a plan."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from moldprep.catalog import load_catalog
from moldprep.checks import refuse_unknown_checks, run_checks
from moldprep.desk import check_folder, check_free, write_text
from moldprep.export.result import result_json
from moldprep.inputs import fingerprint, moved_to
from moldprep.jobtemplate import job_toml
from moldprep.pipeline import Announce, prepare
from moldprep.records import Job, RiggingPlan
from moldprep.results import Results
from moldprep.rigging.planfile import plan_tables

if TYPE_CHECKING:
    from moldprep.export.package import Package

FEEDING: Final = ("casting", "feeding")
"""Families of checks a study of feeding asks."""

GATING: Final = ("casting", "gating", "fill")
"""Families of checks a study of gating asks."""


@dataclass(frozen=True)
class Study:
    """A part of the way: the records made, and what result.json would say of them."""

    results: Results
    result: dict[str, Any]


def prepare_package(
    job: Job, folder: Path | None = None, announce: Announce | None = None
) -> "Package":
    """Return the finished package of a job, written to disk.

    Parameters
    ----------
    job
        What to make.
    folder
        Where to; the job's name and `-mold` if missing.
    announce
        Called with (stage, seconds) after each stage.
    """
    from moldprep.export.package import check_target, default_folder, write_package  # slow to load

    target = folder or default_folder(job)
    check_target(target)
    refuse_unknown_checks(load_catalog(job)[3])
    results = prepare(job, announce=announce)
    return write_package(results, run_checks(results), target)


def study_feeding(job: Job, picture: Path | None = None, announce: Announce | None = None) -> Study:
    """Return sections, hot spots and feeders of a job, judged; a picture of them if wanted."""
    if picture is not None:
        check_folder(picture)
    study = _study(job, "feeding", FEEDING, announce)
    if picture is not None:
        from moldprep.report.figures import draw_feeding  # a second to load, for pictures only

        draw_feeding(study.results, picture)
    return study


def study_gating(job: Job, picture: Path | None = None, announce: Announce | None = None) -> Study:
    """Return channels, flow and filling of a job's first plan, judged; a picture if wanted.

    The rounds of feeding, which a whole run goes through, may still change feeders, vents, the
    height of ingates, and with the poured weight the sections of all channels.
    """
    study = _study(job, "fill", GATING, announce)
    if picture is not None:
        from moldprep.report.figures import draw_gating  # a second to load, for pictures only

        draw_gating(study.results, picture)
    return study


def _study(job: Job, until: str, families: tuple[str, ...], announce: Announce | None) -> Study:
    refuse_unknown_checks(load_catalog(job)[3])
    stamp = fingerprint(job)
    results = prepare(job, until, announce)
    return Study(results, result_json(results, run_checks(results, families), stamp))


def write_plan(job: Job, target: Path, announce: Announce | None = None) -> Study:
    """Return the study whose plan was written as a job file, to be edited and fed in again."""
    check_free(target, is_planned=True)
    study = _study(job, "feeding", FEEDING, announce)
    moved = moved_to(job, target.resolve().parent)
    head = f"# {job.name}, its rigging as planned by moldprep, to be edited and run.\n"
    rest = job_toml(moved, without=frozenset({"rigging"}))
    write_text(target, f"{head}\n{rest}\n{plan_tables(study.results.need(RiggingPlan))}")
    return study
