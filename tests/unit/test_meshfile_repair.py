"""Safe repairs, each with its count, and what is refused with the place it is open at."""

import numpy as np
import pytest
import trimesh

from moldprep.errors import GeometryError
from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.solid import Solid
from tests.helpers import agree
from tests.nastymesh import box, fine_ball, job_for, joined, obj_text, put, stl_bytes, turned

BOX_MM3 = 100.0 * 80.0 * 60.0
EXACT = "the surface stays where it is; float32 in the file"


def read(tmp_path, mesh, **casting):
    path = put(tmp_path, "part.stl", stl_bytes(mesh))
    return read_casting(job_for(path, unit="mm", **casting))


def read_obj(tmp_path, mesh, **casting):
    path = put(tmp_path, "part.obj", obj_text(mesh))
    return read_casting(job_for(path, unit="mm", **casting))


def count(casting, what):
    return sum(repair.count for repair in casting.repairs if what in repair.what)


def volume(mesh):
    a, b, c = (mesh[0][mesh[1][:, k]] for k in range(3))
    return np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0


# ---- winding --------------------------------------------------------------------------------


def test_all_facets_inward_are_turned(tmp_path):
    casting = read(tmp_path, turned(box()))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    assert count(casting, "turned") == 12


@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.7, 0.98])
def test_mixed_winding(tmp_path, share):
    ball = fine_ball()
    rows = np.random.default_rng(7).random(len(ball[1])) < share
    casting = read(tmp_path, turned(ball, rows))
    agree(casting.solid.volume_mm3, volume(ball), rel=1e-6, why=EXACT)
    assert count(casting, "turned") == rows.sum()


def test_one_of_two_bodies_inside_out(tmp_path):
    mesh = joined(box(), turned(box((200, 0, 0), (300, 80, 60))))
    casting = read(tmp_path, mesh)
    agree(casting.solid.volume_mm3, 2 * BOX_MM3, rel=1e-6, why=EXACT)
    assert count(casting, "turned") == 12


# ---- voids and overlaps ---------------------------------------------------------------------


def hollow():
    return joined(box(), turned(box((30, 30, 20), (70, 50, 40))))


HOLLOW_MM3 = BOX_MM3 - 40.0 * 20.0 * 20.0


def test_a_void_stays_a_void(tmp_path):
    casting = read(tmp_path, hollow())
    agree(casting.solid.volume_mm3, HOLLOW_MM3, rel=1e-6, why=EXACT)
    assert count(casting, "turned") == 0


def test_a_hollow_body_inside_out_keeps_its_void(tmp_path):
    casting = read(tmp_path, turned(hollow()))
    agree(casting.solid.volume_mm3, HOLLOW_MM3, rel=1e-6, why=EXACT)


def test_an_island_in_a_void(tmp_path):
    island = box((40, 35, 25), (60, 45, 35))
    for inner in (island, turned(island)):
        casting = read(tmp_path, joined(hollow(), inner))
        agree(casting.solid.volume_mm3, HOLLOW_MM3 + 2000.0, rel=1e-6, why=EXACT)


def test_void_on_its_own_is_listed_first(tmp_path):
    mesh = joined(turned(box((30, 30, 20), (70, 50, 40))), box())
    agree(read(tmp_path, mesh).solid.volume_mm3, HOLLOW_MM3, rel=1e-6, why=EXACT)


def test_a_body_wholly_inside_another_is_metal_and_told(tmp_path):
    casting = read(tmp_path, joined(box(), box((30, 30, 20), (70, 50, 40))))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)
    assert count(casting, "inside another") == 1


@pytest.mark.parametrize("flip", [False, True])
def test_overlapping_bodies_unite(tmp_path, flip):
    second = box((50, 40, 30), (150, 120, 90))
    casting = read(tmp_path, joined(box(), turned(second) if flip else second))
    agree(casting.solid.volume_mm3, 2 * BOX_MM3 - 50 * 40 * 30, rel=1e-6, why=EXACT)
    assert len(casting.bodies) == 1


def test_bodies_that_share_a_face_unite(tmp_path):
    casting = read(tmp_path, joined(box(), box((100, 0, 0), (200, 80, 60))))
    agree(casting.solid.volume_mm3, 2 * BOX_MM3, rel=1e-6, why=EXACT)
    assert len(casting.solid.parts()) == 1


