"""The files a job reads, and one fingerprint of everything that decides its outcome."""

import hashlib
import json
import os
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from moldprep.catalog import FOLDERS, load_catalog
from moldprep.errors import FileError
from moldprep.records import Alloy, Job, Printer, Rules, Sand
from moldprep.records.catalog import Sourced

INPUTS: Final = "inputs"
"""Folder of a package that holds copies of the files the job read."""

CHUNK: Final = 1 << 20


def version_of_moldprep() -> str:
    """Return the installed version."""
    return version("moldprep")


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file.

    Raises
    ------
    FileError
        file/not-found, file/unreadable.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while chunk := stream.read(CHUNK):
                digest.update(chunk)
    except FileNotFoundError as err:
        raise FileError(
            "no such file",
            code="file/not-found",
            where=str(path),
            fix="paths in a job file are relative to the job file",
        ) from err
    except OSError as err:
        raise FileError(f"cannot be read: {err}", code="file/unreadable", where=str(path)) from err
    return digest.hexdigest()


def fingerprint(job: Job) -> str:
    """Return the SHA-256 of the job, its files, what it takes from the catalog, and moldprep.

    The names of the files do not count, only their kind and content; nor does the folder.

    Raises
    ------
    FileError
        file/not-found, if a file the job names is missing.
    JobError
        If the catalog has no such alloy, sand, printer or rule set.
    """
    table = job.model_dump(mode="json", exclude={"configs"})
    _replace_paths(table, {str(path): content_of(job, path) for path in named_files(job)})
    catalog = [thing.model_dump(mode="json") for thing in load_catalog(job)]
    whole = {"job": table, "catalog": catalog, "moldprep": version_of_moldprep()}
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def content_of(job: Job, path: Path) -> str:
    """Return a text that stands for the content of one file the job names."""
    files = [job.folder / path, *companions(job.folder / path)]
    return path.suffix.lower() + " " + " ".join(sha256_of(file) for file in files)


def named_files(job: Job) -> tuple[Path, ...]:
    """Return the files the job names, as it names them, the casting first."""
    files = [job.casting.file]
    files += [own.file for own in job.casting.own if own.file]
    files += [core.file for core in job.cores.declared if core.file]
    return tuple(dict.fromkeys(files))


def companions(path: Path) -> tuple[Path, ...]:
    """Return the files that a model file leans on: the buffers of a glTF, materials of an OBJ."""
    suffix = path.suffix.lower()
    if suffix not in {".gltf", ".obj"} or not path.is_file():
        return ()
    names = _gltf_names(path) if suffix == ".gltf" else _obj_names(path)
    found = (path.parent / name for name in dict.fromkeys(names))
    return tuple(file for file in found if file.is_file())


def _gltf_names(path: Path) -> Iterator[str]:
    try:
        tree = json.loads(path.read_bytes())
    except ValueError:
        return  # the reader will say what is wrong with it
    for kind in ("buffers", "images"):
        for entry in tree.get(kind, []):
            uri = entry.get("uri", "")
            if uri and not uri.startswith("data:"):
                yield uri


def _obj_names(path: Path) -> Iterator[str]:
    for line in path.read_bytes().splitlines():
        if line.startswith(b"mtllib "):
            yield line[7:].decode(errors="replace").strip()


def _replace_paths(node: Any, content: dict[str, str]) -> None:
    """Put the content in place of every file name of a job's table."""
    if isinstance(node, list):
        for entry in node:
            _replace_paths(entry, content)
    elif isinstance(node, dict):
        for key, value in node.items():
            if key == "file" and isinstance(value, str):
                node[key] = content[value]
            else:
                _replace_paths(value, content)


def packed(job: Job) -> tuple[Job, dict[str, Path]]:
    """Return (the job as a package holds it, which file goes where in the package).

    The packed job names copies of its files under `inputs/`, so that it can be run again from
    wherever the package lies.
    """
    copies: dict[str, Path] = {}
    table = job.model_dump(mode="json", exclude_none=True)
    places: dict[str, str] = {}
    for path in named_files(job):
        target = _free(f"{INPUTS}/{path.name}", copies)
        places[str(path)] = target
        copies[target] = job.folder / path
        for file in companions(job.folder / path):
            copies[f"{INPUTS}/{file.relative_to((job.folder / path).parent)}"] = file
    _replace_paths(table, places)
    table.pop("configs", None)
    own = _own_configs(job)
    if own:
        table["configs"] = f"{INPUTS}/configs"
        copies |= own
    return Job.model_validate({**table, "folder": job.folder}), copies


def moved_to(job: Job, folder: Path) -> Job:
    """Return the same job as a job file in another folder has to say it."""
    table = job.model_dump(mode="json", exclude_none=True)
    here = job.folder.resolve()
    places = {str(path): os.path.relpath(here / path, folder) for path in named_files(job)}
    _replace_paths(table, places)
    if job.configs is not None:
        table["configs"] = os.path.relpath(here / job.configs, folder)
    return Job.model_validate({**table, "folder": folder})


def _free(target: str, taken: dict[str, Path]) -> str:
    """Return a target no other file has, numbered where it must be."""
    path = Path(target)
    number = 2
    while target in taken:
        target = str(path.with_stem(f"{path.stem}-{number}"))
        number += 1
    return target


def _own_configs(job: Job) -> dict[str, Path]:
    """Return the shop's own catalog files this job uses, by their place in the package."""
    if job.configs is None:
        return {}
    ids: dict[type[Sourced], str] = {
        Alloy: job.alloy,
        Sand: job.sand,
        Printer: job.printer,
        Rules: job.rules,
    }
    names = [f"{FOLDERS[kind]}/{name}.toml" for kind, name in ids.items()]
    root = job.folder / job.configs
    return {f"{INPUTS}/configs/{name}": root / name for name in names if (root / name).is_file()}
