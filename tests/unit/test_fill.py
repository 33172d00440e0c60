"""Filling shapes whose answer is known: U-tube, steps, ring, inverted cup, two peaks."""

import networkx as nx
import numpy as np
import pytest

from moldprep.geometry.solid import Solid
from moldprep.records import Body, CavityRise, ChannelFlow, FlowGraph, Rigging, Role
from moldprep.rigging.fill import trace_fill
from moldprep.rigging.metal import join_metal
from moldprep.rigging.stream.flood import escape, peaks, rise
from moldprep.rigging.stream.fronts import temperature_c
from tests.gating_bench import ALLOY, grid_of
from tests.helpers import agree

RATE = 1e5  # mm³/s into the cavity


def gate_flow():
    return ChannelFlow(
        body="ingate-1", flow_mm3_s=RATE, speed_m_s=0.5, share=1.0, reynolds=1e4,
        smallest_mm2=200.0, at_mm=(0.0, 0.0, 0.0), cooled_k=0.0,
    )  # fmt: skip


def fill_of(casting, gate, *more, pitch_mm=2.0, open_parts=()):
    """Return (grid, fill) of a casting filled through one gate at a steady rate."""
    castings = (Body(name="casting", role=Role.CASTING, solid=casting),)
    inlet = Body(name="ingate-1", role=Role.INGATE, solid=gate)
    rigging = Rigging(castings=castings, bodies=(inlet, *more), inserts=())
    held = (castings[0], *(body for body in more if body.role in (Role.FEEDER, Role.VENT)))
    volume = Solid.union(body.solid for body in held).volume_mm3
    low = min(body.solid.bounds[0, 2] for body in held)
    high = max(body.solid.bounds[1, 2] for body in held)
    share = np.linspace(0.0, 1.0, 101)
    course = np.stack(
        [volume * share / RATE, low + share * (high - low), volume * share, 0.0 * share + RATE],
        axis=1,
    )
    graph = nx.Graph()
    for body in rigging.metal:
        graph.add_node(
            body.name,
            role=body.role.value,
            is_open=body.name in open_parts,
            has_air_core=False,
            n_lumps=1,
        )
    for body in more:
        graph.add_edge("casting", body.name, area_mm2=50.0, at_mm=(0.0, 0.0, 0.0))
    flow = FlowGraph(
        graph=graph,
        contacts=(), near_misses=(), stations=(), reached=frozenset(graph), lost=(), dangling=(),
        bottleneck=(), bottleneck_mm2=0.0, bottleneck_at_mm=(), loops=(), unfiltered=(),
        channels=(gate_flow(),), runners=(), mouths=(), ratio_mm2=(0.0, 0.0, 0.0), source_mm=1000.0,
        cavities=(
            CavityRise(
                parts=tuple(body.name for body in held), inlets=("ingate-1",), course=course,
                shares=course[:, 3:], is_full=True,
            ),
        ),
        prime_s=0.0, imbalance=0.0, pour_time_s=volume / RATE, formula_times=(), pour_c=700.0,
    )  # fmt: skip
    grid = grid_of(rigging, pitch_mm)
    return grid, trace_fill(grid, join_metal(rigging, ALLOY), flow, rigging, ALLOY)


def heights(grid, fill, x_low, x_high):
    """Return the height of the metal over time in a range of x: (times, heights)."""
    x = grid.origin_mm[0] + (np.arange(grid.label.shape[0]) + 0.5) * grid.pitch_mm
    z = grid.origin_mm[2] + (np.arange(grid.label.shape[2]) + 0.5) * grid.pitch_mm
    time = fill.time_s[(x > x_low) & (x < x_high)]
    inside = grid.label[(x > x_low) & (x < x_high)] == 1
    moments = np.linspace(0.0, np.nanmax(fill.time_s), 40)
    level = [np.max(np.where(inside & (time <= moment), z, 0.0)) for moment in moments]
    return moments, np.array(level)


