"""Model files as they lie there: objects, facets, colors and unit; nothing mended, nothing judged.

A reader that "loaded" proves nothing: each holds what it got against what the file announces.
"""

import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from moldprep.arrays import Colors
from moldprep.errors import FileError, GeometryError, JobError
from moldprep.geometry.solid import Floats, Ints
from moldprep.geometry.stlfile import read_stl_objects
from moldprep.geometry.threemf import read_3mf_objects
from moldprep.geometry.wavefront import read_obj_objects

CHORD_ANGLE_RAD: Final = 0.35
"""A facet of a STEP surface turns by at most this: a circle has 18 facets or more."""

STEP_UNIT: Final = {"MILLI": "mm", "CENTI": "cm", "MICRO": "um", "": "m"}
"""SI prefixes of the metre (ISO 10303-41, si_prefix) that are a unit of ours."""

STEP_NAMED_UNIT: Final = {"INCH": "in", "FOOT": "ft", "MILLIMETRE": "mm", "CENTIMETRE": "cm"}


@dataclass(frozen=True, kw_only=True, eq=False)
class ModelObject:
    """One object of a model file, in the file's numbers.

    points : (n, 3) float64
    faces  : (m, 3) int64
    color  : (m, 4) uint8, or (0, 4) where it has none
    """

    name: str
    points: Floats
    faces: Ints
    color: Colors = field(default_factory=lambda: np.empty((0, 4), np.uint8))


@dataclass(frozen=True, kw_only=True, eq=False)
class Model:
    """What a model file holds.

    unit    : unit the file states, "" where its format carries none
    numbers : unit the points are in; as `unit`, but a STEP file in inches comes out in mm
    binding : whether the file's own word on its unit cannot be overruled by the job
    """

    objects: tuple[ModelObject, ...]
    unit: str = ""
    numbers: str = ""
    binding: bool = False


def read_model(path: Path, chord_mm: float) -> Model:
    """Return the objects of a model file.

    Parameters
    ----------
    path
        A file with one of the suffixes of `READERS` or `SURFACES`.
    chord_mm
        How far facets may be off the surfaces of a STEP file. [mm]

    Raises
    ------
    FileError
        file/not-found, file/unreadable, file/truncated.
    JobError
        job/bad-value, for a suffix that is not known.
    GeometryError
        geometry/empty, geometry/unit-unknown.
    """
    suffix = path.suffix.lower()
    if suffix not in (*READERS, *SURFACES):
        known = " ".join((*READERS, *SURFACES))
        raise JobError(
            f"{path.suffix or 'no suffix'!r} is not a model format; known: {known}",
            code="job/bad-value",
            where=str(path.name),
            fix="export the model as STEP, 3MF or STL",
        )
    if not path.is_file():
        raise FileError(
            "no such model file",
            code="file/not-found",
            where=str(path),
            fix="casting.file is looked for beside the job file",
        )
    try:
        model = _read_step(path, chord_mm) if suffix in SURFACES else READERS[suffix](path)
    except OSError as err:
        raise unreadable(path, str(err)) from err
    if sum(len(one.faces) for one in model.objects) == 0:
        raise GeometryError(
            "the file holds no facets",
            code="geometry/empty",
            where=path.name,
            fix="export a solid body; points, curves and empty groups make no casting",
        )
    return model


def unreadable(path: Path, what: str, code: str = "file/unreadable") -> FileError:
    """Return the error of a file that is not what its suffix says."""
    return FileError(
        f"not a readable {path.suffix[1:].upper()} file: {what}",
        code=code,
        where=path.name,
        fix="export or copy it again, and look that it opens elsewhere",
    )


# ---- formats --------------------------------------------------------------------------------


def _read_stl(path: Path) -> Model:
    try:
        solids = read_stl_objects(path.read_bytes())
    except ValueError as err:
        raise unreadable(path, str(err), "file/truncated") from err
    return Model(objects=tuple(ModelObject(name=n, points=p, faces=f) for n, p, f in solids))


def _read_obj(path: Path) -> Model:
    try:
        parts = read_obj_objects(path)
    except (ValueError, IndexError) as err:
        raise unreadable(path, str(err)) from err
    return Model(
        objects=tuple(ModelObject(name=n, points=p, faces=f, color=c) for n, p, f, c in parts)
    )