def test_bodies_that_share_an_edge(tmp_path):
    casting = read(tmp_path, joined(box(), box((100, 80, 0), (200, 160, 60))))
    agree(casting.solid.volume_mm3, 2 * BOX_MM3, rel=1e-6, why=EXACT)


def test_bodies_that_share_an_edge_one_inside_out(tmp_path):
    casting = read(tmp_path, joined(box(), turned(box((100, 80, 0), (200, 160, 60)))))
    agree(casting.solid.volume_mm3, 2 * BOX_MM3, rel=1e-6, why=EXACT)


@pytest.mark.parametrize("seed", [None, 0, 1, 2, 3])
@pytest.mark.parametrize(
    "second", [box((100, 80, 0), (200, 160, 60)), box((100, 0, 0), (200, 80, 60)),
               box((100, 0, 0), (200, 40, 30)), box((100, 80, 60), (200, 160, 120))]
)  # fmt: skip
def test_touching_bodies_of_mixed_winding(tmp_path, second, seed):
    mesh = joined(box(), second)
    rows = np.arange(24) >= 12  # the second body inside out
    if seed is not None:
        rows = np.random.default_rng(seed).random(24) < 0.4
    casting = read(tmp_path, turned(mesh, rows))
    agree(casting.solid.volume_mm3, volume(box()) + volume(second), rel=1e-6, why=EXACT)


def test_a_body_inside_another_with_a_face_in_common(tmp_path):
    casting = read(tmp_path, joined(box(), box((0, 0, 0), (100, 80, 90))))
    agree(casting.solid.volume_mm3, 100.0 * 80.0 * 90.0, rel=1e-6, why=EXACT)


# ---- facets ---------------------------------------------------------------------------------


def test_double_facets_are_dropped(tmp_path):
    points, faces = fine_ball()
    mesh = points, np.vstack([faces, faces[:100], faces[50:80]])
    casting = read(tmp_path, mesh)
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=1e-6, why=EXACT)
    assert count(casting, "double facets") == 130


@pytest.mark.parametrize("back", [False, True])
def test_a_whole_mesh_written_twice(tmp_path, back):
    points, faces = fine_ball()
    again = faces[:, ::-1] if back else faces
    casting = read(tmp_path, (points, np.vstack([faces, again])))
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=1e-6, why=EXACT)
    assert count(casting, "double facets") == len(faces)


def test_facets_without_area_are_dropped(tmp_path):
    points, faces = fine_ball()
    bad = np.array([[0, 0, 1], [5, 5, 5], [3, 9, 3]])
    casting = read(tmp_path, (points, np.vstack([faces, bad])))
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=1e-6, why=EXACT)
    assert count(casting, "without area") == 3


def test_seams_a_hair_apart_are_welded(tmp_path):
    ball = fine_ball()
    corners = ball[0][ball[1]].reshape(-1, 3)
    corners = corners + np.random.default_rng(3).uniform(-4e-5, 4e-5, corners.shape)
    mesh = corners, np.arange(len(corners)).reshape(-1, 3)
    agree(read_obj(tmp_path, mesh).solid.volume_mm3, volume(ball), rel=1e-5, why="moved 40 nm")


def test_a_facet_corner_that_is_no_number(tmp_path):
    points, faces = fine_ball()
    data = bytearray(stl_bytes((points, faces)))
    at = 84 + 50 * 700 + 12
    data[at : at + 4] = np.float32(np.nan).tobytes()
    casting = read_casting(job_for(put(tmp_path, "p.stl", bytes(data)), unit="mm"))
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=1e-6, why=EXACT)
    assert count(casting, "no number") == 1
    assert count(casting, "holes closed") == 1


def test_only_corners_that_are_no_numbers(tmp_path):
    points, faces = box()
    path = put(tmp_path, "p.stl", stl_bytes((points * np.nan, faces)))
    with pytest.raises(GeometryError) as caught:
        read_casting(job_for(path, unit="mm"))
    assert caught.value.code == "geometry/empty"


def test_a_two_sided_fin_without_thickness_is_dropped(tmp_path):
    body = box()
    fin = np.array([[100.0, 20, 30], [140, 20, 30], [140, 60, 30], [100, 60, 30]])
    one, other = np.array([[0, 1, 2], [0, 2, 3]]), np.array([[2, 1, 0], [3, 2, 0]])
    casting = read(tmp_path, joined(body, (fin, one), (fin, other)))
    agree(casting.solid.volume_mm3, 480_000.0, rel=1e-6, why=EXACT)
    assert count(casting, "fins without thickness") == 4
    assert casting.solid.size_mm[0] == pytest.approx(100.0)


