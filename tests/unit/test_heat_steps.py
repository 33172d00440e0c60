"""Steps of the heat solve: metal in stages, sand in one, against plain explicit steps of both."""

import numpy as np
import pytest

from moldprep.thermal.conduction import HeatFlow, Skin
from moldprep.thermal.materials import insert_medium, metal_medium, sand_medium
from moldprep.thermal.watch import Watch
from tests.helpers import agree
from tests.thermal_cases import SAND, alloy_of


def bar(alloy, *, growth=0.02, insert="", cut=0.4, pitch_mm=2.0):
    """Return half a bar of 5 by 5 cells in sand, one face of it cut, with an insert at its end."""
    shares = np.zeros((18, 18, 14), np.float32)
    shares[:5, :5, :6] = 1.0
    shares[5, :5, :6] = cut
    rest = np.ones(shares.shape, np.uint8)
    metal = alloy_of(alloy)
    media = [metal_medium(metal, metal.pour_low_c), sand_medium(SAND, 25.0, 1e-3)]
    if insert:
        media.append(insert_medium(insert, 25.0, 1e-3))
        rest[:5, :5, 4:9] = 2  # full cells of metal as well, where it stands for nothing
    skin = Skin(film_w_m2k=(0.0, 8.0) * 3)
    return HeatFlow(shares, rest, tuple(media), pitch_mm, skin, growth)


@pytest.mark.parametrize("alloy", ["al-si7mg", "carbon-steel", "pure-copper"])
def test_stages_come_to_what_plain_steps_come_to(alloy):
    quick, plain = bar(alloy), bar(alloy, growth=0.0)
    until = 20.0
    quick.run(until)
    plain.run(until)
    assert quick.n_steps < 0.7 * plain.n_steps
    away = np.abs(quick.temperature_c - plain.temperature_c)
    assert away.max() < 0.01 * (plain.temperature_c.max() - 25.0)


@pytest.mark.parametrize("insert", ["", "iron", "copper", "insulating"])
def test_what_leaves_the_metal_is_what_the_sand_gets(insert):
    flow = bar("al-si7mg", insert=insert)
    flow.run(60.0)
    agree(flow.heat_j(), flow.heat_at_start_j, rel=2e-5, why="sums in single precision")


def test_time_of_freezing_by_stages_and_by_plain_steps():
    times = []
    for growth in (0.02, 0.0):
        flow = bar("al-si7mg", growth=growth)
        watch = Watch(flow)
        while watch.n_up > 0:
            watch.note(flow.step())
        times.append(watch.on_grid()[1].max())
    agree(times[0], times[1], rel=0.015, why="steps of 2 % of the time")


def test_metal_in_a_gap_too_narrow_for_its_own_cells_keeps_the_step_long():
    """Two walls with a gap of 0.95 cells: the cells between them are 5 % metal, and mostly sand."""
    shares = np.zeros((20, 20, 20), np.float32)
    shares[8, 4:16, 4:16] = 1.0
    shares[9, 4:16, 4:16] = 0.05
    shares[10, 4:16, 4:16] = 1.0
    metal = alloy_of("al-si7mg")
    media = (metal_medium(metal, metal.pour_low_c), sand_medium(SAND, 25.0, 1e-3))
    flow = HeatFlow(shares, np.ones(shares.shape, np.uint8), media, 4.0, Skin())
    flow.step()
    full_s = 0.9 / (6.0 / 16.0 * float(flow._slopes[1].max()))
    assert flow._quick_s > 0.8 * full_s
    held = flow.cells.other[2:-2, 2:-2, 2:-2].sum()
    agree(held, (1.0 - shares).sum(), rel=1e-5, why="sand is only handed on")


def test_metal_that_is_cold_from_the_start_is_solid_at_once():
    """A film of metal by itself takes the sand's temperature: solid at 0 s, no Niyama."""
    shares = np.zeros((12, 12, 12), np.float32)
    shares[4:8, 4:8, 4:8], shares[10, 4:8, 4:8] = 1.0, 0.01
    metal = alloy_of("carbon-steel")
    media = (metal_medium(metal, metal.pour_low_c), sand_medium(SAND, 25.0, 1e-3))
    flow = HeatFlow(shares, np.ones(shares.shape, np.uint8), media, 4.0, Skin())
    watch = Watch(flow)
    while watch.n_up > 0:
        watch.note(flow.step())
    found = watch.on_grid()
    film = shares == np.float32(0.01)
    np.testing.assert_array_equal(found[1][film], 0.0)
    assert np.isnan(found[3][film]).all()
    assert (found[1][shares == 1.0] > 0.0).all()


def test_metal_in_a_hardly_filled_cell_freezes_with_that_beside_it():
    """A film on a block: the block's cells hold it, and its own cells their sand."""
    shares = np.zeros((12, 12, 12), np.float32)
    shares[4:8, 4:8, 4:8], shares[8, 4:8, 4:8] = 1.0, 0.1
    metal = alloy_of("carbon-steel")
    media = (metal_medium(metal, metal.pour_low_c), sand_medium(SAND, 25.0, 1e-3))
    flow = HeatFlow(shares, np.ones(shares.shape, np.uint8), media, 4.0, Skin())
    held = flow.cells.metal[2:-2, 2:-2, 2:-2]
    np.testing.assert_allclose(held[7, 4:8, 4:8], 1.1, rtol=1e-6)
    agree(held.sum(), shares.sum(), rel=1e-6, why="metal is only handed on")
    agree(flow.cells.other.sum() + held.sum(), 16.0**3, rel=1e-6, why="and so is the sand")
    watch = Watch(flow)
    while watch.n_up > 0:
        watch.note(flow.step())
    times = watch.on_grid()[1]
    np.testing.assert_array_equal(times[8, 4:8, 4:8], times[7, 4:8, 4:8])
