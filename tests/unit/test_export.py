"""The package on disk: formats that read back, one shape of result.json, the same bytes twice."""

import json
import shutil
import tomllib
from dataclasses import replace

import jsonschema
import lib3mf
import numpy as np
import pytest
import trimesh

from moldprep.catalog import shipped_configs
from moldprep.errors import FileError, GeometryError
from moldprep.export import package as package_module
from moldprep.export.formats import formats
from moldprep.export.formats.threemf import write_layers
from moldprep.export.package import check_target, default_folder, write_package
from moldprep.export.printable import is_closed, printable, rounded
from moldprep.export.result import SCHEMA_FILE, dumps, result_json, result_schema
from moldprep.export.sheet import pouring_sheet
from moldprep.geometry.solid import Solid
from moldprep.inputs import companions, fingerprint, packed
from moldprep.jobfile import load_job
from moldprep.jobtemplate import job_toml
from moldprep.printing.layers import slice_box
from moldprep.records import (
    AssemblyStep,
    BoxPlan,
    ChillPlan,
    FilterPlan,
    Handling,
    InsertFacts,
    Job,
    Mold,
    Parting,
    Printer,
    RiggingPlan,
)  # fmt: skip
from moldprep.results import Timings
from tests.handmade import handmade, handmade_job, handmade_review, write_stl
from tests.helpers import agree

BODIES = (
    ("cope", "cope", Solid.box((0, 0, 0), (100.1, 60.2, 30.3)) - Solid.sphere(20.0, 48)),
    ("core-1", "core", Solid.cone(12.0, 9.0, 80.0).moved((300.7, -12.3, 5.1))),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """One package without pictures: (results, package)."""
    folder = tmp_path_factory.mktemp("job")
    results = handmade(folder, output={"pictures": False})
    return results, write_package(results, handmade_review(), folder / "plate-mold")


@pytest.mark.parametrize("name", sorted(formats()))
def test_every_format_reads_back_what_was_written(name, tmp_path):
    form = formats()[name]
    bodies = [printable(*body) for body in BODIES]
    for group in [bodies] if form.HOLDS_MANY else [[body] for body in bodies]:
        path = tmp_path / f"{group[0].name}{form.SUFFIX}"
        form.write(group, path, "job")
        read = {body.name: body for body in form.read(path)}
        assert sorted(read) == sorted(body.name for body in group)
        for name_, _, solid in BODIES:
            if name_ in read:
                again = read[name_]
                assert is_closed(again.faces)
                back = Solid.from_mesh(again.points.astype(np.float64), again.faces)
                agree(back.volume_mm3, solid.volume_mm3, rel=1e-6, why="float32 points")
                np.testing.assert_allclose(back.bounds, solid.bounds, atol=1e-4)


@pytest.mark.parametrize("name", sorted(formats()))
def test_every_format_writes_the_same_bytes_twice(name, tmp_path):
    form = formats()[name]
    bodies = [printable(*body) for body in BODIES[: 2 if form.HOLDS_MANY else 1]]
    for file in ("a", "b"):
        form.write(bodies, tmp_path / file, "job")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@pytest.mark.parametrize("name", sorted(formats()))
@pytest.mark.parametrize("content", [b"", b"no such thing", b"PK\x03\x04 broken"])
def test_every_format_refuses_a_broken_file(name, content, tmp_path):
    form = formats()[name]
    path = tmp_path / f"broken{form.SUFFIX}"
    path.write_bytes(content)
    with pytest.raises(FileError) as caught:
        form.read(path)
    assert caught.value.code == "file/unreadable"


def test_3mf_says_unit_names_and_roles(tmp_path):
    """Read with the consortium's own reader in strict mode."""
    path = tmp_path / "mold.3mf"
    formats()["3mf"].write([printable(*body) for body in BODIES], path, "hub")
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    assert model.GetMetaDataGroup().GetMetaDataByKey("", "Title").GetValue() == "hub"
    items = model.GetMeshObjects()
    found = {}
    while items.MoveNext():
        one = items.GetCurrentMeshObject()
        role = one.GetMetaDataGroup().GetMetaDataByKey("urn:moldprep", "role").GetValue()
        found[one.GetName()] = role
        assert one.IsManifoldAndOriented()
    assert found == {"cope": "cope", "core-1": "core"}


def test_layers_are_slices_a_3mf_reader_understands(made, tmp_path):
    results, _ = made
    plan, mold, printer = (results.need(kind) for kind in (BoxPlan, Mold, Printer))
    printer = printer.model_copy(update={"layer_mm": 10.0})
    write_layers(slice_box(plan, mold, printer, 1), tmp_path / "box-1.3mf", "plate box 1")
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(tmp_path / "box-1.3mf"))
    assert reader.GetWarningCount() == 0
    stacks = model.GetSliceStacks()
    counts = []
    while stacks.MoveNext():
        counts.append(stacks.GetCurrentSliceStack().GetSliceCount())
    assert sorted(counts) == [7, 12]  # drag 70 mm, cope 119.7 mm high


