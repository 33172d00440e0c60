"""Alloys that want their gates at the feeders: into a plain side feeder, never through a sleeve."""

import pytest
import trimesh

from moldprep.checks import run_checks
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.jobfile import mesh_job
from moldprep.pipeline import prepare
from moldprep.records import RiggingPlan

BLOCK = Solid.box((0, 0, 0), (90, 90, 60))
TOP = "pattern.keep_clear=[{toward=[0.0, 0.0, 1.0]}]"
FEEDER = (
    "rigging.feeder=[{name='F1', kind='side', at_mm=[145.0, 45.0, 10.0], diameter_mm=80.0,"
    " height_mm=95.0, serves=[], neck_to_mm=[90.0, 45.0, 30.0], neck_width_mm=40.0,"
    " neck_height_mm=40.0%s}]"
)


def plan_of(tmp_path, alloy, *changes):
    points, faces = BLOCK.mesh()
    path = tmp_path / "block.stl"
    trimesh.Trimesh(points, faces, process=False).export(path)
    still = ("parting.pull=[0.0, 0.0, 1.0]", "parting.z_mm=30.0", *changes)
    return prepare(mesh_job(path, alloy, "mm", still), "flow")


def into(results):
    return {gate.into for gate in results.need(RiggingPlan).ingates}


def test_ductile_iron_is_gated_into_the_side_feeder_it_gets(tmp_path):
    """Hot metal comes last into the feeder: it stays hottest there, and the stub is cut once."""
    results = plan_of(tmp_path, "ductile-iron", TOP, "feeding.rounds=0", 'feeding.sleeves="none"')
    feeders = results.need(RiggingPlan).feeders
    assert {feeder.kind for feeder in feeders} == {"side"}
    assert into(results) <= {feeder.name for feeder in feeders}
    review = run_checks(results, ("gating",))
    missed = [f.id for f in review.findings if f.verdict is Verdict.FAIL and "reached" in f.id]
    assert missed == []


@pytest.mark.parametrize(
    ("alloy", "sleeve", "expected"),
    [
        ("ductile-iron", "", {"F1"}),
        ("ductile-iron", ", sleeve='insulating', sleeve_mm=12.0", {"casting"}),
        ("carbon-steel", "", {"casting"}),
    ],
)
def test_where_the_gates_lead(tmp_path, alloy, sleeve, expected):
    assert into(plan_of(tmp_path, alloy, "feeding.rounds=0", FEEDER % sleeve)) == expected
