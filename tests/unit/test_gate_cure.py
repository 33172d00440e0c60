"""Ingates that keep their casting hot get flatter, where there is room."""

from dataclasses import replace

from moldprep.records import IngatePlan, Round, RunnerPlan, Step
from moldprep.records.plan import FilterPlan
from moldprep.rigging.gates.gate_cure import BETWEEN_MM, LEAST_HEIGHT_MM, TRIES, flatter
from tests.feeding_cases import plan_of, top_feeder
from tests.helpers import agree


def gate(name="ingate-1", y=0.0, width=60.0, height=15.0, into="casting"):
    path = ((0.0, y, 0.0), (50.0, y, 0.0))
    return IngatePlan(name=name, path_mm=path, width_mm=width, height_mm=height, into=into)


def with_gates(*gates, feeders=()):
    return replace(plan_of(feeders), ingates=gates)


def test_same_area_less_height():
    new = flatter(gate(), with_gates(gate()))
    agree(new.height_mm, 0.7 * 15.0, rel=1e-6, why="one step")
    agree(new.width_mm * new.height_mm, 60.0 * 15.0, rel=0.005, why="area kept, tenths of mm")
    assert new.path_mm == gate().path_mm


def test_no_wider_than_the_sand_beside_a_filter_allows():
    """The filter's chambers end 0.5 x (22 + 60) = 41 mm from its middle, here 34 from the gate."""
    near = FilterPlan(
        at_mm=(25.0, 75.0, 0.0), length_mm=60.0, width_mm=60.0, thickness_mm=22.0, turn_deg=90.0
    )
    plan = replace(with_gates(gate()), filters=(near,))
    assert flatter(gate(), plan) is None
    new = flatter(gate(width=40.0), plan)
    assert new.width_mm <= 2.0 * (34.0 - BETWEEN_MM)


def test_a_gate_under_its_runner_stays_against_it():
    """Its top keeps its height, or the runner above would lose it."""
    runner = RunnerPlan(
        name="runner-1",
        path_mm=((50.0, -40.0, 14.5), (50.0, 40.0, 14.5)),
        width_mm=20.0,
        height_mm=20.0,
    )
    new = flatter(gate(), replace(with_gates(gate()), runners=(runner,)))
    assert new.height_mm < gate().height_mm
    for old_point, point in zip(gate().path_mm, new.path_mm, strict=True):
        agree(point[2] + new.height_mm, old_point[2] + gate().height_mm, rel=1e-9, why="its top")


def test_a_neighbor_limits_the_width():
    """Neighbor 76 mm away: 66 mm at most, so only a tenth is gained, and then no more."""
    one, other = gate(), gate("ingate-2", y=80.0)
    new = flatter(one, with_gates(one, other))
    assert new.width_mm <= 80.0 - BETWEEN_MM
    tight = gate("ingate-2", y=72.0)
    assert flatter(one, with_gates(one, tight)) is None


def test_a_feeder_beside_limits_the_width_unless_the_gate_runs_into_it():
    beside = top_feeder("F1", (25.0, 80.0, -10.0), 80.0, 120.0)
    assert flatter(gate(), with_gates(gate(), feeders=(beside,))) is None
    own = gate(into="F1")
    assert flatter(own, with_gates(own, feeders=(beside,))) is not None
    above = replace(beside, at_mm=(25.0, 80.0, 60.0))
    assert flatter(gate(), with_gates(gate(), feeders=(above,))) is not None


def test_never_too_thin_and_not_for_ever():
    thin = gate(height=LEAST_HEIGHT_MM + 0.2)
    assert flatter(thin, with_gates(thin)) is None
    tried = tuple(
        Round(
            number=k,
            changed="in any words",
            why="",
            steps=(Step(kind="gate", item="ingate-1", for_what="S1", text="in any words"),),
            left_mm3=0.0,
            yield_pct=50.0,
        )
        for k in range(1, TRIES + 1)
    )
    assert flatter(gate(), replace(with_gates(gate()), rounds=tried)) is None
