"""Make the sample castings: five parts of our own invention, drawn as a founder draws raw castings.

Run with a Python that has the optional dependency: ``pip install moldprep[samples]``, then
``python samples/make_samples.py [NAME ...]``. Each part is a function of a few dimensions in mm,
z up; cored bores are there, holes that are drilled later are not. Beside the model, its volume and
extents as the CAD kernel computes them are printed, for ``expected.toml``.
"""

import sys
from collections.abc import Callable
from datetime import datetime
from math import cos, hypot, pi, radians, sin, tan
from pathlib import Path

from build123d import (
    Axis,
    Box,
    Circle,
    Cone,
    Cylinder,
    Edge,
    Ellipse,
    GeomType,
    Mesher,
    Part,
    Plane,
    Polyline,
    Pos,
    RectangleRounded,
    Rot,
    ShapeList,
    Unit,
    Vector,
    export_step,
    export_stl,
    extrude,
    fillet,
    loft,
    make_face,
    revolve,
)

HERE = Path(__file__).parent
MM_PER_INCH = 25.4


def rod(radius: float, start: tuple, end: tuple, end_radius: float | None = None) -> Part:
    """Return a cylinder, or a cone, between two points."""
    axis = tuple(b - a for a, b in zip(start, end, strict=True))
    length = sum(v * v for v in axis) ** 0.5
    plane = Plane(origin=start, z_dir=axis)
    if end_radius is None or end_radius == radius:
        body = Cylinder(radius, length)
    else:
        body = Cone(radius, end_radius, length)
    return plane * Pos(0, 0, length / 2) * body


def prism(outline: list[tuple[float, float]], plane: Plane, depth: float) -> Part:
    """Return a closed outline extruded by half the depth to each side of a plane."""
    face = make_face(Polyline(*outline, close=True))
    return extrude(plane * face, amount=depth / 2, both=True)


def soften(part: Part, radius: float, wanted: Callable[[object], bool]) -> Part:
    """Return the part with the wanted edges rounded.

    Edges are rounded together where the kernel manages, else one after another; an edge that it
    refuses stays sharp and is printed.
    """
    edges = ShapeList(edge for edge in part.edges() if wanted(edge))
    if not edges:
        raise ValueError(f"no edge to round by {radius}")
    try:
        return fillet(edges, radius)
    except ValueError:
        print("one by one", len(edges))
    for place in sorted(((e @ 0.5).X, (e @ 0.5).Y, (e @ 0.5).Z) for e in edges):
        near = min(part.edges(), key=lambda e: e.distance_to(Vector(*place)))
        if near.distance_to(Vector(*place)) < 0.01 and wanted(near):
            try:
                part = fillet(ShapeList([near]), radius)
            except ValueError:
                print("stays sharp:", [round(v, 1) for v in place], radius)
    return part


def share_inside(part: Part, edge: object, step: float = 0.4) -> float:
    """Return how much of a small ring around the middle of an edge lies in the part."""
    middle, along = edge.position_at(0.5), edge.tangent_at(0.5)
    plane = Plane(origin=middle, z_dir=along)
    ring = [plane.from_local_coords((step * cos(a), step * sin(a), 0)) for a in
            (2 * pi * (k + 0.37) / 16 for k in range(16))]  # fmt: skip
    solid = part.solids()[0]
    return sum(solid.is_inside(point) for point in ring) / len(ring)


def is_inner_edge(part: Part, edge: object) -> bool:
    """Return whether an edge is the root of a corner; a smooth seam and a rim are none."""
    return share_inside(part, edge) > 0.5