def u_tube():
    """Two legs of unlike width, 20 and 40 mm, joined below; gate high in the wide one."""
    legs = Solid.box((0, 0, 0), (20, 20, 120)) + Solid.box((80, 0, 0), (120, 20, 120))
    return legs + Solid.box((0, 0, 0), (120, 20, 20)), Solid.box((119, 5, 100), (140, 15, 110))


def test_both_legs_of_a_u_tube_rise_together():
    grid, fill = fill_of(*u_tube())
    moments, far = heights(grid, fill, 0, 20)
    _, near = heights(grid, fill, 82, 116)
    rising = (near > 30.0) & (near < 96.0) & (moments > 0.3 * moments[-1])
    assert rising.sum() > 5
    front = 12.0  # height of a running front of this metal
    assert np.abs(far - near)[rising].max() <= front + grid.pitch_mm


def test_metal_falls_down_the_leg_it_is_poured_into():
    _, fill = fill_of(*u_tube())
    fall = fill.falls[0]
    agree(fall.height_mm, 100.0, rel=0.05, why="gate floor at 100 mm; one cell of 2 mm each end")
    assert fall.from_mm[0] > 115.0
    assert fall.to_mm[2] < 3.0


def test_fill_takes_the_volume_over_the_rate():
    grid, fill = fill_of(*u_tube())
    volume = float(grid.fraction[grid.label == 1].sum()) * grid.pitch_mm**3
    agree(np.nanmax(fill.time_s), volume / RATE, rel=0.01, why="volume of the grid, 2 mm cells")
    assert not np.isnan(fill.time_s[grid.label == 1]).any()
    assert np.isnan(fill.time_s[grid.label == 0]).all()


@pytest.mark.parametrize("drop_mm", [30.0, 60.0])
def test_a_step_makes_a_fall_of_its_height(drop_mm):
    """Gate on the upper terrace; the metal runs over its edge to the lower floor."""
    block = Solid.box((0, 0, 0), (60, 40, drop_mm + 20)) - Solid.box(
        (-1, -1, -1), (30, 41, drop_mm)
    )
    gate = Solid.box((-20, 15, drop_mm), (0.5, 25, drop_mm + 6))
    _, fill = fill_of(block, gate)
    assert len(fill.falls) == 1
    agree(fill.falls[0].height_mm, drop_mm, rel=0.07, why="one cell of 2 mm")
    assert abs(fill.falls[0].from_mm[0] - 31.0) <= 2.0


def test_metal_let_in_at_the_bottom_does_not_fall():
    block = Solid.box((0, 0, 0), (60, 40, 60))
    _, fill = fill_of(block, Solid.box((-20, 15, 0), (0.5, 25, 6)))
    assert fill.falls == ()


def ring(outer=50.0, inner=35.0, height=10.0):
    return Solid.cone(outer, outer, height, 96) - Solid.cone(inner, inner, 3 * height, 96).moved(
        (0, 0, -height)
    )


def test_fronts_meet_opposite_the_gate_of_a_ring():
    _, fill = fill_of(ring(), Solid.box((48, -5, 0), (70, 5, 6)))
    assert len(fill.meetings) == 1
    x, y, _ = fill.meetings[0].at_mm
    assert x < -33.0
    assert abs(y) < 6.0
    assert fill.meetings[0].time_s > 0.7 * np.nanmax(fill.time_s)


def test_fronts_of_a_plain_plate_do_not_meet():
    _, fill = fill_of(Solid.box((0, 0, 0), (80, 60, 10)), Solid.box((-20, 25, 0), (0.5, 35, 6)))
    assert fill.meetings == ()


def test_a_slow_thin_ring_meets_cold():
    """The same ring, 3 mm high: the wall cools faster than it fills."""
    thin = fill_of(ring(height=4.0), Solid.box((48, -5, 0), (70, 5, 4)), pitch_mm=1.0)[1]
    thick = fill_of(ring(height=10.0), Solid.box((48, -5, 0), (70, 5, 4)))[1]
    assert thin.meetings[0].temperature_c < thick.meetings[0].temperature_c


