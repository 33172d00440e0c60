"""3MF files read with the 3MF consortium's own library: unit, objects at their place, colors."""

from pathlib import Path
from typing import Any, Final

import lib3mf
import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Floats, Ints

UNIT: Final = {0: "um", 1: "mm", 2: "cm", 3: "in", 4: "ft", 5: "m"}
"""The unit by its number in the 3MF library."""

INVALID_UNIT: Final = 32798
"""The library's warning for a unit it does not know; it would go on in mm."""

ThreemfObject = tuple[str, Floats, Ints, NDArray[np.uint8]]


def read_3mf_objects(path: Path) -> tuple[str, list[ThreemfObject]]:
    """Return (unit, objects (name, points, faces, color a facet)) of a 3MF file.

    Raises
    ------
    LookupError
        If the file states a unit that 3MF does not know.
    ValueError
        If the library refuses the file.
    """
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    try:
        reader.ReadFromFile(str(path))
    except lib3mf.ELib3MFException as err:
        raise ValueError(str(err)) from err
    warnings = [reader.GetWarning(k) for k in range(reader.GetWarningCount())]
    if any(code == INVALID_UNIT for code, _ in warnings):
        raise LookupError("it states a unit of length that 3MF does not know")
    if warnings:
        raise ValueError("; ".join(sorted({text for _, text in warnings})))
    found: list[ThreemfObject] = []
    items = model.GetBuildItems()
    while items.MoveNext():
        item = items.GetCurrent()
        place = _matrix(item.GetObjectTransform())
        _collect(model, item.GetObjectResource(), place, "", found)
    return UNIT[int(model.GetUnit())], found


def _matrix(transform: Any) -> Floats:
    """Return (4, 3): rows of the turn, then the move; points are rows, as in 3MF."""
    return np.array([list(row) for row in transform.Fields], np.float64).reshape(4, 3)


def _collect(model: Any, thing: Any, place: Floats, name: str, found: list[ThreemfObject]) -> None:
    """Take the meshes of an object, through its components, each at its place."""
    name = thing.GetName() or name
    if thing.IsComponentsObject():
        for k in range(thing.GetComponentCount()):
            part = thing.GetComponent(k)
            inner = _matrix(part.GetTransform())
            turn = inner[:3] @ place[:3]
            move = inner[3] @ place[:3] + place[3]
            _collect(model, part.GetObjectResource(), np.vstack([turn, move]), name, found)
        return
    if not thing.IsMeshObject():
        return
    corners = [tuple(one.Coordinates) for one in thing.GetVertices()]
    points = np.array(corners, np.float64).reshape(-1, 3) @ place[:3] + place[3]
    rows = [tuple(one.Indices) for one in thing.GetTriangleIndices()]
    faces = np.array(rows, np.int64).reshape(-1, 3)
    color = _colors(model, thing, len(faces))
    if np.linalg.det(place[:3]) < 0.0:
        faces = faces[:, ::-1]
    found.append((name, points, faces, color))


def _colors(model: Any, mesh: Any, n_faces: int) -> NDArray[np.uint8]:
    """Return (m, 4) the color of each facet's first corner; (0, 4) where none has any."""
    properties = mesh.GetAllTriangleProperties()
    whole = mesh.GetObjectLevelProperty()
    default = (int(whole[0]), int(whole[1])) if whole[2] else (0, 0)
    keys = [(int(one.ResourceID), int(one.PropertyIDs[0])) for one in properties]
    keys = [key if key[0] else default for key in keys] or [default] * n_faces
    palette = {key: _color(model, *key) for key in sorted(set(keys))}
    color = np.array([palette[key] for key in keys], np.uint8).reshape(-1, 4)
    return color if color.any() else np.empty((0, 4), np.uint8)


def _color(model: Any, resource: int, entry: int) -> tuple[int, int, int, int]:
    """Return the color of one entry of a color or material group."""
    if resource == 0:
        return (0, 0, 0, 0)
    groups = {
        lib3mf.PropertyType.Colors: model.GetColorGroupByID,
        lib3mf.PropertyType.BaseMaterial: model.GetBaseMaterialGroupByID,
    }
    kind = model.GetPropertyTypeByID(resource)
    if kind not in groups:
        return (0, 0, 0, 0)
    group = groups[kind](resource)
    is_paint = kind == lib3mf.PropertyType.Colors
    color = group.GetColor(entry) if is_paint else group.GetDisplayColor(entry)
    return (int(color.Red), int(color.Green), int(color.Blue), int(color.Alpha))