def pedestal() -> Part:
    """Bearing pedestal: a cored bearing boss on a ribbed column, on a plate with four feet."""
    length, width, plate, pad = 340.0, 180.0, 28.0, 8.0
    shaft_z, boss_r, bore_r, boss_length = 205.0, 78.0, 42.0, 150.0
    top = pad + plate
    base = Pos(0, 0, pad) * extrude(RectangleRounded(length, width, 26), plate)
    base = soften(base, 6, lambda e: top - 0.1 < (e @ 0.5).Z)
    for x in (-132, 132):
        for y in (-58, 58):
            base += Pos(x, y, 0) * extrude(RectangleRounded(62, 50, 14), pad + 1)
    base = soften(base, 4, lambda e: abs((e @ 0.5).Z - pad) < 0.1 and is_inner_edge(base, e))
    column = prism([(-104, 20), (104, 20), (54, shaft_z), (-54, shaft_z)], Plane.XZ, 36)
    column += prism([(-66, 20), (66, 20), (48, shaft_z), (-48, shaft_z)], Plane.YZ, 32)
    column = soften(column, 12, lambda e: e.length > 100 and is_inner_edge(column, e))
    boss = rod(boss_r, (0, -boss_length / 2, shaft_z), (0, boss_length / 2, shaft_z))
    boss += rod(25, (0, 0, shaft_z), (0, 0, shaft_z + boss_r + 16))
    boss = soften(boss, 8, lambda e: is_inner_edge(boss, e))
    boss = soften(boss, 3, lambda e: e.geom_type == GeomType.CIRCLE and abs((e @ 0.5).Y) > 70)
    body = column + boss
    body = soften(body, 10, lambda e: (e @ 0.5).Z > 60 and is_inner_edge(body, e))
    body += base
    body = soften(body, 10, lambda e: abs((e @ 0.5).Z - top) < 0.1 and is_inner_edge(body, e))
    for x in (-132, 132):
        for y in (-58, 58):
            body += rod(24, (x, y, 20), (x, y, top + 12), 22)
    body = soften(body, 6, lambda e: abs((e @ 0.5).Z - top) < 0.1 and e.length > 100
                  and e.geom_type == GeomType.CIRCLE and is_inner_edge(body, e))  # fmt: skip
    return body - rod(bore_r, (0, -200, shaft_z), (0, 200, shaft_z))


def is_root_of(part: Part, radius: float) -> Callable[[object], bool]:
    """Return a test whether an edge is where a pipe of this radius meets a flange."""
    return lambda e: (
        e.geom_type == GeomType.CIRCLE and abs(e.radius - radius) < 0.01 and is_inner_edge(part, e)
    )


def tee() -> Part:
    """Flanged tee: three flanges, two bores that cross; the branch is one size smaller."""
    run, rise, face = 400.0, 210.0, 3.0
    sizes = {
        (-1, 0, 0): (52, 15, 118, 82),
        (1, 0, 0): (52, 15, 118, 82),
        (0, 0, 1): (40, 13, 100, 66),
    }
    outer = rod(67, (-run / 2, 0, 0), (run / 2, 0, 0)) + rod(53, (0, 0, 0), (0, 0, rise))
    outer = soften(outer, 24, lambda e: is_inner_edge(outer, e))
    inner = rod(52, (-run, 0, 0), (run, 0, 0)) + rod(40, (0, 0, 0), (0, 0, 2 * rise))
    inner = soften(inner, 6, lambda e: is_inner_edge(inner, e))
    for end, (bore_r, wall, flange_r, face_r) in sizes.items():
        reach, thick = (rise, 28.0) if end[2] else (run / 2, 30.0)
        back, front = (tuple(s * v for v in end) for s in (reach - face - thick, reach - face))
        disc = soften(rod(flange_r, back, front), 4, lambda e: e.geom_type == GeomType.CIRCLE)
        outer += disc + rod(face_r, back, tuple(reach * v for v in end))
        outer = soften(outer, 10, is_root_of(outer, bore_r + wall))
    return outer - inner


