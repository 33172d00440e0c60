"""Going on with the same heat on cubes twice as wide."""

import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.records import Metal, Role
from moldprep.records.freezing import AIR
from moldprep.thermal import solidify as stage
from moldprep.thermal.coarser import coarser, finer
from moldprep.thermal.materials import OUTSIDE
from moldprep.thermal.solidify import solidify
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of, grid_of, job_for

CELLS = ("label", "fraction", "material")


@pytest.fixture(scope="module")
def cast():
    """Return an L of 12 mm walls with a cube of 36 mm on it, which is rigging and freezes last."""
    boxes = [((0, 0, 0), (70, 12, 24)), ((0, 0, 0), (12, 60, 24)), ((60, 0, 0), (96, 36, 36))]
    whole = Solid.union([Solid.box(low, high) for low, high in boxes])
    grid = grid_of(whole, 2.0, 30.0)
    x = grid.origin_mm[0] + (np.arange(grid.label.shape[0]) + 0.5) * 2.0
    label = grid.label.copy()
    label[x > 60.0] *= 2
    grid = type(grid)(**{**vars(grid), "label": label})
    metal = Metal(
        solid=whole,
        parts=("casting", "F1"),
        roles=(Role.CASTING, Role.FEEDER),
        mass_kg=1.0,
        casting_kg=1.0,
        yield_pct=100.0,
    )
    return grid, metal


def flow_of(grid, alloy, until_s, **more):
    steel, job = alloy_of(alloy), job_for(alloy)
    flow = stage._start(grid, stage.media_of(grid, steel, SAND, job))
    flow.run(until_s)
    return flow


@pytest.mark.parametrize("shape", [(0, 0, 0), (1, 0, 1), (1, 1, 0)])
@pytest.mark.parametrize("is_open", [False, True])
def test_no_heat_is_lost(cast, shape, is_open):
    grid, _ = cast
    cut = tuple(slice(n, None) for n in shape)
    parts = {name: getattr(grid, name)[cut].copy() for name in ("label", "fraction", "material")}
    if is_open:
        parts["materials"] = (*grid.materials, AIR)
        parts["material"][..., -1] = 1
    flow = flow_of(type(grid)(**{**vars(grid), **parts}), "al-si7mg", 5.0)
    rough = coarser(flow)
    agree(rough.heat_j(), flow.heat_j(), rel=1e-6, why="sums in single precision")
    agree(rough.cells.metal.sum() * 8.0, flow.cells.metal.sum(), rel=1e-6, why="likewise")
    rough.run(100.0)
    agree(rough.heat_j(), flow.heat_at_start_j, rel=1e-4, why="steps in single precision")


def test_the_hottest_place_stays(cast):
    grid, _ = cast
    flow = flow_of(grid, "carbon-steel", 60.0)
    rough = coarser(flow)
    back = finer(rough.temperature_c, flow.rest)
    assert back.shape == flow.temperature_c.shape
    inside = grid.fraction == 1.0
    away = (back - flow.temperature_c)[inside]
    assert abs(float(away.mean())) < 10.0
    at = np.unravel_index(np.argmax(np.where(inside, flow.temperature_c, 0.0)), inside.shape)
    assert abs(float(back[at] - flow.temperature_c[at])) < 10.0


@pytest.mark.parametrize("alloy", ["al-si7mg", "carbon-steel"])
def test_castings_freeze_on_the_fine_grid_and_the_rest_hardly_differs(cast, alloy, monkeypatch):
    grid, metal = cast
    job = job_for(alloy, shake_out=True)
    monkeypatch.setattr(stage, "FEWEST_CELLS", grid.label.size)
    fine = solidify(grid, alloy_of(alloy), SAND, job)
    monkeypatch.setattr(stage, "FEWEST_CELLS", 32_000)
    rough = solidify(grid, alloy_of(alloy), SAND, job, metal)
    is_casting = grid.label == 1
    np.testing.assert_array_equal(rough.time_s[is_casting], fine.time_s[is_casting])
    np.testing.assert_array_equal(rough.niyama[is_casting], fine.niyama[is_casting])
    assert np.isfinite(rough.time_s[grid.label == 2]).all()
    agree(rough.time_all_solid_s, fine.time_all_solid_s, rel=0.05, why="9 wide cells across")
    agree(rough.shake_out_s, fine.shake_out_s, rel=0.05, why="walls of 3 wide cells")
    assert rough.heat_balance_error < 1e-3
    assert rough.n_steps < 0.9 * fine.n_steps


def test_an_open_top_stays_open_on_any_coarser_grid(cast):
    """Its layer stays whole, also beside an odd number of cells; no metal ends up outside."""
    grid, _ = cast
    top = int(np.flatnonzero((grid.label > 0).any(axis=(0, 1))).max()) + 1
    cut = (slice(1, None), slice(1, None), slice(0, top + 1))
    for shape in (cut, (..., cut[2])):
        parts = {name: getattr(grid, name)[shape].copy() for name in CELLS}
        parts["materials"] = (*grid.materials, AIR)
        parts["material"][..., -1] = 1
        rough = flow_of(type(grid)(**{**vars(grid), **parts}), "al-si7mg", 5.0)
        for _ in range(3):
            rough = coarser(rough)
            assert (rough.rest[..., -1] == OUTSIDE).all()
            assert not ((rough.cells.metal > 0.0) & (rough.cells.rest == OUTSIDE)).any()