def test_a_printable_body_survives_float32():
    """Points a nanometer apart become one, and the surface stays closed."""
    thin = Solid.box((500.0, 0, 0), (600.0, 50, 20)) + Solid.box(
        (599, 10, 0), (600.0000001, 20, 20)
    )
    body = printable("thin", "core", thin)
    assert is_closed(body.faces)
    assert len(np.unique(body.points, axis=0)) == len(body.points)
    back = Solid.from_mesh(body.points.astype(np.float64), body.faces)
    agree(back.volume_mm3, thin.volume_mm3, rel=1e-6, why="float32 points at 600 mm")


def test_points_near_zero_are_told_apart_as_far_as_readers_do():
    """Float32 keeps 1e-9 mm apart at the origin; a reader that welds points makes one of them."""
    notch = Solid.hull_of(
        np.array([[0.0, 5, 20], [1e-9, 5, 20.1], [-1, 4, 21], [1, 4, 21], [0, 6, 21], [1, 6, 20.5]])
    )
    piece = Solid.box((-20, -20, -20), (20, 20, 20.5)) - notch
    body = printable("piece", "drag", piece)
    near = np.linalg.norm(body.points[:, None].astype(float) - body.points[None], axis=2)
    assert near[np.triu_indices(len(near), 1)].min() > 5e-6
    again = trimesh.Trimesh(body.points, body.faces, process=True)
    assert again.is_volume
    assert again.body_count == 1


def test_flakes_without_volume_are_no_bodies():
    """What two walls leave that meet in one line: a facet and its back."""
    box = Solid.box((0, 0, 0), (10, 10, 10))
    flake = Solid.hull_of(np.array([[20.0, 0, 0], [21, 0, 0], [20, 1, 0], [20, 0, 1e-6]]))
    body = printable("piece", "drag", box + flake)
    assert len(body.faces) == box.n_triangles
    assert is_closed(body.faces)


def test_bodies_that_touch_along_an_edge_stay_closed(tmp_path):
    """Merged by position, the shared edge would carry four facets."""
    touching = Solid.box((0, 0, 0), (10, 10, 10)) + Solid.box((10, 10, 0), (20, 20, 10))
    assert not is_closed(rounded(touching)[1])
    body = printable("pair", "core", touching)
    assert is_closed(body.faces)
    for name, form in formats().items():
        path = tmp_path / f"pair{form.SUFFIX}"
        form.write([body], path, "job")
        (again,) = form.read(path)
        assert is_closed(again.faces), name
        back = Solid.from_mesh(again.points.astype(np.float64), again.faces)
        agree(back.volume_mm3, 2000.0, rel=1e-5, why="points put 0.00001 mm apart")


def test_a_body_no_file_can_hold_is_refused():
    dust = Solid.box((1e6, 0, 0), (1e6 + 1e-3, 1e-3, 1e-3))
    with pytest.raises(GeometryError) as caught:
        printable("dust", "core", dust)
    assert caught.value.code == "geometry/not-printable"


