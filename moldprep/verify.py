"""A finished package proved again, from its files alone, with readers other than the writers."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from moldprep.errors import FileError, MoldprepError
from moldprep.export.formats import Format, formats
from moldprep.export.package import MANIFEST, RESULT, file_hashes, read_manifest
from moldprep.export.printable import Printable, is_closed
from moldprep.export.schema import PiecePart, ResultFile
from moldprep.geometry.solid import HAIR_MM, Solid, enclosed_mm3
from moldprep.inputs import fingerprint
from moldprep.jobfile import load_job
from moldprep.tolerances import BALANCE_REL

TRIES: Final = 5
"""How often two bodies that seem to overlap are cut with each other, points put off anew."""


@dataclass(frozen=True)
class Proof:
    """One thing proved, or not."""

    what: str
    is_proved: bool
    found: str


def verify_package(folder: Path) -> tuple[Proof, ...]:
    """Return what holds of a package and what does not.

    Raises
    ------
    FileError
        file/not-a-package, where there is nothing to verify.
    """
    manifest = read_manifest(folder)
    if manifest is None:
        raise FileError(
            f"no package of moldprep: no readable {MANIFEST}",
            code="file/not-a-package",
            where=str(folder),
            fix="name the folder that `moldprep prep` wrote",
        )
    proofs = [*_files(folder, manifest), *_job(folder, manifest)]
    try:
        result = ResultFile.model_validate(
            json.loads((folder / RESULT).read_text(encoding="utf-8"))
        )
    except (OSError, ValueError, ValidationError) as err:
        return (*proofs, Proof("result.json follows its schema", False, str(err).split("\n")[0]))
    proofs.append(Proof("result.json follows its schema", True, result.schema_id))
    return (*proofs, *_bodies(folder, result))


def _files(folder: Path, manifest: dict[str, Any]) -> Iterator[Proof]:
    """Compare the hash of every file with the manifest."""
    want, got = manifest.get("files", {}), file_hashes(folder)
    lost = sorted(want.keys() - got.keys())
    more = sorted(got.keys() - want.keys())
    changed = sorted(name for name in want.keys() & got.keys() if want[name] != got[name])
    for what, names in (
        ("no file is missing", lost),
        ("no file was added", more),
        ("no file was changed", changed),
    ):
        yield Proof(what, not names, ", ".join(names) or f"{len(got)} files")


def _job(folder: Path, manifest: dict[str, Any]) -> Iterator[Proof]:
    """Load the resolved job again and compare its fingerprint."""
    what = "job.resolved.toml gives the same job"
    try:
        stamp = fingerprint(load_job(folder / "job.resolved.toml"))
    except MoldprepError as err:
        yield Proof(what, False, str(err))
        return
    yield Proof(what, stamp == manifest.get("job_sha256"), stamp[:12])


def _bodies(folder: Path, result: ResultFile) -> Iterator[Proof]:
    """Read every body back and prove closedness, volumes, no overlap, and the balance."""
    mold = result.mold
    if mold is None:
        yield Proof("result.json tells of the mold", False, "no mold section")
        return
    is_mold = mold.cavity_volume_mm3 > 0.0  # else the cores alone: metal is in another's mold
    inserts = result.rigging.inserts if result.rigging and is_mold else ()
    solid_form = formats()["stl"]
    want = {piece.name: piece.volume_mm3 for piece in mold.pieces}
    files = {piece.name: piece.file for piece in mold.pieces}
    for name, volume_mm3, file in (
        *((("metal", mold.cavity_volume_mm3, "metal"),) if is_mold else ()),
        ("block", mold.block_volume_mm3, "proof/block"),
        *((insert.name, insert.volume_mm3, f"proof/{insert.name}") for insert in inserts),
    ):
        want[name], files[name] = volume_mm3, file + solid_form.SUFFIX
    slack = BALANCE_REL * mold.block_volume_mm3
    read = {name: _read(solid_form, folder / file, name) for name, file in files.items()}
    bodies = {name: body for name, body in read.items() if isinstance(body, Printable)}
    for name, body in read.items():
        yield _prove(body, files[name], want[name], slack)
    for path in sorted((folder / "prints").glob(f"*{solid_form.SUFFIX}")):
        room = _read(solid_form, path, path.stem)
        yield _prove(room, f"prints/{path.name}", None, slack)
    for form in formats().values():
        if form.HOLDS_MANY:
            yield from _collection(form, folder / f"mold{form.SUFFIX}", want, mold.pieces, slack)
    if bodies.keys() == files.keys() and all(is_closed(body.faces) for body in bodies.values()):
        yield from _apart(bodies, slack)
        yield _balance(bodies, mold.clearance_volume_mm3, slack)
    else:
        yield Proof("volumes balance", False, "not every body is there and closed")


def _read(form: Format, path: Path, name: str) -> Printable | str:
    """Return the one body in a file, or what is wrong with the file."""
    try:
        (body,) = form.read(path)
    except FileError as err:
        return err.what
    return replace(body, name=name)


def _collection(
    form: Format, path: Path, want: dict[str, float], pieces: Sequence[PiecePart], slack: float
) -> Iterator[Proof]:
    """Prove a file that holds all pieces."""
    try:
        bodies = form.read(path)
    except FileError as err:
        yield Proof(f"{path.name} can be read", False, err.what)
        return
    names, known = sorted(body.name for body in bodies), sorted(piece.name for piece in pieces)
    yield Proof(f"{path.name} holds every piece by name", names == known, ", ".join(names))
    for body in bodies:
        if body.name in known:
            yield _prove(body, path.name, want[body.name], slack)


def _prove(body: Printable | str, file: str, want_mm3: float | None, slack: float) -> Proof:
    """Prove one body closed and of the stated volume, on its facets as they are in the file."""
    if isinstance(body, str):
        return Proof(f"{file} can be read", False, body)
    volume_mm3 = enclosed_mm3(body.points, body.faces)
    if want_mm3 is None:
        is_body = is_closed(body.faces) and volume_mm3 > 0.0
        return Proof(f"{file}: {body.name} is closed", is_body, f"{volume_mm3:.1f} mm³")
    off = volume_mm3 - want_mm3
    return Proof(
        f"{file}: {body.name} is closed, volume as stated",
        is_closed(body.faces) and abs(off) <= slack,
        f"{volume_mm3:.1f} mm³, {off:+.2g} mm³ off",
    )


def _apart(bodies: dict[str, Printable], slack: float) -> Iterator[Proof]:
    """Prove that pieces, metal and inserts keep out of each other and inside the block."""
    solids = {name: solid_of(body, slack) for name, body in bodies.items()}
    block = solids.pop("block")
    shared = {
        f"{a} and {b}": shared_mm3(solids[a], solids[b], slack)
        for a, b in combinations(solids, 2)
        if _bounds_meet(solids[a], solids[b])
    }
    worst = max(shared, key=shared.__getitem__, default="")
    yield Proof(
        "no two bodies overlap",
        shared.get(worst, 0.0) <= slack,
        f"{worst}: {shared[worst]:.2g} mm³ shared" if worst else "none come near each other",
    )
    outside = {name: (solid - block).volume_mm3 for name, solid in solids.items()}
    worst = max(outside, key=outside.__getitem__)
    yield Proof(
        "nothing sticks out of the block",
        outside[worst] <= slack,
        f"{worst}: {outside[worst]:.2g} mm³ outside",
    )


def shared_mm3(a: Solid, b: Solid, slack: float) -> float:
    """Return the volume that two bodies share.

    Where faces lie in one another the kernel may close up what it cuts there wrongly, and then see
    a volume that is none. What the bodies really share is there however the points are put off.
    """
    found = abs((a & b).volume_mm3)
    for seed in range(1, TRIES):
        if found <= slack:
            break
        found = min(
            found, abs((_off_by_a_hair(a, seed) & _off_by_a_hair(b, TRIES + seed)).volume_mm3)
        )
    return found


def solid_of(body: Printable, slack: float) -> Solid:
    """Return the body a file holds, of the volume its own facets enclose."""
    return Solid.from_file_mesh(body.points.astype(np.float64), body.faces, slack)


def _off_by_a_hair(solid: Solid, seed: int) -> Solid:
    points, faces = solid.mesh()
    return Solid.from_mesh(points + _hair(points.shape, seed), faces)


def _hair(shape: tuple[int, ...], seed: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).uniform(-HAIR_MM, HAIR_MM, shape)


def _balance(bodies: dict[str, Printable], clearance_mm3: float, slack: float) -> Proof:
    """Prove that metal, inserts and pieces leave exactly the stated clearances of the block."""
    volumes = {name: enclosed_mm3(body.points, body.faces) for name, body in bodies.items()}
    left = volumes.pop("block") - sum(volumes.values())
    off = left - clearance_mm3
    return Proof(
        "block = metal + inserts + pieces + clearances",
        abs(off) <= slack,
        f"{left:.1f} mm³ left for clearances, {off:+.2g} mm³ off",
    )


def _bounds_meet(a: Solid, b: Solid) -> bool:
    """Return whether two extents share any space."""
    return bool((a.bounds[0] < b.bounds[1]).all() and (b.bounds[0] < a.bounds[1]).all())
