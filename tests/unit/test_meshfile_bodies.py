"""Several bodies in a model: united, apart, or rigging; and the colors of facets."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from shapely.geometry import Point

from moldprep.errors import GeometryError, JobError
from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.solid import Solid
from moldprep.records import Role
from tests.helpers import agree
from tests.nastymesh import box, job_for, joined, obj_text, put, stl_bytes, turned, write_3mf

BOX_MM3 = 100.0 * 80.0 * 60.0
EXACT = "float32 in the file"
PART = box()
SPRUE = box((200, 0, 0), (220, 20, 150))
GATE = box((90, 30, 0), (205, 40, 10))
RED, BLUE = [200, 16, 32, 255], [0, 0, 255, 255]


def roles(casting):
    return [(body.name, body.role) for body in casting.bodies]


def test_bodies_apart(tmp_path):
    path = put(tmp_path, "p.stl", stl_bytes(joined(SPRUE, PART)))
    casting = read_casting(job_for(path, unit="mm", bodies="apart"))
    assert roles(casting) == [("casting-1", Role.CASTING), ("casting-2", Role.CASTING)]
    agree(casting.bodies[0].solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    agree(casting.solid.volume_mm3, BOX_MM3 + 60000.0, rel=1e-6, why=EXACT)


def test_bodies_apart_but_overlapping_are_one(tmp_path):
    path = put(tmp_path, "p.stl", stl_bytes(joined(PART, GATE)))
    casting = read_casting(job_for(path, unit="mm", bodies="apart"))
    assert roles(casting) == [("casting", Role.CASTING)]


def test_rigging_by_object_name(tmp_path):
    path = write_3mf(tmp_path / "p.3mf", [("part", PART), ("down", SPRUE), ("gate", GATE)])
    own = [{"role": "sprue", "object": "down"}, {"role": "ingate", "object": "gate"}]
    casting = read_casting(job_for(path, own=own))
    assert roles(casting) == [
        ("casting", Role.CASTING), ("sprue", Role.SPRUE), ("ingate-1", Role.INGATE),
    ]  # fmt: skip
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    agree(casting.bodies[2].solid.volume_mm3, 11500.0, rel=1e-6, why=EXACT)


def test_rigging_by_point_and_by_own_file_with_names(tmp_path):
    path = put(tmp_path, "p.stl", stl_bytes(joined(PART, SPRUE)))
    put(tmp_path, "gate.stl", stl_bytes(turned(GATE)))
    own = [
        {"role": "sprue", "at_mm": [210, 10, 100], "name": "down"},
        {"role": "feeder", "file": "gate.stl"},
    ]
    casting = read_casting(job_for(path, unit="mm", own=own))
    assert [body.name for body in casting.bodies] == ["casting", "down", "F1"]
    agree(casting.bodies[1].solid.volume_mm3, 60000.0, rel=1e-6, why=EXACT)
    agree(casting.bodies[2].solid.volume_mm3, 11500.0, rel=1e-6, why=EXACT)
    alone = read_casting(job_for(path, unit="mm", own=own[:1]))
    assert alone.sha256 != casting.sha256  # the second file counts


def colored(mesh, color):
    body = trimesh.Trimesh(*mesh, process=False)
    body.visual.face_colors = color
    return body


def test_rigging_by_color(tmp_path):
    scene = trimesh.util.concatenate([colored(PART, RED), colored(SPRUE, BLUE)])
    path = put(tmp_path, "p.ply", scene.export(file_type="ply"))
    own = [{"role": "sprue", "color": "#0000FF"}]
    casting = read_casting(job_for(path, unit="mm", own=own))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    assert (casting.face_color[:, 0] == 200).all()


@pytest.mark.parametrize(
    ("own", "said"),
    [
        ({"object": "gat"}, "there are: gate, part"),
        ({"at_mm": [500, 0, 0]}, "no body around"),
        ({"color": "#123456"}, "there are: none"),
        ({}, "needs one of"),
    ],
)
def test_rigging_that_is_not_there(tmp_path, own, said):
    path = write_3mf(tmp_path / "p.3mf", [("part", PART), ("gate", GATE)])
    with pytest.raises(JobError) as caught:
        read_casting(job_for(path, own=[{"role": "ingate", **own}]))
    assert caught.value.code == "job/no-such-body"
    assert said in str(caught.value)


def test_a_doubled_object_name_must_not_be_guessed(tmp_path):
    path = write_3mf(tmp_path / "p.3mf", [("part", PART), ("gate", GATE), ("gate", SPRUE)])
    whole = read_casting(job_for(path))
    agree(whole.solid.volume_mm3, BOX_MM3 + 60000 + 11500 - 10 * 100, rel=1e-6,
          why="less where the gate reaches into the part")  # fmt: skip
    with pytest.raises(JobError) as caught:
        read_casting(job_for(path, own=[{"role": "ingate", "object": "gate"}]))
    assert "2 objects" in str(caught.value)


def test_everything_rigging_leaves_no_casting(tmp_path):
    path = put(tmp_path, "p.stl", stl_bytes(PART))
    with pytest.raises(GeometryError) as caught:
        read_casting(job_for(path, unit="mm", own=[{"role": "sprue", "at_mm": [50, 40, 30]}]))
    assert caught.value.code == "geometry/empty"


def test_an_object_inside_another_is_no_void(tmp_path):
    inner = turned(box((30, 30, 20), (70, 50, 40)))
    path = write_3mf(tmp_path / "p.3mf", [("part", PART), ("core", inner)])
    agree(read_casting(job_for(path)).solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)


def test_open_objects_that_close_each_other(tmp_path):
    points, faces = PART
    text = obj_text((points, faces)).splitlines()
    first = next(k for k, line in enumerate(text) if line.startswith("f"))
    text.insert(first, "o lower")
    text.insert(first + 6, "o upper")
    path = put(tmp_path, "p.obj", "\n".join(text) + "\n")
    agree(read_casting(job_for(path, unit="mm")).solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)


# ---- narrow bores --------------------------------------------------------------------------


BORES_MM2 = Point(0, 0).buffer(2.0).area


def bored(path):
    """Write a red box with an upright bore of 4 mm in each half."""
    bores = [Solid.extrude(Point(x, 40).buffer(2.0), -1.0, 61.0) for x in (25, 75)]
    points, faces = (Solid.box((0, 0, 0), (100, 80, 60)) - Solid.union(bores)).mesh()
    colored((points, faces), RED).export(path)
    return path


def test_narrow_bores_are_cast_solid_and_listed(tmp_path):
    casting = read_casting(job_for(bored(tmp_path / "bored.ply"), unit="mm"))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    assert [round(bore.width_mm, 2) for bore in casting.drilled] == [4.0, 4.0]
    places = sorted(bore.at_mm for bore in casting.drilled)
    np.testing.assert_allclose(places, [(25, 40, 30), (75, 40, 30)], atol=1e-3)
    points, faces = casting.solid.mesh()
    assert casting.face_color.shape == (len(faces), 4)
    is_red = (casting.face_color == RED).all(axis=1)
    is_filling = (np.abs(points[faces].mean(axis=1)[:, 1] - 40.0) < 2.1) & ~is_red
    assert (is_red | is_filling).all()
    assert is_red.any()


@pytest.mark.parametrize("below_mm", [0.0, 3.9])
def test_bores_the_job_leaves_to_the_sand_stay(tmp_path, below_mm):
    path = bored(tmp_path / "bored.ply")
    casting = read_casting(job_for(path, unit="mm", drill_below_mm=below_mm))
    assert casting.drilled == ()
    agree(casting.solid.volume_mm3, BOX_MM3 - 120.0 * BORES_MM2, rel=1e-6, why=EXACT)


# ---- colors --------------------------------------------------------------------------------


def top_is_red(casting):
    """Assert that exactly the facets at z = 60 are red."""
    points, faces = casting.solid.mesh()
    assert casting.face_color.shape == (len(faces), 4)
    is_top = (np.abs(points[faces][:, :, 2] - 60.0) < 1e-3).all(axis=1)
    assert is_top.any()
    np.testing.assert_array_equal((casting.face_color == RED).all(axis=1), is_top)


def top_painted():
    body = trimesh.Trimesh(*PART, process=False)
    colors = np.tile(BLUE, (len(body.faces), 1)).astype(np.uint8)
    colors[body.triangles_center[:, 2] > 59.9] = RED
    body.visual.face_colors = colors
    return body


def test_colors_of_a_ply(tmp_path):
    path = put(tmp_path, "p.ply", top_painted().export(file_type="ply"))
    top_is_red(read_casting(job_for(path, unit="mm")))


def test_colors_of_a_ply_with_mixed_winding(tmp_path):
    body = top_painted()
    faces = body.faces.copy()
    faces[::3] = faces[::3][:, ::-1]
    other = trimesh.Trimesh(body.vertices, faces, process=False)
    other.visual.face_colors = body.visual.face_colors
    path = put(tmp_path, "p.ply", other.export(file_type="ply"))
    top_is_red(read_casting(job_for(path, unit="mm")))


def test_colors_of_a_glb_in_sheets(tmp_path):
    """One primitive a color: neither is closed by itself."""
    points, faces = PART
    is_top = (points[faces][:, :, 2] == 60.0).all(axis=1)
    scene = trimesh.Scene()
    for name, rows, color in (("top", is_top, RED), ("rest", ~is_top, BLUE)):
        sheet = trimesh.Trimesh(points / 1000.0, faces[rows], process=False)
        material = trimesh.visual.material.PBRMaterial(baseColorFactor=color)
        sheet.visual = trimesh.visual.TextureVisuals(material=material)
        scene.add_geometry(sheet, node_name=name)
    path = put(tmp_path, "p.glb", scene.export(file_type="glb"))
    casting = read_casting(job_for(path))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    top_is_red(casting)


def test_colors_of_an_obj_by_material(tmp_path):
    points, faces = PART
    is_top = (points[faces][:, :, 2] == 60.0).all(axis=1)
    lines = [f"v {x} {y} {z}" for x, y, z in points.tolist()]
    for name, rows in (("red", is_top), ("blue", ~is_top)):
        lines += [f"usemtl {name}", *(f"f {a} {b} {c}" for a, b, c in (faces[rows] + 1).tolist())]
    put(tmp_path, "p.mtl", f"newmtl red\nKd {200 / 255} {16 / 255} {32 / 255}\n"
        "newmtl blue\nKd 0 0 1\n")  # fmt: skip
    path = put(tmp_path, "p.obj", "mtllib p.mtl\n" + "\n".join(lines) + "\n")
    top_is_red(read_casting(job_for(path, unit="mm")))


def test_colors_of_a_3mf(tmp_path):
    points, faces = PART
    is_top = (points[faces][:, :, 2] == 60.0).all(axis=1)
    path = write_3mf(
        tmp_path / "p.3mf", [("part", PART)],
        paint=np.where(is_top, 0, 1), palette=["#C81020FF", "#0000FFFF"],
    )  # fmt: skip
    top_is_red(read_casting(job_for(path)))


def test_colors_survive_a_union(tmp_path):
    scene = trimesh.util.concatenate([colored(PART, RED), colored(GATE, BLUE)])
    path = put(tmp_path, "p.ply", scene.export(file_type="ply"))
    casting = read_casting(job_for(path, unit="mm"))
    points, faces = casting.solid.mesh()
    middle = points[faces].mean(axis=1)
    is_red = (casting.face_color == RED).all(axis=1)
    assert is_red[middle[:, 0] < 90.0].all()
    assert (casting.face_color[middle[:, 0] > 100.1] == BLUE).all()


# ---- STEP -----------------------------------------------------------------------------------

MODELS = Path(__file__).parents[1] / "models"


def test_step_in_inches_with_named_and_colored_bodies():
    """A block of 4 x 3 x 2 in and a cube of 1 in, drawn in inches."""
    path = MODELS / "two_bodies_inch.step"
    casting = read_casting(job_for(path, own=[{"role": "ingate", "object": "gate"}]))
    assert casting.unit == "in"
    agree(casting.solid.volume_mm3, 24 * 25.4**3, rel=1e-6, why="float32 in the reader")
    agree(casting.bodies[1].solid.volume_mm3, 25.4**3, rel=1e-6, why="float32 in the reader")
    by_color = read_casting(job_for(path, own=[{"role": "ingate", "color": "#0000ff"}]))
    agree(by_color.solid.volume_mm3, 24 * 25.4**3, rel=1e-6, why="float32 in the reader")
    assert read_casting(job_for(path, unit="in")).unit == "in"
    with pytest.raises(GeometryError) as caught:
        read_casting(job_for(path, unit="mm"))
    assert caught.value.code == "geometry/unit-conflict"


def test_step_in_metres():
    """A ring of 40 and 15 mm radius, 30 mm high."""
    casting = read_casting(job_for(MODELS / "ring_m.step", chord_mm=0.05))
    assert casting.unit == "m"
    agree(casting.solid.volume_mm3, np.pi * (40**2 - 15**2) * 30, rel=5e-3, why="chord 0.05 mm")
    assert casting.solid.n_triangles < 2000


def test_step_without_a_unit_needs_one(tmp_path):
    text = (MODELS / "ring_m.step").read_text()
    bare = text.replace("LENGTH_UNIT() ", "").replace("SI_UNIT($,.METRE.)", "")
    path = put(tmp_path, "ring.step", bare)
    with pytest.raises(GeometryError) as caught:
        read_casting(job_for(path))
    assert caught.value.code == "geometry/unit-missing"
    casting = read_casting(job_for(path, unit="m", chord_mm=1e-4))
    agree(casting.solid.size_mm, [80.0, 80.0, 30.0], rel=5e-3, why="chord 0.1 mm")


def test_step_with_colored_faces_is_one_body_always_the_same():
    """A blue box of 100 x 80 x 60 mm about the origin, its top red."""
    one, two = (read_casting(job_for(MODELS / "painted.step")) for _ in range(2))
    points, faces = one.solid.mesh()
    is_top = (points[faces][:, :, 2] > 29.99).all(axis=1)
    np.testing.assert_array_equal((one.face_color[:, 0] == 255), is_top)
    np.testing.assert_array_equal(one.solid.mesh()[0], two.solid.mesh()[0])
    np.testing.assert_array_equal(one.face_color, two.face_color)


def test_bodies_that_overlap_are_united_and_counted(tmp_path):
    mesh = joined(
        box(), box((50.0, 0.0, 0.0), (150.0, 80.0, 60.0)), box((300, 0, 0), (340, 40, 40))
    )
    casting = read_casting(job_for(put(tmp_path, "p.stl", stl_bytes(mesh)), unit="mm"))
    assert casting.solid.volume_mm3 == pytest.approx(720_000.0 + 64_000.0)
    counts = {repair.what: repair.count for repair in casting.repairs}
    assert counts["bodies that overlap or touch united with another"] == 1


def test_slivers_between_a_pin_and_its_hole_are_no_hollows(tmp_path):
    """Facets of a round pin and of its hole cross: twelve slivers of 0.1 mm³, closed by heads."""
    hole = Solid.cone(6.0, 6.0, 12.0, 64).moved((30.0, 30.0, -1.0))
    plate = Solid.box((0.0, 0.0, 0.0), (60.0, 60.0, 10.0)) - hole
    pin = Solid.cone(6.0, 6.0, 10.0, 64).turned((0.0, 0.0, 2.8)).moved((30.0, 30.0, 0.0))
    heads = [Solid.box((20.0, 20.0, z), (40.0, 40.0, z + 5.0)) for z in (-5.0, 10.0)]
    path = put(tmp_path, "p.stl", stl_bytes(joined(*(b.mesh() for b in (plate, pin, *heads)))))
    casting = read_casting(job_for(path, unit="mm"))
    assert casting.voids == ()
    whole = 60.0 * 60.0 * 10.0 + 2.0 * 20.0 * 20.0 * 5.0
    agree(casting.solid.volume_mm3, whole, rel=1e-4, why="a sliver may stay under a thousandth")
    filled = {repair.what: repair.count for repair in casting.repairs}
    assert filled["hollows of under 1 mm³ between bodies filled"] > 10