def sheave() -> Part:
    """V-groove sheave: rim with one groove, five oval spokes, a hub with a cored bore."""
    rim_r, rim_in, half_width, hub_r, bore_r, hub_half = 210.0, 158.0, 31.0, 54.0, 29.0, 46.0
    groove_low, groove_half, side = 178.0, 4.0, tan(radians(20))
    lip = groove_half + (rim_r - groove_low) * side
    rim = make_face(Polyline(
        (rim_in, -half_width), (rim_r, -half_width), (rim_r, -lip), (groove_low, -groove_half),
        (groove_low, groove_half), (rim_r, lip), (rim_r, half_width), (rim_in, half_width),
        close=True,
    ))  # fmt: skip
    rim = fillet(rim.vertices().filter_by(lambda v: rim_in + 1 < v.X), 3)
    body = revolve(Plane.XZ * rim, Axis.Z)
    hub = make_face(Polyline(
        (0, -hub_half), (hub_r, -hub_half), (hub_r, hub_half), (0, hub_half), close=True,
    ))  # fmt: skip
    hub = fillet(hub.vertices().filter_by(lambda v: v.X > 40 and abs(v.Y) > 40), 5)
    body += revolve(Plane.XZ * hub, Axis.Z)
    for k in range(5):
        inner = Plane(origin=(30, 0, 0), z_dir=(1, 0, 0), x_dir=(0, 1, 0)) * Ellipse(22, 14)
        outer = Plane(origin=(168, 0, 0), z_dir=(1, 0, 0), x_dir=(0, 1, 0)) * Ellipse(18, 11)
        body += Rot(0, 0, 72 * k + 36) * loft([inner, outer])

    def is_root(edge: Edge) -> bool:
        radius = hypot((edge @ 0.5).X, (edge @ 0.5).Y)
        return 50 < radius < 170 and abs((edge @ 0.5).Z) < 25 and is_inner_edge(body, edge)

    body = soften(body, 7, is_root)
    return body - rod(bore_r, (0, 0, -100), (0, 0, 100))


def pump_body() -> Part:
    """Volute pump body: spiral casing around a wheel chamber, inlet below, outlet to the side."""
    wall, wheel_r, half = 9.0, 92.0, 17.0
    out = wheel_r + 6 + 36

    def spiral(extra: float) -> Part:
        sections = []
        for k in range(13):
            turn, r = radians(20 + 340 * k / 12), 14 + 22 * k / 12
            reach = wheel_r + 6 + r
            plane = Plane(
                origin=(reach * cos(turn), reach * sin(turn), 0),
                z_dir=(-sin(turn), cos(turn), 0),
                x_dir=(cos(turn), sin(turn), 0),
            )
            sections.append(plane * Circle(r + extra))
        return loft(sections)

    inlet = rod(46 + wall, (0, 0, -115), (0, 0, -half), 52 + wall)
    inlet += soften(
        rod(86, (0, 0, -120), (0, 0, -104)), 3, lambda e: e.geom_type == GeomType.CIRCLE
    )
    inlet += rod(wheel_r + 14, (0, 0, -half - wall), (0, 0, half + wall))
    inlet = soften(inlet, 8, lambda e: e.geom_type == GeomType.CIRCLE and is_inner_edge(inlet, e))
    outlet = rod(36 + wall, (out, 0, 0), (out, 165, 0), 39 + wall)
    outlet += soften(rod(80, (out, 152, 0), (out, 168, 0)), 3,
                     lambda e: e.geom_type == GeomType.CIRCLE)  # fmt: skip
    outlet = soften(outlet, 8, lambda e: e.geom_type == GeomType.CIRCLE
                    and is_inner_edge(outlet, e))  # fmt: skip
    lid = soften(rod(126, (0, 0, half + 4), (0, 0, half + 24)), 3,
                 lambda e: (e @ 0.5).Z > 40 and e.geom_type == GeomType.CIRCLE)  # fmt: skip
    outer = spiral(wall) + outlet + inlet + lid
    outer = soften(outer, 6, lambda e: e.length > 25 and is_inner_edge(outer, e))
    inner = spiral(0) + rod(36, (out, 0, 0), (out, 200, 0), 39)
    inner += rod(wheel_r + 8, (0, 0, -half), (0, 0, half))
    inner += rod(46, (0, 0, -140), (0, 0, 0), 52)
    inner += rod(84, (0, 0, 0), (0, 0, 60))
    return outer - inner