def _read_ply(path: Path) -> Model:
    head = path.read_bytes()[:65536].partition(b"end_header")[0].decode("latin-1")
    said = dict(re.findall(r"^element (vertex|face) (\d+)", head, re.MULTILINE))
    mesh = _loaded(path)
    if _is_mesh(mesh):
        n_points, n_faces = len(mesh.vertices), len(mesh.faces)
        if n_points != int(said.get("vertex", 0)) or n_faces < int(said.get("face", 0)):
            raise unreadable(
                path,
                f"its head announces {said.get('vertex')} points and {said.get('face')} faces, "
                f"it holds {n_points} and {n_faces}",
                "file/truncated",
            )
    return Model(objects=tuple(_of_scene(mesh, path)))


def _read_gltf(path: Path) -> Model:
    return Model(objects=tuple(_of_scene(_loaded(path), path)), unit="m", numbers="m")


def _read_3mf(path: Path) -> Model:
    try:
        unit, parts = read_3mf_objects(path)
    except LookupError as err:
        raise GeometryError(
            str(err.args[0]),
            code="geometry/unit-unknown",
            where=path.name,
            fix="export it again; 3MF knows micron, millimeter, centimeter, inch, foot, meter",
        ) from err
    except ValueError as err:
        raise unreadable(path, str(err)) from err
    objects = tuple(ModelObject(name=n, points=p, faces=f, color=c) for n, p, f, c in parts)
    return Model(objects=objects, unit=unit, numbers=unit, binding=True)


def _read_step(path: Path, chord_mm: float) -> Model:
    import cascadio  # a fifth of a second to load, for STEP alone

    unit = _step_unit(path)
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "model.glb"
        with quiet() as said:
            failed = cascadio.step_to_glb(str(path), str(target), chord_mm, CHORD_ANGLE_RAD)
        if failed or not target.is_file():
            raise unreadable(path, "; ".join(said[:2]) or "the STEP kernel found no shape in it")
        scene = _of_scene(_loaded(target), path)
    # In metres and float32: what is finer than a tenth of a micron is noise.
    objects = tuple(replace(one, points=np.round(one.points * 1000.0, 4)) for one in scene)
    if unit is None:  # the kernel took the file's numbers for mm
        return Model(objects=objects)
    return Model(objects=objects, unit=unit, numbers="mm", binding=True)


READERS: Final[dict[str, Callable[[Path], Model]]] = {
    ".stl": _read_stl,
    ".obj": _read_obj,
    ".ply": _read_ply,
    ".3mf": _read_3mf,
    ".glb": _read_gltf,
    ".gltf": _read_gltf,
}
"""Suffix to reader, of formats that hold facets."""

SURFACES: Final = (".step", ".stp")
"""Suffixes of formats whose surfaces are cut into facets here."""


def files_of(path: Path) -> tuple[Path, ...]:
    """Return the model file and the files it draws its points from, in order."""
    if path.suffix.lower() != ".gltf":
        return (path,)
    buffers = json.loads(path.read_text(encoding="utf-8")).get("buffers", [])
    uris = [one.get("uri", "data:") for one in buffers]
    return (path, *(path.parent / uri for uri in uris if not uri.startswith("data:")))


# ---- trimesh --------------------------------------------------------------------------------


def _loaded(path: Path) -> Any:
    """Return what trimesh makes of a file, as it lies there."""
    import trimesh  # half a second to load, for the formats that have no reader here

    try:
        with quiet():
            return trimesh.load(path, process=False)
    except Exception as err:  # its readers let any error of theirs through
        raise unreadable(path, f"{type(err).__name__}: {err}") from err


def _is_mesh(loaded: Any) -> bool:
    import trimesh

    return isinstance(loaded, trimesh.Trimesh)


def _of_scene(loaded: Any, path: Path) -> list[ModelObject]:
    """Return the objects of a scene, each moved to its place, in the order of the file.

    What a file splits by material is one object again: its sheets close one another.
    """
    if _is_mesh(loaded):
        return [_of_mesh(path.stem, loaded, np.eye(4))]
    sheets: dict[str, list[ModelObject]] = {}
    for key, mesh in loaded.geometry.items():
        if not _is_mesh(mesh):
            continue
        nodes = loaded.graph.geometry_nodes.get(key, [])
        for name, node in sorted((_node_name(loaded.graph, str(node)), node) for node in nodes):
            matrix = np.asarray(loaded.graph[node][0], np.float64)
            sheets.setdefault(name, []).append(_of_mesh(name, mesh, matrix))
    return [_one(group) for group in sheets.values()]


