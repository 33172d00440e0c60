"""3MF, written with the 3MF Consortium's own library: named objects, unit, roles.

References
----------
3MF Consortium, 3MF Core Specification 1.3.
"""

import ctypes
import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import lib3mf
import numpy as np
import trimesh

from moldprep.export.printable import Printable

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
    model = kernel.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.MilliMeter)
    notes = model.GetMetaDataGroup()
    notes.AddMetaData("", "Title", title, "xs:string", True)
    notes.AddMetaData("", "Application", "moldprep", "xs:string", True)
    model.SetBuildUUID(_stable_id(title, "build"))
    for body in bodies:
        item = model.AddBuildItem(_add(model, body, title), kernel.GetIdentityTransform())
        item.SetUUID(_stable_id(title, f"item {body.name}"))
        item.SetPartNumber(body.name)
    writer = model.QueryWriter("3mf")
    writer.SetDecimalPrecision(DIGITS)
    writer.WriteToFile(str(path))


def _add(model: Any, body: Printable, title: str) -> Any:
    """Return the mesh object of one body."""
    entry = model.AddMeshObject()
    entry.SetName(body.name)
    entry.SetPartNumber(body.name)
    entry.SetUUID(_stable_id(title, body.name))
    entry.GetMetaDataGroup().AddMetaData(SPACE, "role", body.role, "xs:string", True)
    entry.SetGeometry(
        _array(lib3mf.Position, body.points.astype(np.float32)),
        _array(lib3mf.Triangle, body.faces.astype(np.uint32)),
    )
    return entry


def _array(kind: Any, rows: np.ndarray[Any, Any]) -> ctypes.Array[Any]:
    made: ctypes.Array[Any] = (kind * len(rows)).from_buffer_copy(rows.tobytes())
    return made


def _stable_id(title: str, name: str) -> str:
    """Return an id that is the same every time."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{SPACE}:{title}:{name}"))


def read(path: Path) -> list[Printable]:
    """Return the bodies by name, without their roles."""
    scene = trimesh.load_scene(path, process=False)
    return [
        Printable(
            name=name,
            role="",
            points=np.asarray(mesh.vertices, np.float32),
            faces=np.asarray(mesh.faces, np.int64),
        )
        for name, mesh in scene.geometry.items()
    ]