def test_a_two_sided_fin_that_grows_from_an_edge_is_dropped(tmp_path):
    points, faces = box()
    at = [int(np.flatnonzero((points == corner).all(axis=1))[0])
          for corner in ((100, 0, 60), (100, 80, 60))]  # fmt: skip
    fin = [[*at, len(points)], [*reversed(at), len(points)]]
    mesh = np.vstack([points, [150.0, 40, 90]]), np.vstack([faces, fin])
    casting = read(tmp_path, mesh)
    agree(casting.solid.volume_mm3, 480_000.0, rel=1e-6, why=EXACT)
    assert count(casting, "fins without thickness") == 2


# ---- holes ----------------------------------------------------------------------------------


def test_a_small_flat_hole_is_closed(tmp_path):
    points, faces = fine_ball()
    casting = read(tmp_path, (points, np.delete(faces, [10, 900, 1500], axis=0)))
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=1e-6, why=EXACT)
    assert count(casting, "holes closed") == 3


def plate_with_window(size):
    """A plate of many squares whose top lacks a square window of `size` x `size` squares."""
    mesh = trimesh.creation.box((100, 100, 20)).subdivide().subdivide().subdivide().subdivide()
    middle = mesh.triangles_center
    gone = (middle[:, 2] > 9.9) & (np.abs(middle[:, :2]) < size).all(axis=1)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)[~gone], gone.sum()


def test_a_small_flat_hole_of_many_facets(tmp_path):
    points, faces, gone = plate_with_window(6.3)
    assert gone > 4
    casting = read(tmp_path, (points, faces))
    agree(casting.solid.volume_mm3, 100 * 100 * 20.0, rel=1e-6, why=EXACT)


def test_a_large_hole_is_refused_with_its_place(tmp_path):
    points, faces, _ = plate_with_window(25.1)
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (points + np.array([7.0, 0.0, 0.0]), faces))
    assert caught.value.code == "geometry/open"
    assert "1 open edge loop" in str(caught.value)
    assert "200 mm long" in str(caught.value)
    assert "(7, 0, 10) mm" in str(caught.value).replace("-0,", "0,")


def test_a_hole_round_a_corner_is_refused(tmp_path):
    points, faces = fine_ball()
    near = np.linalg.norm(points[faces].mean(axis=1) - [0, 0, 50], axis=1) < 12
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (points, faces[~near | (np.arange(len(faces)) % 2 == 0) & ~near]))
    assert caught.value.code == "geometry/open"


def test_a_missing_ring_face_is_not_closed_over_the_bore(tmp_path):
    tube = trimesh.creation.annulus(4, 5, 60, sections=48)
    body = trimesh.creation.box(
        (200, 200, 10), transform=trimesh.transformations.translation_matrix((0, 0, -100))
    )
    keep = tube.triangles_center[:, 2] < 29.9
    mesh = joined((tube.vertices, tube.faces[keep]), (body.vertices, body.faces))
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, mesh)
    assert "2 open edge loops" in str(caught.value)


def test_a_corner_on_a_neighbors_edge(tmp_path):
    """The top's two facets meet the side at an extra corner: a seam of no width."""
    points, faces = box()
    top = [row for row in faces if (points[row][:, 2] == 60).all()]
    rest = [row for row in faces if not (points[row][:, 2] == 60).all()]
    lift = len(points)
    points = np.vstack([points, [[50.0, 0.0, 60.0]]])
    new = []
    for row in top:
        for k in range(3):
            a, b, c = np.roll(row, -k)
            if points[a][1] == points[b][1] == 0.0:
                new += [[a, lift, c], [lift, b, c]]
                break
        else:
            new.append(row)
    casting = read(tmp_path, (points, np.array([*rest, *new])))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why=EXACT)


def test_a_stray_sheet_is_refused(tmp_path):
    points, faces = box()
    sheet = np.array([[0, 0, 200.0], [90, 0, 200], [0, 90, 200], [90, 90, 210]])
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, joined((points, faces), (sheet, np.array([[0, 1, 2], [1, 3, 2]]))))
    assert caught.value.code == "geometry/open"


