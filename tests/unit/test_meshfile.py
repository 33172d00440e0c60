"""Reading model files: every format, its unit, its size, and files that are not what they say."""

import json

import numpy as np
import pytest
import trimesh

from moldprep.errors import FileError, GeometryError, JobError
from moldprep.geometry.meshfile import read_casting
from moldprep.geometry.readers import quiet
from moldprep.geometry.solid import Solid
from tests.helpers import agree
from tests.nastymesh import (
    ascii_stl,
    box,
    fine_ball,
    job_for,
    joined,
    obj_text,
    put,
    stl_bytes,
    write_3mf,
)

BOX_MM3 = 100.0 * 80.0 * 60.0

STEP_BOX = """ISO-10303-21;
HEADER;FILE_DESCRIPTION((''),'2;1');FILE_NAME('','',(''),(''),'','','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));ENDSEC;
DATA;
#1=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));
ENDSEC;
END-ISO-10303-21;
"""


def refused(job, code, error=GeometryError):
    with pytest.raises(error) as caught:
        read_casting(job)
    assert caught.value.code == code
    assert caught.value.fix
    return str(caught.value)


# ---- formats --------------------------------------------------------------------------------


def as_trimesh(mesh):
    return trimesh.Trimesh(*mesh, process=False)


def write_model(folder, kind):
    mesh = box()
    if kind == "stl":
        return put(folder, "part.stl", stl_bytes(mesh))
    if kind == "ascii":
        return put(folder, "part.stl", ascii_stl(mesh))
    if kind == "obj":
        return put(folder, "part.obj", obj_text(mesh))
    if kind == "3mf":
        return write_3mf(folder / "part.3mf", [("part", mesh)])
    if kind in ("glb", "gltf"):
        mesh = (mesh[0] / 1000.0, mesh[1])
    exported = as_trimesh(mesh).export(file_type=kind.removeprefix("ascii-"), **(
        {"encoding": "ascii"} if kind == "ascii-ply" else {}))  # fmt: skip
    if kind == "gltf":
        for name, content in exported.items():
            put(folder, name, content)
        return folder / "model.gltf"
    return put(folder, f"part.{kind.removeprefix('ascii-')}", exported)


@pytest.mark.parametrize(
    ("kind", "stated", "unit"),
    [
        ("stl", "mm", "mm"),
        ("ascii", "mm", "mm"),
        ("obj", "mm", "mm"),
        ("ply", "mm", "mm"),
        ("ascii-ply", "mm", "mm"),
        ("3mf", None, "mm"),
        ("glb", None, "m"),
        ("gltf", None, "m"),
    ],
)
def test_every_format_gives_the_same_box(tmp_path, kind, stated, unit):
    path = write_model(tmp_path, kind)
    casting = read_casting(job_for(path, **({"unit": stated} if stated else {})))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why="float32 in the file")
    agree(casting.solid.size_mm, [100.0, 80.0, 60.0], rel=1e-6, why="float32 in the file")
    assert casting.unit == unit
    assert len(casting.sha256) == 64
    assert casting.deviation_mm == 0.0


def test_ascii_with_a_byte_order_mark_and_odd_spacing(tmp_path):
    text = ascii_stl(box(), "\r\n").replace("vertex", " \tVERTEX \t").replace("facet n", "FACET  n")
    path = put(tmp_path, "p.stl", ("\ufeff" + text).encode("utf-8"))
    assert read_casting(job_for(path, unit="mm")).solid.volume_mm3 == pytest.approx(480_000.0)


def test_ascii_with_carriage_returns_and_several_solids(tmp_path):
    other = box((200, 0, 0), (230, 30, 30))
    text = ascii_stl(box(), "\r\n", "one") + ascii_stl(other, "\r\n", "two words")
    casting = read_casting(job_for(put(tmp_path, "part.stl", text), unit="mm"))
    agree(casting.solid.volume_mm3, BOX_MM3 + 27000.0, rel=1e-6, why="exact numbers")


def test_binary_that_begins_with_solid_is_binary(tmp_path):
    data = b"solid part".ljust(80) + stl_bytes(box())[80:]
    casting = read_casting(job_for(put(tmp_path, "part.stl", data), unit="mm"))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why="float32 in the file")


def test_a_large_file_is_quick_and_whole(tmp_path):
    mesh = fine_ball(200.0, 512)
    casting = read_casting(job_for(put(tmp_path, "ball.stl", stl_bytes(mesh)), unit="mm"))
    assert casting.solid.n_triangles == len(mesh[1])


def test_same_file_same_casting(tmp_path):
    path = put(tmp_path, "ball.stl", stl_bytes(fine_ball()))
    one, two = (read_casting(job_for(path, unit="mm")) for _ in range(2))
    for a, b in zip(one.solid.mesh(), two.solid.mesh(), strict=True):
        np.testing.assert_array_equal(a, b)
    assert (one.sha256, one.repairs) == (two.sha256, two.repairs)