def test_an_inverted_cup_catches_its_air():
    """A dome of 60 x 60 x 20 mm under a roof; the way out lies 20 mm lower, at its side."""
    hall = Solid.box((0, 0, 0), (60, 60, 40))
    way = Solid.box((60, 20, 0), (80, 40, 20)) + Solid.box((80, 20, 0), (100, 40, 80))
    vent = Body(name="vent-1", role=Role.VENT, solid=Solid.box((86, 26, 79), (94, 34, 120)))
    _, fill = fill_of(
        hall + way, Solid.box((-20, 25, 0), (0.5, 35, 6)), vent, open_parts=("vent-1",)
    )
    caught = [pocket for pocket in fill.pockets if not pocket.vent]
    assert len(caught) == 1
    agree(caught[0].volume_mm3, 60.0 * 60.0 * 20.0, rel=0.02, why="2 mm cells on the grid's lines")
    assert caught[0].at_mm[2] > 37.0
    served = [pocket for pocket in fill.pockets if pocket.vent == "vent-1"]
    assert served


def test_an_odd_pitch_keeps_the_caught_volume():
    hall = Solid.box((0, 0, 0), (60, 60, 40))
    way = Solid.box((59, 20, 0), (80, 40, 20)) + Solid.box((80, 20, 0), (100, 40, 80))
    vent = Body(name="vent-1", role=Role.VENT, solid=Solid.box((86, 26, 79), (94, 34, 120)))
    _, fill = fill_of(
        hall + way, Solid.box((-20, 25, 0), (0.5, 35, 6)), vent, pitch_mm=0.9,
        open_parts=("vent-1",),
    )  # fmt: skip
    (caught,) = [pocket for pocket in fill.pockets if not pocket.vent]
    agree(caught.volume_mm3, 72_000.0, rel=0.02, why="grid lines half a cell off the roof")


def two_peaks():
    return (
        Solid.box((0, 0, 0), (120, 40, 16))
        + Solid.box((10, 10, 10), (40, 30, 60))
        + Solid.box((80, 10, 10), (110, 30, 46))
    )


def test_both_peaks_want_a_vent():
    _, fill = fill_of(two_peaks(), Solid.box((-20, 15, 0), (0.5, 25, 6)))
    tops = sorted(pocket.at_mm[2] for pocket in fill.pockets)
    assert len(tops) == 2
    assert all(pocket.vent == "" for pocket in fill.pockets)
    np.testing.assert_allclose(tops, [45.0, 59.0], atol=2.0)


def test_a_vent_serves_its_own_peak_only():
    vent = Body(name="vent-1", role=Role.VENT, solid=Solid.box((20, 16, 59), (28, 24, 100)))
    _, fill = fill_of(
        two_peaks(), Solid.box((-20, 15, 0), (0.5, 25, 6)), vent, open_parts=("vent-1",)
    )
    served = {pocket.vent: pocket for pocket in fill.pockets}
    assert set(served) == {"", "vent-1"}
    x, _, z = served[""].at_mm
    assert 80.0 < x < 110.0
    agree(z, 45.0, rel=0.05, why="one cell")
    agree(served[""].volume_mm3, 30.0 * 20.0 * 30.0, rel=0.02, why="boss above the plate's top")


def test_a_shut_vent_serves_nothing():
    vent = Body(name="vent-1", role=Role.VENT, solid=Solid.box((20, 16, 59), (28, 24, 100)))
    _, fill = fill_of(two_peaks(), Solid.box((-20, 15, 0), (0.5, 25, 6)), vent)
    assert {pocket.vent for pocket in fill.pockets} == {""}


def test_a_thin_fin_is_a_thin_run():
    block = Solid.box((0, 0, 0), (40, 40, 40)) + Solid.box((40, 18, 10), (120, 21, 30))
    _, fill = fill_of(block, Solid.box((-20, 15, 0), (0.5, 25, 6)), pitch_mm=1.0)
    run = fill.thin_runs[0]
    assert 2.0 <= run.wall_mm <= 4.0
    assert run.run_mm > 60.0
    agree(run.freeze_s, ALLOY.constant_s_mm2 * (0.5 * run.wall_mm) ** 2, rel=1e-9, why="C M²")