def test_a_one_sided_band_is_refused(tmp_path):
    turn = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    arm = np.stack([np.cos(turn / 2) * np.cos(turn), np.cos(turn / 2) * np.sin(turn),
                    np.sin(turn / 2)], axis=1) * 20  # fmt: skip
    middle = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1) * 60
    points = np.vstack([middle - arm, middle + arm])
    faces = []
    for k in range(40):
        a, b, c, d = k, k + 1, 40 + k, 41 + k
        if k == 39:
            b, d = 40, 0
        faces += [[a, b, c], [b, d, c]]
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (points, np.array(faces)))
    assert caught.value.code == "geometry/open"


@pytest.mark.parametrize("thickness", [0.0, 1e-9])
def test_a_plate_without_thickness_is_refused(tmp_path, thickness):
    with pytest.raises(GeometryError) as caught:
        read_obj(tmp_path, flat(thickness))
    assert caught.value.code in ("geometry/open", "geometry/empty")


def flat(thickness):
    points, faces = box((0, 0, 0), (100, 80, 1.0))
    return points * [1.0, 1.0, thickness], faces


# ---- strange meshes -------------------------------------------------------------------------


def strange(name):
    rng = np.random.default_rng(11)
    if name == "noisy":
        mesh = trimesh.creation.icosphere(5, 60)
        mesh.vertices += rng.normal(0, 0.05, mesh.vertices.shape)
    elif name == "capsule":
        mesh = trimesh.creation.capsule(80, 25)
    elif name == "torus":
        mesh = trimesh.creation.torus(80, 22)
    elif name == "lathe":
        outline = np.array([[0, 0], [60, 0], [60, 12], [20, 20], [18, 70], [0, 70]])
        mesh = trimesh.creation.revolve(outline, sections=90)
    elif name == "needle":
        mesh = trimesh.creation.cylinder(30, 100, sections=3000)
    elif name == "subdivided":
        mesh = trimesh.creation.box((90, 60, 30)).subdivide_loop(3)
    return mesh.vertices, mesh.faces


@pytest.mark.parametrize("name", ["noisy", "capsule", "torus", "lathe", "needle", "subdivided"])
def test_strange_meshes_keep_their_volume_however_they_are_wound(tmp_path, name):
    mesh = np.asarray(strange(name)[0]), np.asarray(strange(name)[1])
    rows = np.random.default_rng(5).random(len(mesh[1])) < 0.4
    casting = read(tmp_path, turned(mesh, rows))
    agree(casting.solid.volume_mm3, abs(volume(mesh)), rel=1e-5, why=EXACT)


# ---- a surface that passes through itself ----------------------------------------------------


def swept(path, radius, sides=24):
    """Return a closed tube along a closed path of points; it may cross itself."""
    along = np.roll(path, -1, axis=0) - np.roll(path, 1, axis=0)
    along /= np.linalg.norm(along, axis=1)[:, None]
    beside = np.cross(along, [0.0, 0.0, 1.0])
    beside /= np.linalg.norm(beside, axis=1)[:, None]
    above = np.cross(beside, along)
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = (
        np.cos(turn)[None, :, None] * beside[:, None] + np.sin(turn)[None, :, None] * above[:, None]
    )
    points = (path[:, None] + radius * ring).reshape(-1, 3)
    n = len(path)
    i, j = (k.ravel() for k in np.meshgrid(np.arange(n), np.arange(sides), indexing="ij"))
    after, up = (i + 1) % n, (j + 1) % sides
    a, b, c, d = (p * sides + q for p, q in ((i, j), (i, up), (after, j), (after, up)))
    return points, np.vstack([np.stack([a, c, b], 1), np.stack([b, c, d], 1)])


def figure_eight(steps=200):
    t = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    return np.stack([60 * np.sin(t), 40 * np.sin(2 * t), 0 * t], axis=1)


def straight_arms(path, radius):
    """Return the same tube cut into overlapping closed lengths, united by the kernel."""
    from moldprep.geometry.solid import Solid

    whole = Solid.from_mesh(*swept(path, radius))
    left, right = (
        whole.split_at((1.0, 0.0, 0.0), 25.0)[0],
        whole.split_at((-1.0, 0.0, 0.0), 25.0)[0],
    )
    middle = whole.split_at((1.0, 0.0, 0.0), 25.0)[1].split_at((-1.0, 0.0, 0.0), 25.0)[1]
    return Solid.union([left, right, *middle.parts()]).volume_mm3