# ---- unit and size --------------------------------------------------------------------------


def test_inches(tmp_path):
    points, faces = box()
    path = put(tmp_path, "part.stl", stl_bytes((points / 25.4, faces)))
    casting = read_casting(job_for(path, unit="in"))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why="1 in = 25.4 mm exactly; float32")
    assert casting.unit == "in"


@pytest.mark.parametrize(
    ("word", "unit", "factor"),
    [("inch", "in", 25.4), ("centimeter", "cm", 10.0), ("foot", "ft", 304.8), ("meter", "m", 1e3)],
)
def test_3mf_states_its_unit(tmp_path, word, unit, factor):
    points, faces = box()
    path = write_3mf(
        tmp_path / "part.3mf", [("part", (points / factor, faces))], unit=f'unit="{word}"'
    )
    casting = read_casting(job_for(path))
    agree(casting.solid.size_mm, [100.0, 80.0, 60.0], rel=1e-6, why="float32 in the reader")
    assert casting.unit == unit


def test_3mf_without_a_unit_is_in_mm(tmp_path):
    """3MF Core Specification: the unit defaults to millimeter (from memory)."""
    casting = read_casting(job_for(write_3mf(tmp_path / "p.3mf", [("p", box())], unit="")))
    assert casting.unit == "mm"


@pytest.mark.parametrize("suffix", ["stl", "obj", "ply"])
def test_unit_must_be_stated(tmp_path, suffix):
    path = write_model(tmp_path, suffix)
    text = refused(job_for(path), "geometry/unit-missing")
    assert "casting.unit" in text


def test_3mf_of_an_unknown_unit_is_refused(tmp_path):
    path = write_3mf(tmp_path / "part.3mf", [("part", box())], unit='unit="furlong"')
    refused(job_for(path), "geometry/unit-unknown")


def test_a_unit_against_the_files_own_is_refused(tmp_path):
    path = write_3mf(tmp_path / "part.3mf", [("part", box())], unit='unit="millimeter"')
    text = refused(job_for(path, unit="in"), "geometry/unit-conflict")
    assert "mm" in text


def test_glb_whose_numbers_are_mm_may_be_told_so(tmp_path):
    path = put(tmp_path, "part.glb", as_trimesh(box()).export(file_type="glb"))
    text = refused(job_for(path), "geometry/size-implausible")
    assert "likely unit is mm" in text
    casting = read_casting(job_for(path, unit="mm"))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-6, why="float32 in the file")


@pytest.mark.parametrize(
    ("scale", "said", "likely"),
    [(1 / 25.4, "mm", "in"), (1 / 1000.0, "mm", "m"), (1.0, "m", "mm"), (1.0, "ft", "mm")],
)
def test_a_senseless_size_names_the_likely_unit(tmp_path, scale, said, likely):
    points, faces = box()
    path = put(tmp_path, "part.stl", stl_bytes((points * scale, faces)))
    text = refused(job_for(path, unit=said), "geometry/size-implausible")
    assert f"{likely} (" in text


# ---- files that are not what they say -------------------------------------------------------


def test_missing_file(tmp_path):
    text = refused(job_for(tmp_path / "none.stl", unit="mm"), "file/not-found", FileError)
    assert "none.stl" in text


def test_unknown_suffix(tmp_path):
    path = put(tmp_path, "part.dwg", "x")
    text = refused(job_for(path, unit="mm"), "job/bad-value", JobError)
    assert ".step" in text


@pytest.mark.parametrize("cut", [0, 1, 60, 84, 300])
def test_truncated_binary_stl(tmp_path, cut):
    path = put(tmp_path, "part.stl", stl_bytes(box())[:cut])
    refused(job_for(path, unit="mm"), "file/truncated", FileError)


@pytest.mark.parametrize("count", [0, 11, 13, 2**31])
def test_wrong_facet_count(tmp_path, count):
    path = put(tmp_path, "part.stl", stl_bytes(box(), count=count))
    text = refused(job_for(path, unit="mm"), "file/truncated", FileError)
    assert f"announces {count} facets and holds 12" in text


def test_truncated_ascii_stl(tmp_path):
    path = put(tmp_path, "part.stl", ascii_stl(box())[:1500])
    refused(job_for(path, unit="mm"), "file/truncated", FileError)


def test_ascii_stl_with_a_number_that_is_none(tmp_path):
    text = ascii_stl(box()).replace("vertex 1.000000000e+02", "vertex 1,0", 1)
    refused(job_for(put(tmp_path, "p.stl", text), unit="mm"), "file/truncated", FileError)


def test_no_facets(tmp_path):
    path = put(tmp_path, "part.stl", "solid nothing\nendsolid nothing\n")
    refused(job_for(path, unit="mm"), "geometry/empty")
    path = put(tmp_path, "zero.stl", stl_bytes((np.zeros((0, 3)), np.zeros((0, 3), int))))
    refused(job_for(path, unit="mm"), "geometry/empty")