def _node_name(graph: Any, node: str) -> str:
    """Return a node's name as in the file; a part of a split mesh got a random end to it."""
    parent = str(graph.transforms.parents.get(node, ""))
    return parent if node[:-6] == f"{parent}_" else node


def _one(sheets: list[ModelObject]) -> ModelObject:
    """Return the sheets of one object as one mesh."""
    if len(sheets) == 1:
        return sheets[0]
    offset = np.cumsum([0, *(len(sheet.points) for sheet in sheets[:-1])])
    return ModelObject(
        name=sheets[0].name,
        points=np.vstack([sheet.points for sheet in sheets]),
        faces=np.vstack([sheet.faces + o for sheet, o in zip(sheets, offset, strict=True)]),
        color=joined_colors(sheets),
    )


def joined_colors(objects: Sequence[ModelObject]) -> Colors:
    """Return (m, 4) the color of every facet of several objects; (0, 4) where none has any."""
    if not any(len(one.color) for one in objects):
        return np.empty((0, 4), np.uint8)
    return np.vstack([
        one.color if len(one.color) else np.zeros((len(one.faces), 4), np.uint8)
        for one in objects
    ])  # fmt: skip


def _of_mesh(name: str, mesh: Any, matrix: Floats) -> ModelObject:
    points = np.asarray(mesh.vertices, np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    faces = np.asarray(mesh.faces, np.int64)
    if np.linalg.det(matrix[:3, :3]) < 0.0:
        faces = faces[:, ::-1]
    return ModelObject(name=name, points=points, faces=faces, color=_color(mesh.visual, faces))


def _color(visual: Any, faces: Ints) -> Colors:
    """Return one color a facet, from face, vertex or material colors."""
    none = np.empty((0, 4), np.uint8)
    if visual.kind == "face":
        return np.asarray(visual.face_colors, np.uint8)
    if visual.kind == "vertex":
        corner = np.asarray(visual.vertex_colors, np.float64)[faces]
        return np.asarray(np.round(corner.mean(axis=1)), np.uint8)
    material = getattr(visual, "material", None)
    if material is None or getattr(material, "baseColorTexture", None) is not None:
        return none
    base = getattr(material, "baseColorFactor", None)
    if base is None:
        return none
    return np.tile(np.asarray(base, np.uint8)[:4], (len(faces), 1))


# ---- STEP -----------------------------------------------------------------------------------


def _step_unit(path: Path) -> str | None:
    """Return the unit of length a STEP file states; "m" for one that is not ours, None for none."""
    text = path.read_bytes()
    if b"LENGTH_UNIT" not in text:
        return None
    named = re.search(rb"CONVERSION_BASED_UNIT\s*\(\s*'(\w+)'[^;]*LENGTH_UNIT", text)
    named = named or re.search(rb"LENGTH_UNIT[^;]*CONVERSION_BASED_UNIT\s*\(\s*'(\w+)'", text)
    if named:
        return STEP_NAMED_UNIT.get(named[1].decode().upper(), "m")
    plain = re.search(rb"LENGTH_UNIT[^;]*SI_UNIT\s*\(\s*(?:\.(\w+)\.|\$)\s*,\s*\.METRE\.", text)
    plain = plain or re.search(
        rb"SI_UNIT\s*\(\s*(?:\.(\w+)\.|\$)\s*,\s*\.METRE\.[^;]*LENGTH_UNIT", text
    )
    return STEP_UNIT.get((plain[1] or b"").decode().upper(), "m") if plain else "m"


@contextmanager
def quiet() -> Iterator[list[str]]:
    """Keep what a C library writes to standard output and error away from both.

    Yields a list that holds the lines it wrote, without colors, when the block has ended.
    """
    lines: list[str] = []
    sys.stdout.flush()
    sys.stderr.flush()
    kept = {number: os.dup(number) for number in (1, 2)}
    with tempfile.TemporaryFile() as sink:
        try:
            for number in kept:
                os.dup2(sink.fileno(), number)
            yield lines
        finally:
            for number, copy in kept.items():
                os.dup2(copy, number)
                os.close(copy)
            sink.seek(0)
            text = re.sub(r"\x1b\[[0-9;]*m", "", sink.read().decode("utf-8", "replace"))
            lines += [" ".join(line.replace("*", " ").split()) for line in text.splitlines()]
            lines[:] = [line for line in lines if line]
