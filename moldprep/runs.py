"""One call for each thing a caller may want: a package, a study of feeding or gating, a plan."""

import difflib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from moldprep.catalog import FOLDERS, all_of
from moldprep.checks import Check, all_checks, run_checks
from moldprep.errors import FileError, JobError
from moldprep.export.package import Package, check_target, default_folder, write_package
from moldprep.export.result import result_json
from moldprep.inputs import fingerprint, moved_to
from moldprep.jobfile import MESH_SUFFIXES, load_job, mesh_job
from moldprep.jobtemplate import job_toml, new_job_toml, planned_job
from moldprep.pipeline import Announce, prepare
from moldprep.records import Job, RiggingPlan
from moldprep.records.catalog import Sourced
from moldprep.report.figures import draw_feeding, draw_gating
from moldprep.results import Results

FEEDING: Final = ("casting", "feeding")
"""Families of checks a study of feeding asks."""

GATING: Final = ("casting", "gating")
"""Families of checks a study of gating asks."""


@dataclass(frozen=True)
class Study:
    """A part of the way: the records made, and what result.json would say of them."""

    results: Results
    result: dict[str, Any]


def open_job(
    path: Path, alloy: str | None = None, unit: str | None = None, changes: Sequence[str] = ()
) -> Job:
    """Return the job of a job file, of a folder with a `job.toml`, or of a bare casting model.

    Parameters
    ----------
    path
        Any of the three.
    alloy
        Id of an alloy; needed for a bare model, in place of the job's otherwise.
    unit
        Unit of a bare model's numbers, where its format carries none.
    changes
        ``table.key=value`` texts.

    Raises
    ------
    JobError
        job/no-alloy, and whatever `load_job` raises.
    """
    if path.suffix.lower() in MESH_SUFFIXES:
        if alloy is None:
            raise JobError(
                "a bare model says nothing of its alloy",
                code="job/no-alloy",
                where=str(path),
                fix="add --alloy, for instance --alloy carbon-steel; `moldprep tables` lists them",
            )
        return mesh_job(path, alloy, unit, changes)
    given = [f'alloy="{alloy}"'] if alloy else []
    given += [f'casting.unit="{unit}"'] if unit else []
    return load_job(path / "job.toml" if path.is_dir() else path, [*given, *changes])


def prepare_package(
    job: Job, folder: Path | None = None, announce: Announce | None = None
) -> Package:
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
    target = folder or default_folder(job)
    check_target(target)
    results = prepare(job, announce=announce)
    return write_package(results, run_checks(results), target)


def study_feeding(job: Job, picture: Path | None = None, announce: Announce | None = None) -> Study:
    """Return sections, hot spots and feeders of a job, judged; a picture of them if wanted."""
    study = _study(job, "feeding", FEEDING, announce)
    if picture is not None:
        draw_feeding(study.results, picture)
    return study


def study_gating(job: Job, picture: Path | None = None, announce: Announce | None = None) -> Study:
    """Return channels, flow and filling of a job, judged; a picture of them if wanted."""
    study = _study(job, "fill", GATING, announce)
    if picture is not None:
        draw_gating(study.results, picture)
    return study


def _study(job: Job, until: str, families: tuple[str, ...], announce: Announce | None) -> Study:
    stamp = fingerprint(job)
    results = prepare(job, until, announce)
    return Study(results, result_json(results, run_checks(results, families), stamp))


def write_plan(job: Job, target: Path, announce: Announce | None = None) -> Study:
    """Return the study whose plan was written as a job file, to be edited and fed in again."""
    _check_free(target, is_planned=True)
    study = _study(job, "feeding", FEEDING, announce)
    planned = planned_job(job, study.results.need(RiggingPlan))
    head = (
        f"# The rigging of {job.name} as planned by moldprep, part frame, z up, mm.\n"
        "# Nothing is left to plan: edit it and run it. To have a kind of thing planned again,\n"
        '# take its tables out and name it in rigging.auto, for instance ["vents"].\n\n'
    )
    _write(target, head + job_toml(moved_to(planned, target.resolve().parent)))
    return study


def write_new_job(casting: Path, alloy: str, unit: str | None, target: Path | None) -> Path:
    """Return the commented job file written for a casting: beside it, unless told otherwise."""
    where = target or casting.with_suffix(".toml")
    text = new_job_toml(casting, Path(os.path.relpath(casting, where.parent)), alloy, unit)
    _check_free(where, is_planned=False)
    _write(where, text)
    return where


def find_check(check_id: str) -> Check:
    """Return the check of this id.

    Raises
    ------
    JobError
        check/unknown-id.
    """
    known = all_checks()
    if check_id not in known:
        near = difflib.get_close_matches(check_id, known, n=3)
        raise JobError(
            f"no check {check_id!r}",
            code="check/unknown-id",
            where="command line",
            fix=" or ".join(near) or f"known: {', '.join(known)}",
        )
    return known[check_id]


def catalog_tables(
    configs: Path | None = None, kind: str | None = None
) -> dict[str, Sequence[Sourced]]:
    """Return alloys, sands, printers and rules by kind; a folder of the shop's own besides."""
    if configs is not None and not configs.is_dir():
        raise FileError("no such folder", code="file/not-found", where=str(configs))
    return {name: all_of(thing, configs) for thing, name in FOLDERS.items() if kind in (None, name)}


def _check_free(target: Path, *, is_planned: bool) -> None:
    """Raise FileError where a file would be lost; an older plan may go."""
    if not target.exists() or (is_planned and target.name.endswith(".planned.toml")):
        return
    raise FileError(
        "is there already",
        code="file/exists",
        where=str(target),
        fix="give another --out, or move it away",
    )


def _write(target: Path, text: str) -> None:
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as err:
        raise FileError(
            f"cannot be written: {err.strerror}", code="file/not-writable", where=str(target)
        ) from err
