"""A good package is proved; every way of spoiling one is found."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from moldprep.errors import FileError
from moldprep.export.formats import formats
from moldprep.export.package import MANIFEST, file_hashes, write_package
from moldprep.export.printable import Printable, printable
from moldprep.geometry.solid import Solid
from moldprep.records import Handling, Mold, Piece
from moldprep.verify import shared_mm3, solid_of, verify_package
from tests.handmade import handmade, handmade_review


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    folder = tmp_path_factory.mktemp("job")
    results = handmade(folder, output={"pictures": False})
    return write_package(results, handmade_review(), folder / "plate-mold").folder


@pytest.fixture
def package(good, tmp_path):
    return shutil.copytree(good, tmp_path / "plate-mold")


def failures(folder):
    return [proof.what for proof in verify_package(folder) if not proof.is_proved]


def seal_again(folder):
    """Give the manifest the hashes of what is there: only the geometry can tell now."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    manifest["files"] = file_hashes(folder)
    (folder / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")


def read(folder, file):
    (body,) = formats()["stl"].read(folder / file)
    return Solid.from_mesh(body.points.astype(np.float64), body.faces)


def write(folder, file, solid):
    formats()["stl"].write([printable("x", "x", solid)], folder / file, "x")


def test_a_good_package_is_proved(package):
    proofs = verify_package(package)
    assert [proof for proof in proofs if not proof.is_proved] == []
    said = " ".join(proof.what for proof in proofs)
    for part in ("drag", "cope", "metal", "block", "mold.3mf", "overlap", "clearances", "same job"):
        assert part in said


def test_a_folder_that_is_no_package(tmp_path):
    with pytest.raises(FileError) as caught:
        verify_package(tmp_path)
    assert (caught.value.code, caught.value.exit_code) == ("file/not-a-package", 5)


@pytest.mark.parametrize(
    "file", ["metal.stl", "mold.3mf", "pieces/cope.stl", "report.html", "result.json"]
)
def test_a_changed_file_is_found(package, file):
    data = bytearray((package / file).read_bytes())
    data[len(data) // 2] ^= 1
    (package / file).write_bytes(data)
    assert "no file was changed" in failures(package)


def test_changed_timings_do_not_count(package):
    table = json.loads((package / "result.json").read_text(encoding="utf-8"))
    table["timings"]["casting"] = 77.0
    (package / "result.json").write_text(json.dumps(table), encoding="utf-8")
    assert failures(package) == []


def test_a_missing_and_an_added_file_are_found(package):
    (package / "pieces" / "cope.stl").unlink()
    (package / "note.txt").write_text("hello")
    found = failures(package)
    assert {"no file is missing", "no file was added", "pieces/cope.stl can be read"} <= set(found)
    assert "volumes balance" in found


def test_an_open_piece_is_found(package):
    (body,) = formats()["stl"].read(package / "pieces/drag.stl")
    holed = Printable(name="drag", role="drag", points=body.points, faces=body.faces[1:])
    formats()["stl"].write([holed], package / "pieces/drag.stl", "x")
    seal_again(package)
    assert "pieces/drag.stl: drag is closed, volume as stated" in failures(package)


def test_a_swollen_piece_is_found_by_volume_overlap_and_balance(package):
    write(package, "pieces/cope.stl", read(package, "pieces/cope.stl").scaled((1.001, 1, 1)))
    seal_again(package)
    assert failures(package) == [
        "pieces/cope.stl: cope is closed, volume as stated",
        "no two bodies overlap",
        "nothing sticks out of the block",
        "block = metal + inserts + pieces + clearances",
    ]


def test_a_moved_piece_of_right_volume_is_found(package):
    moved = read(package, "pieces/cope.stl").moved((0, 0, -0.2))
    write(package, "pieces/cope.stl", moved)
    seal_again(package)
    assert failures(package) == ["no two bodies overlap"]


def test_a_piece_that_left_the_block_is_found(package):
    moved = read(package, "pieces/cope.stl").moved((0, 0, 1.0))
    write(package, "pieces/cope.stl", moved)
    seal_again(package)
    assert "nothing sticks out of the block" in failures(package)


def test_sand_that_went_missing_is_found(package):
    cope = read(package, "pieces/cope.stl") - Solid.box((120, 80, 80), (140, 100, 100))
    write(package, "pieces/cope.stl", cope)
    table = json.loads((package / "result.json").read_text(encoding="utf-8"))
    for piece in table["mold"]["pieces"]:
        if piece["name"] == "cope":
            piece["volume_mm3"] = cope.volume_mm3
    (package / "result.json").write_text(json.dumps(table), encoding="utf-8")
    seal_again(package)
    assert failures(package) == [
        "mold.3mf: cope is closed, volume as stated",
        "block = metal + inserts + pieces + clearances",
    ]


def test_a_piece_missing_from_the_3mf_is_found(package):
    drag = printable("drag", "drag", read(package, "pieces/drag.stl"))
    formats()["3mf"].write([drag], package / "mold.3mf", "plate")
    seal_again(package)
    assert failures(package) == ["mold.3mf holds every piece by name"]


def test_another_job_is_found(package):
    path = package / "job.resolved.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"carbon-steel"', '"al-si12"'), encoding="utf-8")
    seal_again(package)
    assert failures(package) == ["job.resolved.toml gives the same job"]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "moldprep-result-1"}'])
def test_a_broken_result_is_found(package, text):
    (package / "result.json").write_text(text, encoding="utf-8")
    seal_again(package)
    assert failures(package) == ["result.json follows its schema"]


def test_cores_alone_are_proved_without_the_metal_around_them(tmp_path):
    """The metal is in another's mold; the rooms of the prints are what its pattern carries."""
    results = handmade(tmp_path, output={"pictures": False}, cores={"process": "only"})
    core, room = Solid.box((0, 0, 0), (60, 20, 20)), Solid.box((50, -1, -1), (61, 21, 21))
    mold = Mold(
        block=core + room,
        metal=Solid.empty(),
        pieces=(Piece(name="core-1", role="core", solid=core),),
        clearances=(("core-1 print gaps", room - core),),
        inserts_mm3=0.0,
        z_mm=0.0,
        prints=(("core-1 print 1", room),),
    )
    facts = results.need(Handling)
    told = replace(facts, pieces=(replace(facts.pieces[0], name="core-1", role="core"),))
    made = results.plus(mold).plus(told)
    folder = write_package(made, handmade_review(), tmp_path / "core-mold").folder
    assert failures(folder) == []
    (file,) = (folder / "prints").glob("*.stl")
    file.write_bytes(file.read_bytes()[:-50])
    assert any(str(file.name) in what for what in failures(folder))


def test_a_body_the_kernel_takes_in_wrongly_is_taken_in_again(monkeypatch):
    """Needle facets once made it lose 300 mm³ of a cope whose file was right."""
    box = Solid.box((0, 0, 0), (10, 10, 10))
    body = printable("box", "drag", box)
    real, taken = Solid.from_mesh, []

    def spoiled(points, faces, sources):
        taken.append(points)
        return real(points * (1.0 if len(taken) > 1 else 0.9), faces, sources)

    monkeypatch.setattr(Solid, "from_mesh", spoiled)
    assert solid_of(body, 1e-3).volume_mm3 == pytest.approx(1000.0, abs=1e-3)
    assert len(taken) == 2
    assert 0.0 < np.abs(taken[1] - taken[0]).max() < 2e-6


def test_what_two_bodies_share_is_the_least_of_a_few_cuts(monkeypatch):
    """A kernel that sees 500 mm³ too much at first is asked again; a real overlap stays."""
    box, beside = Solid.box((0, 0, 0), (10, 10, 10)), Solid.box((10, 0, 0), (20, 10, 10))
    over = Solid.box((9, 0, 0), (19, 10, 10))
    real, cuts = Solid.__and__, []

    def spoiled(a, b):
        cuts.append(real(a, b))
        return cuts[-1] if len(cuts) > 1 else real(a, Solid.box((0, 0, 0), (10, 10, 5)))

    monkeypatch.setattr(Solid, "__and__", spoiled)
    assert shared_mm3(box, beside, 1e-3) < 1e-3
    assert len(cuts) == 2
    assert shared_mm3(box, over, 1e-3) == pytest.approx(100.0, rel=1e-5)