@pytest.mark.parametrize("suffix", ["obj", "ply", "3mf", "glb", "gltf", "step", "stp"])
@pytest.mark.parametrize("content", [b"", b"hello garbage\n", bytes(range(256)) * 8])
def test_garbage_is_a_clear_error_and_says_nothing_on_stdout(tmp_path, capfd, suffix, content):
    path = put(tmp_path, f"part.{suffix}", content)
    with pytest.raises((FileError, GeometryError)) as caught:
        read_casting(job_for(path, **({"unit": "mm"} if suffix in ("obj", "ply") else {})))
    assert caught.value.code in ("file/unreadable", "file/truncated", "geometry/empty")
    assert "\x1b" not in str(caught.value)
    assert capfd.readouterr().out == ""


def test_step_without_a_shape(tmp_path, capfd):
    path = put(tmp_path, "part.step", STEP_BOX)
    with pytest.raises((FileError, GeometryError)):
        read_casting(job_for(path))
    assert capfd.readouterr().out == ""


def test_truncated_step(tmp_path, capfd, request):
    whole = (request.config.rootpath / "samples/pedestal/pedestal.step").read_bytes()
    path = put(tmp_path, "part.step", whole[:200_000])
    text = refused(job_for(path), "file/unreadable", FileError)
    assert capfd.readouterr().out == ""
    assert "unexpected end of file" in text


def test_truncated_ply_and_glb(tmp_path):
    for kind, cut in (("ply", 60), ("ascii-ply", 60), ("glb", 200)):
        path = write_model(tmp_path, kind)
        path.write_bytes(path.read_bytes()[:-cut])
        with pytest.raises(FileError):
            read_casting(job_for(path, **({"unit": "mm"} if kind != "glb" else {})))


def test_gltf_without_its_buffer(tmp_path):
    path = write_model(tmp_path, "gltf")
    uri = json.loads(path.read_text())["buffers"][0]["uri"]
    (tmp_path / uri).unlink()
    refused(job_for(path), "file/unreadable", FileError)


@pytest.mark.parametrize(
    "spoiled",
    ["v 0 0\n", "v a b c\n", "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "v 0 0 0\nf 1 1\n",
     "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n"],
)  # fmt: skip
def test_obj_lines_that_cannot_be_read_are_named(tmp_path, spoiled):
    text = refused(
        job_for(put(tmp_path, "p.obj", spoiled), unit="mm"), "file/unreadable", FileError
    )
    assert "line " in text


def test_obj_polygons_backward_counts_and_long_lines(tmp_path):
    quads = ["f 1/1/1 4//2 3 2", "f 5 6 7 8", "f 1 2 6 5", "f 2 3 7 6", "f -6 -5 \\", " -1 -2",
             "f 4 1 5 8"]  # fmt: skip
    points = [(x, y, z) for z in (0, 60) for x, y in ((0, 0), (100, 0), (100, 80), (0, 80))]
    text = "\n".join([f"v {x} {y} {z}" for x, y, z in points] + quads)
    casting = read_casting(job_for(put(tmp_path, "part.obj", text + "\n"), unit="mm"))
    agree(casting.solid.volume_mm3, BOX_MM3, rel=1e-9, why="exact numbers")


def test_quiet_takes_what_a_c_library_writes(capfd):
    import os

    with quiet() as said:
        os.write(1, b"\x1b[31;1m**** ERR a thing ****\n\x1b[0m")
        os.write(2, b"and another\n")
    assert said == ["ERR a thing", "and another"]
    assert capfd.readouterr() == ("", "")


def test_two_objects_far_from_the_origin(tmp_path):
    mesh = joined(box((5000, 0, 0), (5100, 80, 60)), box((5200, 0, 0), (5300, 80, 60)))
    casting = read_casting(job_for(put(tmp_path, "p.stl", stl_bytes(mesh)), unit="mm"))
    agree(casting.solid.volume_mm3, 2 * BOX_MM3, rel=1e-4, why="float32 at 5 m: 0.5 µm in 60 mm")


def test_a_model_the_kernel_takes_in_wrongly_is_taken_in_again(tmp_path, monkeypatch):
    """What the facets enclose is what is cast, whatever the kernel does with needles."""
    real, taken = Solid.from_mesh, []

    def spoiled(points, faces, sources=None):
        taken.append(points)
        return real(points * (1.0 if len(taken) > 1 else 0.9), faces, sources)

    monkeypatch.setattr(Solid, "from_mesh", spoiled)
    job = job_for(put(tmp_path, "box.stl", stl_bytes(box())), unit="mm")
    agree(read_casting(job).solid.volume_mm3, BOX_MM3, rel=1e-6, why="points off by a nanometre")
