"""What needs no stage to run: jobs opened, new job files written, catalog and checks looked up."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from moldprep.catalog import FOLDERS, all_of
from moldprep.checks import refuse_unknown_checks
from moldprep.errors import FileError, JobError
from moldprep.jobfile import MESH_SUFFIXES, load_job, mesh_job
from moldprep.jobtemplate import new_job_toml
from moldprep.records import Job, Rules
from moldprep.records.catalog import Sourced

QUICK_FEEDING: Final = (
    'rigging.auto=["feeders", "chills"]',
    "feeding.rounds=1",
    "freezing.max_updates=1e8",
    "freezing.shake_out=false",
)
"""What a study of a bare model's feeding does without: channels, vents, shake-out, a fine grid."""


def open_job(
    path: Path,
    alloy: str | None = None,
    unit: str | None = None,
    changes: Sequence[str] = (),
    *,
    quick_feeding: bool = False,
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
    quick_feeding
        Whether a bare model is only asked about its feeding: an answer in seconds.

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
        return mesh_job(path, alloy, unit, (*(QUICK_FEEDING if quick_feeding else ()), *changes))
    given = [f'alloy="{alloy}"'] if alloy else []
    given += [f'casting.unit="{unit}"'] if unit else []
    return load_job(path / "job.toml" if path.is_dir() else path, [*given, *changes])


def write_new_job(casting: Path, alloy: str, unit: str | None, target: Path | None) -> Path:
    """Return the commented job file written for a casting: beside it, unless told otherwise."""
    where = target or casting.with_suffix(".toml")
    if not casting.is_file():
        raise FileError("no such casting model", code="file/not-found", where=str(casting))
    text = new_job_toml(Path(os.path.relpath(casting, where.parent)), alloy, unit)
    check_free(where, is_planned=False)
    write_text(where, text)
    return where


def catalog_tables(
    configs: Path | None = None, kind: str | None = None
) -> dict[str, Sequence[Sourced]]:
    """Return alloys, sands, printers and rules by kind; a folder of the shop's own besides."""
    if configs is not None and not configs.is_dir():
        raise FileError("no such folder", code="file/not-found", where=str(configs))
    found: dict[str, Sequence[Sourced]] = {
        name: all_of(thing, configs) for thing, name in FOLDERS.items() if kind in (None, name)
    }
    for thing in found.get(FOLDERS[Rules], ()):
        if isinstance(thing, Rules):
            refuse_unknown_checks(thing)
    return found


def check_free(target: Path, *, is_planned: bool) -> None:
    """Raise FileError where a file would be lost; an older plan may go."""
    if not target.exists() or (is_planned and target.name.endswith(".planned.toml")):
        return
    raise FileError(
        "is there already",
        code="file/exists",
        where=str(target),
        fix="give another --out, or move it away",
    )


def check_folder(target: Path) -> None:
    """Raise FileError where the folder of a file to be written is missing."""
    if target.parent.is_dir():
        return
    raise FileError(
        "no such folder", code="file/not-found", where=str(target.parent), fix="make it first"
    )


def write_text(target: Path, text: str) -> None:
    """Write a text file, or raise FileError."""
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as err:
        raise FileError(
            f"cannot be written: {err.strerror}", code="file/not-writable", where=str(target)
        ) from err