def test_a_tube_that_crosses_itself_is_united(tmp_path):
    mesh = swept(figure_eight(), 9.0)
    casting = read(tmp_path, mesh)
    want = straight_arms(figure_eight(), 9.0)
    assert want < 0.995 * volume(mesh)
    agree(casting.solid.volume_mm3, want, rel=1e-5, why="the same kernel, cut elsewhere")
    assert casting.solid.genus == 2
    assert count(casting, "passed through itself") == 1


def helix_through_itself():
    """A ring that goes round twice at one place: nowhere are its two turns bodies apart."""
    t = np.linspace(0, 4 * np.pi, 240, endpoint=False)
    return np.stack([60 * np.cos(t), 60 * np.sin(t), 3 * np.sin(t / 2)], axis=1)


def test_overlaps_that_cannot_be_told_apart_are_refused_with_their_place(tmp_path):
    mesh = swept(helix_through_itself(), 10.0)
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, mesh)
    assert caught.value.code == "geometry/self-crossing"
    assert "around (" in str(caught.value)


def test_overlaps_that_cannot_be_told_apart_can_be_rebuilt(tmp_path):
    casting = read(tmp_path, swept(helix_through_itself(), 10.0), repair="rebuild")
    ring = 2 * np.pi**2 * 60.0 * 10.0**2
    assert ring < casting.solid.volume_mm3 < 1.4 * ring  # a little more than one turn of tube
    assert 0.0 < casting.deviation_mm < 11.0  # what lay inside the overlap is gone


# ---- rebuild --------------------------------------------------------------------------------


def test_rebuild_remakes_an_open_model_and_states_its_deviation(tmp_path):
    points, faces, _ = plate_with_window(25.1)
    casting = read(tmp_path, (points, faces), repair="rebuild", rebuild_pitch_mm=1.0)
    agree(casting.solid.volume_mm3, 100 * 100 * 20.0, rel=0.01, why="edges cut by half a cell")
    assert 0.1 < casting.deviation_mm < 30.0  # the window's middle is 25 mm from any facet
    assert count(casting, "rebuilt") == 1


def test_rebuild_of_a_ball_with_a_bite(tmp_path):
    points, faces = fine_ball()
    near = np.linalg.norm(points[faces].mean(axis=1) - [0, 0, 50], axis=1) < 8
    casting = read(tmp_path, (points, faces[~near]), repair="rebuild")
    agree(casting.solid.volume_mm3, volume((points, faces)), rel=0.01, why="100 / 160 mm cells")
    assert len(casting.solid.parts()) == 1


def test_rebuild_leaves_a_closed_model_alone(tmp_path):
    casting = read(tmp_path, fine_ball(), repair="rebuild")
    assert casting.deviation_mm == 0.0
    assert count(casting, "rebuilt") == 0


def test_rebuild_that_would_be_too_large(tmp_path):
    points, faces, _ = plate_with_window(25.1)
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (points, faces), repair="rebuild", rebuild_pitch_mm=0.01)
    assert caught.value.code == "geometry/rebuild-failed"


def test_rebuild_of_a_sheet_encloses_nothing(tmp_path):
    sheet = np.array([[0, 0, 0.0], [90, 0, 0], [0, 90, 0], [90, 90, 0]])
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (sheet, np.array([[0, 1, 2], [1, 3, 2]])), repair="rebuild")
    assert caught.value.code == "geometry/rebuild-failed"


def test_rebuild_of_sheets_with_a_crumb_between_them_is_refused(tmp_path):
    """A large bent sheet and a small open box: the box alone would be a casting of nothing."""
    points, faces = Solid.box((40.0, 40.0, 1.0), (46.0, 46.0, 7.0)).mesh()
    sheet = np.array([[0, 0, 0], [100, 0, 0], [0, 100, 0], [100, 100, 0], [0, 0, 60], [0, 100, 60]])
    more = np.array([[0, 1, 2], [1, 3, 2], [0, 2, 4], [2, 5, 4]]) + len(points)
    with pytest.raises(GeometryError) as caught:
        read(tmp_path, (np.vstack([points, sheet]), np.vstack([faces, more])), repair="rebuild")
    assert caught.value.code == "geometry/rebuild-failed"
    assert "next to nothing" in str(caught.value)
