"""3MF, written with the 3MF Consortium's own library: named objects, unit, roles, layers.

References
----------
3MF Consortium, 3MF Core Specification 1.3; 3MF Slice Extension 1.0.
"""

import ctypes
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import lib3mf
import numpy as np
import trimesh
from shapely.geometry import MultiPolygon
from shapely.geometry.polygon import orient

from moldprep.errors import FileError
from moldprep.export.printable import Printable, printable
from moldprep.printing.layers import PieceLayers

NAME: Final = "3mf"
SUFFIX: Final = ".3mf"
HOLDS_MANY: Final = True

SPACE: Final = "urn:moldprep"
"""Name space of our own metadata."""

DIGITS: Final = 9
"""Decimals that bring any float32 under a meter back as it was."""


def write(bodies: Sequence[Printable], path: Path, title: str) -> None:
    """Write named bodies in mm; same bodies, same bytes."""
    kernel = lib3mf.get_wrapper()
    model = _new_model(kernel, title)
    for body in bodies:
        _build(kernel, model, _add(model, body, title), f"{title}:{body.name}")
    _save(model, path)


def write_layers(pieces: Sequence[PieceLayers], path: Path, title: str) -> None:
    """Write the pieces of one job box with a stack of slices each; same pieces, same bytes."""
    kernel = lib3mf.get_wrapper()
    model = _new_model(kernel, title)
    for piece in pieces:
        entry = _add(model, printable(piece.name, piece.role, piece.solid), title)
        stack = model.AddSliceStack(piece.first * piece.layer_mm)
        for k, outline in enumerate(piece.outlines, start=piece.first + 1):
            _add_slice(stack, k * piece.layer_mm, outline)
        entry.AssignSliceStack(stack)
        _build(kernel, model, entry, f"{title}:{piece.name}")
    _save(model, path)


def _new_model(kernel: Any, title: str) -> Any:
    model = kernel.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    notes = model.GetMetaDataGroup()
    notes.AddMetaData("", "Title", title, "xs:string", True)
    notes.AddMetaData("", "Application", "moldprep", "xs:string", True)
    model.SetBuildUUID(_stable_id(f"{title}:build"))
    return model


def _build(kernel: Any, model: Any, entry: Any, name: str) -> None:
    """Put an object on the build, where it is."""
    item = model.AddBuildItem(entry, kernel.GetIdentityTransform())
    item.SetUUID(_stable_id(f"{name}:item"))


def _save(model: Any, path: Path) -> None:
    writer = model.QueryWriter("3mf")
    writer.SetDecimalPrecision(DIGITS)
    writer.WriteToFile(str(path))


def _add_slice(stack: Any, top_mm: float, outline: MultiPolygon) -> None:
    """Add one layer: the rings of its outline, closed, holes turning the other way."""
    rings = [
        np.asarray(ring.coords, np.float64)[:-1, :2]
        for polygon in outline.geoms
        for ring in (orient(polygon).exterior, *orient(polygon).interiors)
    ]
    layer = stack.AddSlice(top_mm)
    if rings:
        layer.SetVertices(_array(lib3mf.Position2D, np.vstack(rings).astype(np.float32)))
    start = 0
    for ring in rings:
        layer.AddPolygon([*range(start, start + len(ring)), start])
        start += len(ring)


def _add(model: Any, body: Printable, title: str) -> Any:
    """Return the mesh object of one body."""
    entry = model.AddMeshObject()
    entry.SetName(body.name)
    entry.SetPartNumber(body.name)
    entry.SetUUID(_stable_id(f"{title}:{body.name}"))
    entry.GetMetaDataGroup().AddMetaData(SPACE, "role", body.role, "xs:string", True)
    entry.SetGeometry(
        _array(lib3mf.Position, body.points.astype(np.float32)),
        _array(lib3mf.Triangle, body.faces.astype(np.uint32)),
    )
    return entry


def _array(kind: Any, rows: np.ndarray[Any, Any]) -> ctypes.Array[Any]:
    made: ctypes.Array[Any] = (kind * len(rows)).from_buffer_copy(rows.tobytes())
    return made


def _stable_id(name: str) -> str:
    """Return an id that is the same every time."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{SPACE}:{name}"))


def read(path: Path) -> list[Printable]:
    """Return the bodies by name, without their roles.

    Raises
    ------
    FileError
        file/unreadable.
    """
    try:
        scene = trimesh.load_scene(path, process=False)
    except (OSError, ValueError, LookupError, SyntaxError, AttributeError, BadZipFile) as err:
        raise FileError(f"no 3MF: {err}", code="file/unreadable", where=str(path)) from err
    return [
        Printable(
            name=name,
            role="",
            points=np.asarray(mesh.vertices, np.float32),
            faces=np.asarray(mesh.faces, np.int64),
        )
        for name, mesh in scene.geometry.items()
    ]
