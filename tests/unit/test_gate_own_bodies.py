"""`moldprep gate` on one model that brings its gating: bodies told apart by name, color, point."""

import dataclasses
import json

import numpy as np
import pytest
import trimesh

from moldprep.cli import main
from moldprep.geometry.solid import Solid
from moldprep.records import Body, Role
from tests.gating_bench import good_rigging, with_solid
from tests.helpers import agree
from tests.nastymesh import joined, put, stl_bytes, write_3mf

INSIDE = {
    "basin": (15.0, 0.0, 190.0),
    "sprue": (0.0, 0.0, 80.0),
    "well": (0.0, 0.0, -18.0),
    "runner-1": (190.0, 0.0, -6.0),
    "ingate-1": (70.0, 15.0, 2.0),
    "ingate-2": (130.0, 15.0, 2.0),
    "ingate-3": (70.0, -15.0, 2.0),
    "ingate-4": (130.0, -15.0, 2.0),
    "F1": (102.0, 60.0, 60.0),
    "F2": (102.0, -60.0, 60.0),
    "vent-1": (140.0, 80.0, 120.0),
    "vent-2": (140.0, -80.0, 120.0),
}
"""A point in each body of the rigging, away from all others."""


def mesh_of(body):
    points, faces = body.solid.mesh()
    return np.asarray(points, np.float64), np.asarray(faces, np.int64)


def scene_of(rigging, paint=None):
    scene = trimesh.Scene()
    for number, body in enumerate(rigging.metal):
        mesh = trimesh.Trimesh(*mesh_of(body), process=False)
        if paint:
            mesh.visual = trimesh.visual.TextureVisuals(
                material=trimesh.visual.material.PBRMaterial(baseColorFactor=paint[body.name])
            )
        scene.add_geometry(mesh, node_name=body.name, geom_name=f"{body.name}-{number}"
                           if paint else body.name)  # fmt: skip
    return scene


def written(folder, rigging, how):
    """Return (file name, own tables) of one model that holds everything."""
    rig = rigging.bodies
    if how == "stl by points":
        put(folder, "all.stl", stl_bytes(joined(*(mesh_of(body) for body in rigging.metal))))
        return "all.stl", [{"at_mm": list(INSIDE[body.name])} for body in rig]
    if how == "3mf by names":
        write_3mf(folder / "all.3mf", [(body.name, mesh_of(body)) for body in rigging.metal])
        return "all.3mf", [{"object": body.name} for body in rig]
    if how == "glb by colors":
        names = [body.name for body in rigging.metal]
        paint = {name: [10 * k, 255 - 10 * k, 7, 255] for k, name in enumerate(names)}
        put(folder, "all.glb", scene_of(rigging, paint).export(file_type="glb"))
        return "all.glb", [{"color": "#{:02x}{:02x}{:02x}".format(*paint[b.name])} for b in rig]
    suffix = how.split()[0]
    put(folder, f"all.{suffix}", scene_of(rigging).export(file_type=suffix))
    return f"all.{suffix}", [{"object": body.name} for body in rig]


def job_text(file, rig, own):
    """Return a job that takes the model as it is: no shrink, nothing planned."""
    tables = [
        "[[casting.own]]\n"
        + "\n".join(f"{key} = {json.dumps(value)}" for key, value in
                    {"role": body.role.value, "name": body.name, **how}.items())
        for body, how in zip(rig, own, strict=True)
    ]  # fmt: skip
    unit = "" if file.endswith(".3mf") else 'unit = "mm"\n'
    return (
        f'alloy = "al-si7mg"\n[casting]\nfile = "{file}"\nbodies = "apart"\n{unit}'
        + "\n".join(tables)
        + "\n[pattern]\nshrink_pct = 0.0\n[parting]\npull = [0, 0, 1]\nz_mm = 0.0\n"
        + "[rigging]\nauto = []\npour_time_s = 4.5\n"
    )


def gated(folder, rigging, how, capsys):
    """Return (exit code, result) of the command on one model."""
    file, own = written(folder, rigging, how)
    put(folder, "job.toml", job_text(file, rigging.bodies, own))
    code = main(["gate", str(folder / "job.toml"), "--json"])
    return code, json.loads(capsys.readouterr().out)


def of_one_casting(rigging):
    """Return the bench's system with both plates joined by a rib: one casting."""
    rib = Solid.box((60.0, -31.0, 20.0), (64.0, 31.0, 26.0))
    solid = Solid.union([*(body.solid for body in rigging.castings), rib])
    body = Body(name="casting", role=Role.CASTING, solid=solid)
    return dataclasses.replace(rigging, castings=(body,))


WAYS = ("stl by points", "obj by names", "glb by names", "3mf by names", "glb by colors")


@pytest.mark.parametrize("how", WAYS)
def test_gating_inside_the_model_is_judged(how, tmp_path, capsys):
    code, result = gated(tmp_path, of_one_casting(good_rigging()), how, capsys)
    failed = [f for f in result["findings"] if f["verdict"] == "fail"]
    assert (code, failed) == (0, [])
    assert {node["name"] for node in result["flow"]["nodes"]} == {"casting", *INSIDE}
    time = result["flow"]["pour_time_s"]
    agree(time, 5.1, rel=0.1, why="the bench's 90 mm² choke under 200 mm, channels included")


@pytest.mark.parametrize("how", WAYS[::4])
def test_a_runner_cut_inside_the_model_is_found_where_it_is(how, tmp_path, capsys):
    def cut(solid):
        return solid - Solid.box((100.0, -20.0, -20.0), (100.3, 20.0, 0.0))

    rigging = with_solid(of_one_casting(good_rigging()), "runner-1", cut)
    code, result = gated(tmp_path, rigging, how, capsys)
    lost = [f for f in result["findings"] if f["verdict"] == "fail"
            and f["id"] == "gating/channels-are-reached"]  # fmt: skip
    assert code == 10
    assert lost
    assert lost[0]["part"].startswith("runner-1")