def test_rounded_drops_facets_without_area():
    points, faces = rounded(Solid.box((0, 0, 0), (1, 1, 1)))
    assert (len(points), len(faces)) == (8, 12)
    assert points.dtype == np.float32


@pytest.mark.parametrize(
    "faces",
    [
        [[0, 1, 2]],
        [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3], [0, 2, 1]],
        [[0, 1, 2], [0, 1, 3], [1, 2, 3], [2, 0, 3]],
        np.empty((0, 3), int),
    ],
    ids=["open", "doubled", "turned", "empty"],
)
def test_what_is_not_closed(faces):
    assert not is_closed(np.array(faces))


# ---- result.json ------------------------------------------------------------------------------


def test_the_schema_on_disk_is_the_one_of_the_models():
    """Write it anew with `dumps(result_schema())` when a key was added."""
    assert SCHEMA_FILE.read_text(encoding="utf-8") == dumps(result_schema())
    jsonschema.Draft202012Validator.check_schema(result_schema())


def test_result_follows_the_schema(made):
    _, package = made
    table = json.loads((package.folder / "result.json").read_text(encoding="utf-8"))
    jsonschema.validate(table, json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))
    assert table == package.result
    assert list(table)[:3] == ["schema", "verdict", "job"]


def test_result_says_what_callers_rely_on(made):
    table = made[1].result
    assert table["schema"] == "moldprep-result-1"
    for key in (
        "job", "casting", "pattern", "survey", "plan", "rigging", "flow", "metal", "fill",
        "freezing", "feeding", "mold", "handling", "box", "findings", "timings",
    ):  # fmt: skip
        assert key in table, key
    assert {"nodes", "edges"} <= table["flow"].keys()
    assert {"volume_mm3", "mass_kg", "yield_pct"} <= table["metal"].keys()
    assert {
        "pitch_mm", "n_cells", "n_steps", "heat_balance_error", "time_all_solid_s",
    } <= table["freezing"].keys()  # fmt: skip
    assert {
        "at_mm", "modulus_mm", "freezing_time_s", "fed_by", "isolated_volume_mm3",
    } <= table["feeding"]["hot_spots"][0].keys()  # fmt: skip
    assert {"block_volume_mm3", "cavity_volume_mm3"} <= table["mold"].keys()
    assert {
        "name", "role", "volume_mm3", "mass_kg", "bounds_mm", "file",
    } <= table["mold"]["pieces"][0].keys()  # fmt: skip
    assert {
        "id", "verdict", "value", "limit", "unit", "part", "at_mm", "message", "source",
    } <= table["findings"][0].keys()  # fmt: skip
    assert table["timings"] == {"casting": 0.1, "freezing": 1.5}


def test_inserts_are_set_into_their_own_layer_before_or_after_it_lies(made):
    """From below while the cheek is on the bench, from above once it lies; the filter under the
    parting is the cheek's."""
    results = made[0]
    down = (0.0, 0.0, -1.0)
    steps = tuple(
        AssemblyStep(piece=name, direction=down, hits=(), text=f"Place {name}")
        for name in ("cheek-1", "core-1", "cope")
    )
    loose = (
        InsertFacts(name="sleeve-F1", material="insulating", piece="cheek-1", blocked_mm2=0.0,
                    way="into cheek-1 straight up, from below", at_mm=(0.0, 0.0, -10.0)),
        InsertFacts(name="C1", material="iron", piece="cheek-1", blocked_mm2=0.0,
                    way="into cheek-1 straight down", at_mm=(0.0, 0.0, -10.0)),
    )  # fmt: skip
    plan = replace(
        results.need(RiggingPlan),
        feeders=(replace(results.need(RiggingPlan).feeders[0], name="F1", sleeve="insulating"),),
        chills=(ChillPlan(name="C1", at_mm=(0.0, 0.0, -10.0), size_mm=(20.0, 20.0, 10.0)),),
        filters=(FilterPlan(at_mm=(0.0, 0.0, 0.0), length_mm=50.0, width_mm=50.0,
                            thickness_mm=22.0),),
    )  # fmt: skip
    handling = replace(results.need(Handling), steps=steps, inserts=loose, joint_is_sealed=True)
    parting = replace(results.need(Parting), cheeks_mm=(-40.0,))
    sheet = pouring_sheet(results.plus(plan).plus(handling).plus(parting))
    texts = [step.text for step in sheet.order]
    begin = texts.index("Bed the drag level on dry sand.") + 1
    expected = ["sleeve of F1", "rope", "Place cheek-1", "C1", "Place core-1", "rope", "Place cope"]
    for text, words in zip(texts[begin:], expected, strict=False):
        assert words in text
    assert "filter" in texts[begin + 3]
    assert texts[begin].startswith("Set into the cheek-1")


