"""The grid holds the metal's volume, its parts, and what is put into the sand."""

import numpy as np
import pytest

from moldprep.errors import StageError
from moldprep.geometry import pitch
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.pitch import heat_updates
from moldprep.geometry.solid import Solid
from moldprep.geometry.voxels import voxelize
from moldprep.records import Body, Insert, Role
from moldprep.thermal import cells, conduction
from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.solidify import media_of
from moldprep.thermal.watch import Watch
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of, bare_survey, grid_of, job_for, metal_of, rigging_of

BLOCK = Solid.box((0, 0, 0), (60, 40, 30))


def voxels(solid, bodies=(), inserts=(), thin_mm=10.0, **freezing):
    rigging = rigging_of(solid, bodies, inserts)
    metal = metal_of(rigging)
    keys = {"pitch_mm": 2.0, **freezing}
    job, steel = job_for("carbon-steel", **keys), alloy_of("carbon-steel")
    return metal, voxelize(rigging, metal, job, bare_survey(thin_mm), steel)


@pytest.mark.parametrize(
    "solid",
    [
        BLOCK,
        BLOCK.turned((20, 45, 70)),
        Solid.sphere(25.0, 96) - Solid.sphere(15.0, 96),
        Solid.cone(20, 12, 50) - Solid.cone(5, 5, 50).moved((3.3, 0, 0)),
        Solid.box((0, 0, 0), (80, 60, 3.1)) + Solid.box((20, 10, 0), (21.3, 50, 20)),
    ],
    ids=["block", "turned", "hollow ball", "bored cone", "ribbed"],
)
def test_volume_is_the_solids(solid):
    _, grid = voxels(solid)
    agree(grid.fraction.sum() * 8.0, solid.volume_mm3, rel=1e-3, why="stated limit")
    assert grid.fraction.min() >= 0.0
    assert grid.fraction.max() <= 1.0


def test_shares_before_any_scaling_are_close():
    body = BLOCK.turned((20, 45, 70))
    low, high = body.bounds
    shares = shares_of(body, Lattice.around(np.stack([low - 3, high + 3]), 2.0))
    agree(shares.sum() * 8.0, body.volume_mm3, rel=2e-3, why="2 x 2 rays along three axes")


@pytest.mark.parametrize("offset", [0.0, 0.3, 1.0, 1.7])
def test_a_wall_anywhere_in_a_cell_is_exact(offset):
    """Faces along the axes: the rays across them know where they are."""
    plate = Solid.box((offset, 0, 0), (offset + 5.0, 40, 40))
    shares = shares_of(plate, Lattice(np.array([-4.0, -4.0, -4.0]), (10, 24, 24), 2.0))
    agree(shares[:, 12, 12].sum() * 2.0, 5.0, rel=1e-4, why="spans cut at the cells")


