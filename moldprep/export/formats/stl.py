"""Binary STL: one body, no names, no unit (numbers are mm)."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import trimesh
from trimesh.exchange.stl import HeaderError

from moldprep.errors import FileError
from moldprep.export.printable import Printable

NAME: Final = "stl"
SUFFIX: Final = ".stl"
HOLDS_MANY: Final = False

FACET: Final = np.dtype([("normal", "<f4", 3), ("corner", "<f4", (3, 3)), ("spare", "<u2")])
HEADER: Final = b"moldprep, mm".ljust(80)


def write(bodies: Sequence[Printable], path: Path, title: str) -> None:
    """Write one body; same body, same bytes. [mm]"""
    (body,) = bodies
    facet = np.zeros(len(body.faces), FACET)
    facet["corner"] = corner = body.points[body.faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]).astype(np.float64)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    facet["normal"] = normal / np.where(length > 0.0, length, 1.0)
    path.write_bytes(HEADER + np.uint32(len(facet)).tobytes() + facet.tobytes())


def read(path: Path) -> list[Printable]:
    """Return the one body, equal points welded.

    Raises
    ------
    FileError
        file/unreadable.
    """
    try:
        mesh = trimesh.load_mesh(path, process=False)
        corners = np.asarray(mesh.triangles, np.float32).reshape(-1, 3)
    except (OSError, ValueError, LookupError, AttributeError, HeaderError) as err:
        raise FileError(f"no STL: {err}", code="file/unreadable", where=str(path)) from err
    if len(corners) == 0:
        raise FileError("no STL: not one facet", code="file/unreadable", where=str(path))
    points, row = np.unique(corners, axis=0, return_inverse=True)
    return [Printable(name=path.stem, role="", points=points, faces=row.reshape(-1, 3))]