def test_what_was_not_measured_is_null(made):
    table = made[1].result
    assert table["freezing"]["shake_out_s"] is None
    assert table["findings"][3]["value"] is None
    assert table["feeding"]["pairs"][0]["neck_time_s"] is None


def test_sections_not_made_are_left_out(made):
    results = made[0].without(Mold, BoxPlan)
    table = result_json(results, handmade_review(), "stamp")
    assert "mold" not in table
    assert "box" not in table
    jsonschema.validate(table, result_schema())


def test_sheet_adds_up(made):
    sheet = made[1].result["sheet"]
    agree(
        sheet["casting_kg"] + sheet["rigging_kg"], sheet["poured_kg"], rel=1e-12, why="arithmetic"
    )
    agree(sheet["tap_kg"], sheet["poured_kg"] * 1.08, rel=1e-12, why="8 % in the usual rules")
    agree(sheet["pour_rate_kg_s"], sheet["poured_kg"] / 6.4, rel=1e-12, why="arithmetic")
    assert [cut["body"] for cut in sheet["cuts"]] == ["F1", "ingate-1"]
    assert sheet["weight_kg"] % 5.0 == 0.0
    assert sheet["pour_c"] == [1560.0, 1620.0]


# ---- the folder -------------------------------------------------------------------------------


def test_the_package_holds_what_it_should(made):
    folder = made[1].folder
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert names == {
        "report.html", "result.json", "job.resolved.toml", "manifest.json", "mold.3mf",
        "metal.stl", "pieces/drag.stl", "pieces/cope.stl", "proof/block.stl", "inputs/plate.stl",
    }  # fmt: skip
    manifest = made[1].manifest
    assert set(manifest["files"]) == names - {"manifest.json"}
    assert manifest["libraries"]["manifold3d"]
    assert manifest["job_sha256"] == fingerprint(made[0].need(Job))


def same_bytes(one, other):
    files = sorted(p.relative_to(one) for p in one.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(other) for p in other.rglob("*") if p.is_file())
    return [str(f) for f in files if (one / f).read_bytes() != (other / f).read_bytes()]


def test_same_job_same_bytes(made, tmp_path):
    results, package = made
    again = write_package(results, handmade_review(), tmp_path / "elsewhere")
    assert same_bytes(package.folder, again.folder) == []


def test_only_timings_may_differ(made, tmp_path):
    results, package = made
    timed = results.plus(Timings(seconds=(("casting", 9.9),)))
    again = write_package(timed, handmade_review(), tmp_path / "later")
    assert same_bytes(package.folder, again.folder) == ["result.json"]


def test_an_older_package_is_replaced_whole(made, tmp_path):
    folder = tmp_path / "out"
    write_package(made[0], handmade_review(), folder)
    (folder / "stray.txt").write_text("left over")
    write_package(made[0], handmade_review(), folder)
    assert not (folder / "stray.txt").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_folder_that_is_no_package_is_left_alone(made, tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(FileError) as caught:
        write_package(made[0], handmade_review(), tmp_path)
    assert (caught.value.code, caught.value.exit_code) == ("file/exists", 5)
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]
    check_target(tmp_path / "new")