def test_teeth_on_a_thick_rim_are_no_thin_runs():
    """However long its root, a tooth is a short way for the metal out of the rim."""
    teeth = [Solid.box((x, 39, 0), (x + 4, 48, 80)) for x in (0, 12, 24, 36, 48)]
    rim = Solid.box((0, 0, 0), (60, 40, 80))
    _, fill = fill_of(Solid.union([rim, *teeth]), Solid.box((-20, 15, 0), (0.5, 25, 6)),
                      pitch_mm=1.5)  # fmt: skip
    assert fill.thin_runs == ()
    fins = [Solid.box((x, 39, 0), (x + 4, 80, 80)) for x in (0, 24, 48)]
    _, fill = fill_of(Solid.union([rim, *fins]), Solid.box((-20, 15, 0), (0.5, 25, 6)),
                      pitch_mm=1.5)  # fmt: skip
    assert len(fill.thin_runs) == 3


def test_a_knob_on_a_web_thinner_than_the_grid_fills_too():
    """A web of 1 mm on a grid of 4 mm is no cell; block and knob are one body all the same."""
    block = Solid.box((0, 0, 0), (40, 40, 40)) + Solid.box((60, 0, 0), (80, 40, 40))
    webbed = block + Solid.box((39, 0, 18.5), (61, 40, 19.5))
    grid, fill = fill_of(webbed, Solid.box((-20, 12, 0), (0.5, 28, 8)), pitch_mm=4.0)
    assert fill.unfilled_mm3 == 0.0
    assert not np.isnan(fill.time_s[(grid.label == 1) & (grid.fraction > 0.5)]).any()


def test_temperature_slows_down_at_the_liquidus():
    superheat = 720.0 - ALLOY.liquidus_c
    assert temperature_c(0.0, ALLOY) == 720.0
    agree(temperature_c(superheat, ALLOY), ALLOY.liquidus_c, rel=1e-12, why="all superheat gone")
    latent = ALLOY.latent_j_kg / 1100.0
    width = ALLOY.liquidus_c - ALLOY.solidus_c
    agree(temperature_c(superheat + latent + width, ALLOY), ALLOY.solidus_c, rel=1e-9, why="solid")


# ---- the kernels --------------------------------------------------------------------------


def test_two_pools_fill_one_after_the_other():
    """A wall between two pools; the second fills only when the first has risen to the wall."""
    inside = np.zeros((1 + 2, 21 + 2, 12 + 2), bool)
    inside[1, 1:22, 1:13] = True
    inside[1, 11, 1:7] = False
    seed = np.array([np.ravel_multi_index((1, 3, 1), inside.shape)])
    spread = rise(inside.ravel(), [seed], 1, inside.shape)
    order = spread.order.reshape(inside.shape)[1]
    assert order[1:11, 1:7].max() < order[12:22, 1:13].min()
    assert order[12:22, 1:7].max() < order[1:11, 8:13].min()
    assert len(spread.falls) == 1


def test_air_leaves_by_the_best_way():
    inside = np.zeros((3, 12, 12), bool)
    inside[1, 1:11, 1:5] = True  # hall
    inside[1, 1:3, 5:9] = True  # chimney
    inside[1, 8:10, 5:7] = True  # pocket, two cells high
    seed = np.array([np.ravel_multi_index((1, 1, 8), inside.shape)])
    out, by = escape(inside.ravel(), seed, np.array([7]), inside.shape)
    out = out.reshape(inside.shape)[1]
    assert out[8, 6] == 4
    assert out[1, 8] == 8
    assert set(by[inside.ravel()]) == {7}
    found = peaks(inside.ravel(), inside.ravel().astype(np.float32), inside.shape)
    assert sorted(found.volume) == [4.0, float(inside.sum())]
