"""Mesh files made on the fly for the reader's tests: whole ones, and ones spoiled on purpose."""

import struct
import zipfile
from pathlib import Path

import numpy as np

from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job


def job_for(path, **casting):
    """Return a job that reads one model file."""
    table = {"alloy": "carbon-steel", "casting": {"file": path.name, **casting}}
    return make_job(table, folder=path.parent, where="test")


def box(low=(0.0, 0.0, 0.0), high=(100.0, 80.0, 60.0)):
    """Return (points, faces) of a box, twelve facets."""
    return Solid.box(low, high).mesh()


def fine_ball(radius=50.0, segments=64):
    """Return (points, faces) of a ball of many facets."""
    return Solid.sphere(radius, segments).mesh()


def joined(*meshes):
    """Return several meshes as one list of points and faces."""
    offset = np.cumsum([0, *(len(points) for points, _ in meshes[:-1])])
    points = np.vstack([points for points, _ in meshes])
    faces = np.vstack([faces + o for (_, faces), o in zip(meshes, offset, strict=True)])
    return points, faces


def turned(mesh, rows=slice(None)):
    """Return a mesh with some facets wound the other way."""
    points, faces = mesh
    faces = faces.copy()
    faces[rows] = faces[rows][:, ::-1]
    return points, faces


def stl_bytes(mesh, count=None):
    """Return a binary STL; `count` is what it announces, right if missing."""
    points, faces = mesh
    facet = np.zeros(len(faces), [("n", "<f4", 3), ("c", "<f4", (3, 3)), ("s", "<u2")])
    facet["c"] = points[faces]
    said = len(faces) if count is None else count
    return b"test".ljust(80) + struct.pack("<I", said) + facet.tobytes()


def ascii_stl(mesh, line_end="\n", name="part"):
    """Return an ASCII STL as text."""
    points, faces = mesh
    lines = [f"solid {name}"]
    for corners in points[faces]:
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += [f"      vertex {x:.9e} {y:.9e} {z:.9e}" for x, y, z in corners]
        lines += ["    endloop", "  endfacet"]
    return line_end.join([*lines, f"endsolid {name}", ""])


def obj_text(mesh):
    """Return an OBJ of one object without a name."""
    points, faces = mesh
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (faces + 1).tolist()]
    return "\n".join([*lines, ""])


def threemf_text(objects, unit='unit="millimeter"', paint=None, palette=()):
    """Return the model part of a 3MF: (name, mesh) pairs, unit attribute as given.

    `paint` is the entry of `palette` for each facet, the same for every object.
    """
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    material = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
    parts, items = [], []
    if palette:
        colors = "".join(f'<m:color color="{color}"/>' for color in palette)
        parts.append(f'<m:colorgroup id="99">{colors}</m:colorgroup>')
    for k, (name, (points, faces)) in enumerate(objects, start=1):
        corners = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in points.tolist())
        skins = [f'pid="99" p1="{p}"' for p in paint] if palette else [""] * len(faces)
        rows = "".join(
            f'<triangle v1="{a}" v2="{b}" v3="{c}" {skin}/>'
            for (a, b, c), skin in zip(faces.tolist(), skins, strict=True)
        )
        parts.append(
            f'<object id="{k}" name="{name}" type="model"><mesh><vertices>{corners}</vertices>'
            f"<triangles>{rows}</triangles></mesh></object>"
        )
        items.append(f'<item objectid="{k}"/>')
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        f'<model {unit} xmlns="{core}" xmlns:m="{material}">'
        f"<resources>{''.join(parts)}</resources><build>{''.join(items)}</build></model>"
    )


def write_3mf(path, objects, **how):
    """Write a 3MF package around `threemf_text`."""
    relations = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        '<Relationship Target="/3D/3dmodel.model" Id="r0" '
        'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
    )
    types = (
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" '
        'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>'
    )
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("[Content_Types].xml", types)
        package.writestr("_rels/.rels", relations)
        package.writestr("3D/3dmodel.model", threemf_text(objects, **how))
    return path


def put(folder: Path, name: str, content):
    """Write bytes or text to a file and return its path."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path