def test_nothing_is_left_when_writing_fails(made, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(package_module, "report_html", full)
    with pytest.raises(FileError, match="No space left") as caught:
        write_package(made[0], handmade_review(), tmp_path / "out")
    assert caught.value.code == "file/not-writable"
    assert list(tmp_path.iterdir()) == []


def test_layers_on_request(tmp_path):
    job = {"output": {"pictures": False, "layers": True}}
    results = handmade(tmp_path, **job)
    printer = results.need(Printer).model_copy(update={"layer_mm": 10.0})
    package = write_package(results.plus(printer), handmade_review(), tmp_path / "out")
    assert (package.folder / "layers" / "box-1.3mf").is_file()


def test_default_folder_is_a_safe_name(tmp_path):
    job = handmade_job(tmp_path, name="../a b/c")
    assert str(default_folder(job)) == "..-a-b-c-mold"


# ---- the job in the package -------------------------------------------------------------------


def test_the_resolved_job_gives_the_same_job(made):
    results, package = made
    again = load_job(package.folder / "job.resolved.toml")
    job = results.need(Job)
    assert fingerprint(again) == fingerprint(job)
    assert again.model_dump(exclude={"casting"}) == job.model_dump(exclude={"casting"})
    assert (again.folder / again.casting.file).read_bytes() == (
        job.folder / job.casting.file
    ).read_bytes()


def test_packing_twice_changes_nothing(made):
    again = load_job(made[1].folder / "job.resolved.toml")
    assert job_toml(packed(again)[0]) == job_toml(again)


def test_fingerprint_follows_content_not_names(tmp_path):
    write_stl(tmp_path)
    before = fingerprint(handmade_job(tmp_path))
    shutil.copy(tmp_path / "plate.stl", tmp_path / "other.stl")
    renamed = handmade_job(tmp_path, casting={"file": "other.stl"})
    assert fingerprint(renamed) == before
    assert fingerprint(handmade_job(tmp_path, mold={"wall_mm": 30.0})) != before
    assert fingerprint(handmade_job(tmp_path, alloy="al-si12")) != before
    data = bytearray((tmp_path / "other.stl").read_bytes())
    data[200] ^= 1
    (tmp_path / "other.stl").write_bytes(data)
    assert fingerprint(renamed) != before


def test_fingerprint_of_a_missing_file(tmp_path):
    with pytest.raises(FileError) as caught:
        fingerprint(handmade_job(tmp_path))
    assert caught.value.code == "file/not-found"
    assert "plate.stl" in str(caught.value)


def test_own_files_and_configs_travel_along(tmp_path):
    write_stl(tmp_path)
    (tmp_path / "more").mkdir()
    write_stl(tmp_path / "more")
    alloys = tmp_path / "shop" / "alloys"
    alloys.mkdir(parents=True)
    text = (shipped_configs() / "alloys" / "carbon-steel.toml").read_text(encoding="utf-8")
    (alloys / "our-steel.toml").write_text(text, encoding="utf-8")
    own = [{"role": "feeder", "file": "more/plate.stl", "name": "F9"}]
    job = handmade_job(
        tmp_path, alloy="our-steel", configs="shop", casting={"file": "plate.stl", "own": own}
    )
    copy, copies = packed(job)
    assert str(copy.casting.file) == "inputs/plate.stl"
    assert str(copy.casting.own[0].file) == "inputs/plate-2.stl"
    assert str(copy.configs) == "inputs/configs"
    assert copies["inputs/configs/alloys/our-steel.toml"] == alloys / "our-steel.toml"
    tomllib.loads(job_toml(copy))


def test_companions_of_a_gltf_and_an_obj(tmp_path):
    (tmp_path / "part.bin").write_bytes(b"1")
    (tmp_path / "part.mtl").write_bytes(b"2")
    (tmp_path / "part.gltf").write_text(
        json.dumps({"buffers": [{"uri": "part.bin"}, {"uri": "data:;base64,AA=="}]})
    )
    (tmp_path / "part.obj").write_text("mtllib part.mtl\nmtllib lost.mtl\nv 0 0 0\n")
    assert companions(tmp_path / "part.gltf") == (tmp_path / "part.bin",)
    assert companions(tmp_path / "part.obj") == (tmp_path / "part.mtl",)
    assert companions(tmp_path / "part.stl") == ()