def cover() -> Part:
    """Thin ribbed cover: a shell open below, a rim with bolt bosses, ribs across its inside."""
    length, width, height, wall, rim, lean = 330.0, 230.0, 52.0, 5.0, 9.0, 3.0
    shell = extrude(RectangleRounded(length - 44, width - 44, 32), height, taper=lean)
    shell = soften(shell, 12, lambda e: height - 0.1 < (e @ 0.5).Z)
    body = shell + extrude(RectangleRounded(length, width, 34), rim)
    for x, y in ((147, 97), (50, 100)):
        for at in ((x, y), (-x, y), (x, -y), (-x, -y)):
            body += rod(12, (*at, 0), (*at, 20), 11)
    body += rod(33, (0, 0, height - wall), (0, 0, height + 14), 32)
    body = soften(body, 4, lambda e: (e @ 0.5).Z > 5 and is_inner_edge(body, e))
    cavity = extrude(
        RectangleRounded(length - 44 - 2 * wall, width - 44 - 2 * wall, 27),
        height - wall,
        taper=lean,
    )
    foot, pad = height - 24, height - 20  # lower faces of the ribs, and of the pad in the middle
    hollow = cavity & Pos(0, 0, foot / 2) * Box(length, width, foot)
    for x, dx in ((0, 51), (56, 51), (-56, 51), (126.5, 80), (-126.5, 80)):
        for y, dy in ((0, 67), (88.5, 100), (-88.5, 100)):
            top = pad if x == y == 0 else height
            cell = cavity & Pos(x, y, (foot + top) / 2) * Box(dx, dy, top - foot)
            is_corner = lambda e, c=cell: (  # noqa: E731
                foot + 0.5 < (e @ 0.5).Z and share_inside(c, e) < 0.4
            )
            hollow += cell if x == y == 0 else soften(cell, 2, is_corner)
    return body - hollow


MADE_ON = datetime(2026, 1, 1)
"""A fixed date, so that the header of a STEP file never changes."""

PARTS = {
    "pedestal": (pedestal, ".step"),
    "sheave": (sheave, ".step"),
    "pump-body": (pump_body, ".step"),
    "tee": (tee, ".stl"),
    "cover": (cover, ".3mf"),
}


def write(part: Part, path: Path) -> None:
    """Write a part: STEP and 3MF in mm, STL in inches."""
    if path.suffix == ".step":
        export_step(part, path, write_pcurves=False, timestamp=MADE_ON)
    elif path.suffix == ".stl":
        export_stl(part.scale(1 / MM_PER_INCH), path, tolerance=0.1 / MM_PER_INCH,
                   angular_tolerance=0.15)  # fmt: skip
        path.write_bytes(path.name.ljust(80).encode() + path.read_bytes()[80:])
    else:
        mesher = Mesher(unit=Unit.MM)
        mesher.add_shape(part, linear_deflection=0.1, angular_deflection=0.2)
        mesher.write(path)


def main(names: list[str]) -> None:
    for name in names or list(PARTS):
        make, suffix = PARTS[name]
        part = make()
        if len(part.solids()) != 1 or not part.is_valid:
            raise ValueError(f"{name}: {len(part.solids())} solids, valid: {part.is_valid}")
        part.label = name
        write(part, HERE / name / f"{name}{suffix}")
        box = part.bounding_box().size
        print(f"{name}: volume {part.volume:.3f} mm3, area {part.area:.3f} mm2")
        print(f"{name}: extents [{box.X:.6f}, {box.Y:.6f}, {box.Z:.6f}] mm")


if __name__ == "__main__":
    main(sys.argv[1:])
