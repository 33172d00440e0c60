"""The finished package on disk: whole or not at all, and the same bytes every time."""

import hashlib
import json
import platform
import re
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import requires, version
from pathlib import Path
from typing import Any, Final

from moldprep.errors import FileError
from moldprep.export.formats import Format, formats
from moldprep.export.formats.threemf import write_layers
from moldprep.export.printable import Printable, printable
from moldprep.export.result import PIECES, dumps, result_json
from moldprep.findings import Review
from moldprep.inputs import fingerprint, packed, sha256_of, version_of_moldprep
from moldprep.jobtemplate import job_toml
from moldprep.printing.layers import slice_box
from moldprep.records import BoxPlan, Job, Metal, Mold, Printer, Rigging
from moldprep.report.figures import draw_pictures
from moldprep.report.page import report_html
from moldprep.results import Results

MANIFEST: Final = "manifest.json"
RESULT: Final = "result.json"
MAKER: Final = "moldprep"


@dataclass(frozen=True, kw_only=True)
class Package:
    """A finished package: where it lies, what result.json says, and its manifest."""

    folder: Path
    result: dict[str, Any]
    manifest: dict[str, Any]


def default_folder(job: Job) -> Path:
    """Return the folder a job writes to unless told otherwise.

    Examples
    --------
    >>> from moldprep.jobfile import make_job
    >>> table = {"name": "hub 2/3", "alloy": "al-si12", "casting": {"file": "hub.stl"}}
    >>> str(default_folder(make_job(table, folder=Path("."), where="example")))
    'hub-2-3-mold'
    """
    return Path(re.sub(r"[^\w.-]+", "-", job.name) + "-mold")


def check_target(folder: Path) -> None:
    """Raise FileError if writing there would replace something that is not a package.

    Raises
    ------
    FileError
        file/exists.
    """
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    if read_manifest(folder) is None:
        raise FileError(
            "is there already and is not a package of moldprep",
            code="file/exists",
            where=str(folder),
            fix="give another --out, or move it away",
        )


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Return a package's manifest, or None where there is none."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    is_ours = isinstance(manifest, dict) and manifest.get("made_by") == MAKER
    return manifest if is_ours else None


def write_package(results: Results, review: Review, folder: Path) -> Package:
    """Write everything of a finished job into a folder, in place of an older package there.

    Parameters
    ----------
    results
        Every stage's record.
    review
        What the checks say.
    folder
        Where to; written beside it first, then renamed.

    Raises
    ------
    FileError
        file/exists, file/not-writable.
    """
    check_target(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".moldprep-", dir=folder.parent) as scratch:
            made = Path(scratch) / "new"
            package = _write(results, review, made)
            if folder.exists():
                folder.rename(Path(scratch) / "old")
            made.rename(folder)
    except OSError as err:
        raise FileError(
            f"cannot be written: {err.strerror or err}",
            code="file/not-writable",
            where=str(folder),
            fix="give another --out, with room on its disk",
        ) from err
    return Package(folder=folder, result=package.result, manifest=package.manifest)


def _write(results: Results, review: Review, folder: Path) -> Package:
    job = results.need(Job)
    folder.mkdir()
    stamp = fingerprint(job)
    _write_bodies(results, folder)
    if job.output.layers:
        _write_layers(results, folder / "layers")
    copy_of_job, copies = packed(job)
    for target, source in copies.items():
        (folder / target).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, folder / target)
    (folder / "job.resolved.toml").write_text(job_toml(copy_of_job), encoding="utf-8")
    result = result_json(results, review, stamp)
    (folder / RESULT).write_text(dumps(result), encoding="utf-8")
    pictures = draw_pictures(results, folder / "pictures") if job.output.pictures else ()
    page = report_html(result, results, pictures)
    (folder / "report.html").write_text(page, encoding="utf-8")
    manifest = {
        "made_by": MAKER,
        "moldprep": version_of_moldprep(),
        "python": platform.python_version(),
        "libraries": library_versions(),
        "job_sha256": stamp,
        "result_json": "its hash is taken without `timings`",
        "files": file_hashes(folder),
    }
    (folder / MANIFEST).write_text(dumps(manifest), encoding="utf-8")
    return Package(folder=folder, result=result, manifest=manifest)


def _write_bodies(results: Results, folder: Path) -> None:
    """Write pieces, metal, and the block and inserts that prove the balance of volumes.

    With cores only, the room of each print too: what the pattern has to carry.
    """
    job, mold = results.need(Job), results.need(Mold)
    pieces = [printable(piece.name, piece.role, piece.solid) for piece in mold.pieces]
    metal = printable("metal", "metal", results.need(Metal).solid)
    proof = [printable("block", "block", mold.block)]
    if Rigging in results:
        proof += [
            printable(insert.name, insert.material, insert.solid)
            for insert in results.need(Rigging).inserts
        ]
    is_cores_only = job.cores.process == "only"
    cavities = [printable(n, "print", body) for n, body in mold.prints] if is_cores_only else []
    for one in formats().values():
        if one.HOLDS_MANY:
            one.write(pieces, folder / f"mold{one.SUFFIX}", job.name)
        else:
            _write_each(one, pieces, folder / PIECES, job.name)
            _write_each(one, proof, folder / "proof", job.name)
            if cavities:
                _write_each(one, cavities, folder / "prints", job.name)
            one.write([metal], folder / f"metal{one.SUFFIX}", job.name)


def _write_layers(results: Results, folder: Path) -> None:
    """Write one file of layers for each job box."""
    folder.mkdir()
    plan, mold, printer = results.need(BoxPlan), results.need(Mold), results.need(Printer)
    for box in range(1, plan.n_boxes + 1):
        pieces = slice_box(plan, mold, printer, box)
        write_layers(pieces, folder / f"box-{box}.3mf", f"{results.need(Job).name} box {box}")


def _write_each(form: Format, bodies: Iterable[Printable], folder: Path, title: str) -> None:
    folder.mkdir(exist_ok=True)
    for body in bodies:
        form.write([body], folder / f"{body.name}{form.SUFFIX}", title)


def file_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a package but its manifest, by path."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    names = {path.relative_to(folder).as_posix(): path for path in files}
    return {
        name: _result_hash(path) if name == RESULT else sha256_of(path)
        for name, path in names.items()
        if name != MANIFEST
    }


def _result_hash(path: Path) -> str:
    """Return the SHA-256 of result.json without its timings, or as it is where it is no JSON."""
    try:
        table = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return sha256_of(path)
    if not isinstance(table, dict):
        return sha256_of(path)
    table.pop("timings", None)
    return hashlib.sha256(dumps(table).encode()).hexdigest()


def library_versions() -> dict[str, str]:
    """Return the version of every library moldprep needs."""
    needed = [text for text in requires("moldprep") or [] if "extra ==" not in text]
    names = sorted(re.split(r"[^\w.-]", text, maxsplit=1)[0] for text in needed)
    return {name: version(name) for name in names}
