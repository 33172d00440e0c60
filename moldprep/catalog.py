"""configs/ -> Alloy, Sand, Printer, Rules. The folders are the registry."""

import difflib
import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from moldprep.errors import JobError
from moldprep.jobfile import explain
from moldprep.records.catalog import Alloy, Printer, Rules, Sand, Sourced
from moldprep.records.job import Job

Thing = TypeVar("Thing", bound=Sourced)

FOLDERS: dict[type[Sourced], str] = {
    Alloy: "alloys",
    Sand: "sands",
    Printer: "printers",
    Rules: "rules",
}


def shipped_configs() -> Path:
    """Return the folder of configs that came with moldprep."""
    installed = Path(__file__).parent / "configs"
    return installed if installed.is_dir() else Path(__file__).parents[1] / "configs"


def load_catalog(job: Job) -> tuple[Alloy, Sand, Printer, Rules]:
    """Return the four things a job names.

    Raises
    ------
    JobError
        config/unknown-id, config/not-toml, config/out-of-range, config/no-source.
    """
    own = job.folder / job.configs if job.configs else None
    return (
        find(Alloy, job.alloy, own),
        find(Sand, job.sand, own),
        find(Printer, job.printer, own),
        find(Rules, job.rules, own),
    )


def find(kind: type[Thing], wanted: str, own: Path | None = None) -> Thing:
    """Return the thing of this id; the user's own folder wins over the shipped one."""
    files = _files(kind, own)
    if wanted not in files:
        near = difflib.get_close_matches(wanted, files, n=1)
        raise JobError(
            f"no {wanted!r} among the {FOLDERS[kind]}; known: {', '.join(sorted(files))}",
            code="config/unknown-id",
            where="job file",
            fix=(f"did you mean {near[0]!r}? or " if near else "take a known id, or ")
            + f"put {wanted}.toml into {FOLDERS[kind]}/ of a configs folder of your own",
        )
    return read(kind, files[wanted])


def all_of(kind: type[Thing], own: Path | None = None) -> list[Thing]:
    """Return every thing of this kind, by id."""
    return [read(kind, path) for _, path in sorted(_files(kind, own).items())]


def _files(kind: type[Sourced], own: Path | None) -> dict[str, Path]:
    roots = [shipped_configs(), *([own] if own else [])]
    return {
        path.stem: path for root in roots for path in sorted((root / FOLDERS[kind]).glob("*.toml"))
    }


def read(kind: type[Thing], path: Path) -> Thing:
    """Return the thing in one file, with every figure in range and sourced."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        thing = kind.model_validate({**table, "id": path.stem})
    except tomllib.TOMLDecodeError as err:
        raise JobError(str(err), code="config/not-toml", where=path.name) from err
    except ValidationError as err:
        where, what = explain(err)
        raise JobError(
            what, code="config/out-of-range", where=f"{path.name} {where}".strip()
        ) from err
    figures = table.keys() - {"title", "source", "family", "checks", "settings"}
    figures |= set(table.get("settings", {}))
    for key in sorted(figures - thing.source.keys()):
        raise JobError(
            f"{key} has no source",
            code="config/no-source",
            where=path.name,
            fix=f'add `{key} = "author, title, edition, page"` under [source]',
        )
    return thing