def test_a_mold_of_many_castings_has_a_label_for_each_body():
    """64 castings with gate, feeder and vent are more bodies than a byte can count."""
    cubes = [
        Body(name=f"cube-{k}", role=Role.CASTING,
             solid=Solid.box((8.0 * (k % 17), 8.0 * (k // 17), 0.0),
                             (8.0 * (k % 17) + 8.0, 8.0 * (k // 17) + 8.0, 8.0)))
        for k in range(1, 17 * 17)
    ]  # fmt: skip
    metal, grid = voxels(Solid.box((0, 0, 0), (8, 8, 8)), cubes, pitch_mm=4.0)
    assert len(metal.parts) == 289
    count = np.bincount(grid.label.ravel(), minlength=290)
    assert (count[1:] > 0).all()


def test_labels_name_the_parts():
    feeder = Body(name="F1", role=Role.FEEDER, solid=Solid.cone(12, 12, 40).moved((30, 20, 29.5)))
    metal, grid = voxels(BLOCK, [feeder])
    assert metal.parts == ("casting", "F1")
    in_part = [float(grid.fraction[grid.label == k].sum()) * 8.0 for k in (1, 2)]
    agree(in_part[0], BLOCK.volume_mm3, rel=0.02, why="cells at the joint go to one of the two")
    agree(in_part[1], feeder.solid.volume_mm3, rel=0.05, why="cells at the joint")
    assert ((grid.label > 0) == (grid.fraction > 0)).all()


def test_an_open_feeder_ends_in_air():
    feeder = Body(name="F1", role=Role.FEEDER, solid=Solid.cone(12, 12, 40).moved((30, 20, 29.5)))
    _, grid = voxels(BLOCK, [feeder])
    assert grid.materials == ("silica-furan", "air")
    assert (grid.material[:, :, -1] == 1).all()
    top = grid.origin_mm[2] + (grid.label.shape[2] - 1) * grid.pitch_mm
    agree(top, 69.5, rel=1e-9, why="the air begins at the feeder's top")
    assert (grid.label[:, :, -2] == 2).any()


def test_a_bare_pattern_has_sand_all_round():
    _, grid = voxels(BLOCK)
    assert grid.materials == ("silica-furan",)
    edge = grid.fraction.copy()
    edge[1:-1, 1:-1, 1:-1] = 0.0
    assert edge.sum() == 0.0


def test_inserts_are_materials_of_the_rest():
    chill = Insert(name="C1", material="iron", solid=Solid.box((10, 10, -20), (50, 30, 0)))
    _, grid = voxels(BLOCK, inserts=[chill], pitch_mm=1.0)
    assert grid.materials == ("silica-furan", "iron")
    agree((grid.material == 1).sum(), chill.solid.volume_mm3, rel=0.08, why="whole cells")


def test_pitch_follows_the_thinnest_wall_and_the_budget():
    _, fine = voxels(Solid.box((0, 0, 0), (300, 200, 30)), thin_mm=6.0, pitch_mm="auto")
    agree(fine.pitch_mm, 6.0 / 3.2, rel=1e-6, why="cells across a wall")
    _, tight = voxels(BLOCK, thin_mm=1.0, pitch_mm="auto", max_cells=50_000)
    assert tight.label.size <= 50_000


@pytest.mark.parametrize(("alloy", "pitch_mm"), [("carbon-steel", 4.0), ("al-si7mg", 3.0)])
def test_work_is_reckoned_as_it_is_done(alloy, pitch_mm):
    """The budget means what it says: counted over a solve of a plate with a boss."""
    body = Solid.box((0, 0, 0), (160, 110, 12)) + Solid.cone(25, 25, 40).moved((60, 50, 5))
    metal, job = metal_of(rigging_of(body)), job_for(alloy)
    grid = grid_of(body, pitch_mm, 45.0)
    media = media_of(grid, alloy_of(alloy), SAND, job)
    flow = HeatFlow(grid.fraction, np.ones(grid.label.shape, np.uint8), media, pitch_mm, Skin())
    watch, done = Watch(flow), 0.0
    while watch.n_up:
        before = flow.n_sweeps
        watch.note(flow.step())
        quick, sand = flow._visits.quick, flow._visits.sand
        done += (flow.n_sweeps - before) * (quick.n + 3 * len(quick.on)) + sand.n + 3 * len(sand.on)
    reckoned = heat_updates(pitch_mm, grid.label.size, metal.solid, flow.time_s, alloy_of(alloy))
    assert 0.7 < reckoned / done < 2.2  # small ones take fewer steps than samples


def test_the_pitch_knows_the_solve_it_reckons_for():
    assert (pitch.GROWTH, pitch.SKIN_WORK) == (conduction.GROWTH, cells.ODD_WORK)


def test_too_small_a_budget_is_refused():
    plate = Solid.box((0, 0, 0), (400, 400, 4))
    with pytest.raises(StageError) as caught:
        voxels(plate, thin_mm=4.0, pitch_mm="auto", max_cells=1000)
    assert caught.value.code == "grid/too-few-cells"
