"""Both sides of the limits that a broken geometry does not reach easily."""

import dataclasses
import math
import re

import numpy as np
import pytest

from moldprep.catalog import find
from moldprep.checks import all_checks, run_check
from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import (
    AirPocket,
    Alloy,
    Body,
    Contact,
    Fall,
    Fill,
    Meeting,
    Mold,
    Piece,
    Role,
    Survey,
    ThinRun,
)
from moldprep.results import Results
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.metal import join_metal
from tests.feeding_cases import parting_of
from tests.gating_bench import ALLOY, RULES, good_plan, good_rigging, plus
from tests.helpers import agree

RIGGING, PLAN = good_rigging(), good_plan()
FLOW = trace_flow(RIGGING, PLAN, ALLOY)
METAL = join_metal(RIGGING, ALLOY)


def say(check_id, *, flow=FLOW, plan=PLAN, rigging=RIGGING, metal=METAL, more=()):
    results = Results(ALLOY, RULES, rigging, plan, flow, metal, *more)
    return run_check(all_checks()[check_id], results, RULES)


def verdicts(check_id, **changed):
    return {finding.verdict for finding in say(check_id, **changed)}


def gates_with(**changed):
    """Return the flow with all gates changed."""
    return dataclasses.replace(
        FLOW,
        channels=tuple(
            dataclasses.replace(c, **changed) if c.body.startswith("ingate") else c
            for c in FLOW.channels
        ),
    )


def filled(**changed):
    fill = Fill(
        time_s=np.zeros((1, 1, 1), np.float32), level=np.zeros((1, 3)), falls=(), meetings=(),
        pockets=(), thin_runs=(), unfilled_mm3=0.0,
    )  # fmt: skip
    return dataclasses.replace(fill, **changed)


@pytest.mark.parametrize(("speed", "verdict"), [(1.99, Verdict.PASS), (2.01, Verdict.FAIL)])
def test_gate_does_not_jet(speed, verdict):
    assert verdicts("gating/gate-does-not-jet", flow=gates_with(speed_m_s=speed)) == {verdict}


@pytest.mark.parametrize(("speed", "verdict"), [(0.49, Verdict.PASS), (0.51, Verdict.WARN)])
def test_gate_speed_below_critical(speed, verdict):
    flow = gates_with(speed_m_s=speed)
    assert verdicts("gating/gate-speed-below-critical", flow=flow) == {verdict}


@pytest.mark.parametrize(("re", "verdict"), [(19_000.0, Verdict.PASS), (21_000.0, Verdict.WARN)])
def test_reynolds_in_gates(re, verdict):
    assert verdicts("gating/reynolds-in-gates", flow=gates_with(reynolds=re)) == {verdict}


@pytest.mark.parametrize(("lost", "verdict"), [(60.0, Verdict.PASS), (70.0, Verdict.WARN)])
def test_superheat_reaches_castings(lost, verdict):
    flow = gates_with(cooled_k=lost)  # superheat of the alloy's mid window: 107 K
    assert verdicts("gating/superheat-reaches-castings", flow=flow) == {verdict}


def test_a_gate_that_takes_nothing_is_named():
    first = FLOW.cavities[0]
    shares = first.shares.copy()
    shares[:, 1] *= 0.2
    idle = dataclasses.replace(first, shares=shares)
    flow = dataclasses.replace(FLOW, cavities=(idle, FLOW.cavities[1]))
    warned = [f.part for f in say("gating/every-gate-works", flow=flow) if f.verdict != "pass"]
    assert warned == [first.inlets[1]]


@pytest.mark.parametrize(
    ("planned", "verdict"),
    [(1.0, Verdict.PASS), (0.75, Verdict.PASS), (0.6, Verdict.WARN), (3.0, Verdict.WARN)],
)
def test_pour_time_as_planned(planned, verdict):
    cavity = FLOW.pour_time_s - FLOW.prime_s
    plan = dataclasses.replace(PLAN, pour_time_s=planned * cavity)
    assert verdicts("gating/pour-time-as-planned", plan=plan) == {verdict}


@pytest.mark.parametrize(("times", "verdict"), [(1.9, Verdict.PASS), (2.1, Verdict.WARN)])
def test_pour_time_near_handbook(times, verdict):
    cavity = FLOW.pour_time_s - FLOW.prime_s
    for seconds in (times * cavity, cavity / times):
        flow = dataclasses.replace(FLOW, formula_times=(("formula", seconds, "book"),))
        assert verdicts("gating/pour-time-near-handbook", flow=flow) == {verdict}


def test_a_mold_that_does_not_fill_has_no_pour_time():
    flow = dataclasses.replace(FLOW, pour_time_s=math.inf)
    assert verdicts("gating/pour-time-as-planned", flow=flow) == {Verdict.WARN}
    assert verdicts("gating/pour-time-near-handbook", flow=flow) == {Verdict.SKIP}


@pytest.mark.parametrize(("off", "verdict"), [(1.02, Verdict.PASS), (0.98, Verdict.FAIL)])
def test_fills_before_thin_wall_freezes(off, verdict):
    """Half of C (T/2)² against the filling of the cavities."""
    cavity = FLOW.pour_time_s - FLOW.prime_s
    thin = 2.0 * math.sqrt(2.0 * cavity / ALLOY.constant_s_mm2) * math.sqrt(off)
    survey = Survey(
        sections=(), joins=(), label=np.zeros((1, 1, 1), np.uint8), pitch_mm=1.0,
        origin_mm=np.zeros(3), thin_mm=thin, run_wall_mm=thin,
    )  # fmt: skip
    assert verdicts("gating/fills-before-thin-wall-freezes", more=(survey,)) == {verdict}


@pytest.mark.parametrize(("pct", "verdict"), [(50.5, Verdict.PASS), (49.5, Verdict.WARN)])
def test_yield_is_usual(pct, verdict):
    metal = dataclasses.replace(METAL, yield_pct=pct)
    assert verdicts("gating/yield-is-usual", metal=metal) == {verdict}


@pytest.mark.parametrize(("feeder_kg", "helps"), [(0.5, True), (1.2, False)])
def test_a_poor_yield_names_the_castings_that_would_mend_it(feeder_kg, helps):
    """Half of what is poured is usual: a casting with more feeder than itself never gets there."""

    def weighing(name, role, kg):
        side = (kg / (ALLOY.density_liquid_kg_m3 * 1e-9)) ** (1.0 / 3.0)
        return Body(name=name, role=role, solid=Solid.box((0.0, 0.0, 0.0), (side, side, side)))

    own = [weighing("F1", Role.FEEDER, feeder_kg), weighing("runner-1", Role.RUNNER, 0.2)]
    shared = [weighing("basin", Role.BASIN, 2.0), weighing("sprue", Role.SPRUE, 0.6)]
    rigging = dataclasses.replace(
        RIGGING, castings=(weighing("casting", Role.CASTING, 1.0),), bodies=(*own, *shared)
    )

    def yield_of(count):
        return 100.0 * count / (count * (1.2 + feeder_kg) + 2.6)

    metal = dataclasses.replace(
        METAL, casting_kg=1.0, mass_kg=3.8 + feeder_kg, yield_pct=yield_of(1)
    )
    (found,) = say("gating/yield-is-usual", metal=metal, rigging=rigging)
    named = re.search(r"mold\.count = (\d+)", found.remedy)
    assert bool(named) is helps
    if named:
        low = ALLOY.yield_pct[0]
        assert yield_of(int(named[1])) >= low > yield_of(int(named[1]) - 1)


@pytest.mark.parametrize(("miss", "verdict"), [(1e-10, Verdict.PASS), (1e-8, Verdict.FAIL)])
def test_flow_is_conserved(miss, verdict):
    flow = dataclasses.replace(FLOW, imbalance=miss)
    assert verdicts("gating/flow-is-conserved", flow=flow) == {verdict}


@pytest.mark.parametrize(("area", "verdict"), [(86.0, Verdict.PASS), (84.0, Verdict.WARN)])
def test_necks_stand_on_metal(area, verdict):
    neck = Body(name="neck-F1", role=Role.NECK, solid=Solid.box((0, 0, 0), (1, 1, 1)))
    contact = Contact(
        a="casting-1", b="neck-F1", area_mm2=area, need_mm2=100.0, at_mm=(0.0, 0.0, 0.0)
    )
    flow = dataclasses.replace(FLOW, contacts=(contact,))
    found = say("gating/necks-stand-on-metal", flow=flow, rigging=plus(RIGGING, neck))
    assert [(f.verdict, f.part) for f in found] == [(verdict, "neck-F1")]


@pytest.mark.parametrize(("above", "verdict"), [(1.0, Verdict.PASS), (-1.0, Verdict.WARN)])
def test_fronts_meet_hot(above, verdict):
    meeting = Meeting(at_mm=(1.0, 2.0, 3.0), time_s=4.0, temperature_c=ALLOY.liquidus_c + above)
    (finding,) = say("fill/fronts-meet-hot", more=(filled(meetings=(meeting,)),))
    assert (finding.verdict, finding.at_mm) == (verdict, (1.0, 2.0, 3.0))


@pytest.mark.parametrize(
    ("vent", "part", "cm3", "verdict"),
    [
        ("vent-1", "casting-1", 900.0, Verdict.PASS),
        ("", "casting-1", 0.4, Verdict.PASS),
        ("", "casting-1", 0.6, Verdict.FAIL),
        ("", "F1", 99.0, Verdict.PASS),
        ("", "F1", 101.0, Verdict.FAIL),
    ],
)
def test_no_trapped_air(vent, part, cm3, verdict):
    """F1 is blind, with an air core: no way out for more than its own air."""
    pocket = AirPocket(
        at_mm=(1.0, 2.0, 3.0), volume_mm3=1e3 * cm3, vent=vent, vent_area_mm2=20.0, part=part
    )
    (finding,) = say("fill/no-trapped-air", more=(filled(pockets=(pocket,)),))
    assert finding.verdict is verdict, finding.message
    assert part in finding.message


@pytest.mark.parametrize(
    ("share", "verdict"), [(0.9, Verdict.PASS), (1.1, Verdict.WARN), (10.0, Verdict.FAIL)]
)
def test_vents_match_the_choke(share, verdict):
    """Two vents of 10 mm, 64 facets: 157 mm² in all; the choke is `share` times that."""
    area = 2.0 * 32.0 * math.sin(2.0 * math.pi / 64.0) * 25.0
    plan = dataclasses.replace(PLAN, choke_mm2=share * area)
    assert verdicts("gating/vents-match-the-choke", plan=plan) == {verdict}


@pytest.mark.parametrize(("share", "verdict"), [(0.99, Verdict.PASS), (1.01, Verdict.WARN)])
def test_no_falls(share, verdict):
    """Critical fall 2 sqrt(gamma / (rho g)); the landing place as the job file counts it."""
    critical = 2e3 * math.sqrt(ALLOY.surface_tension_n_m / (ALLOY.density_liquid_kg_m3 * 9.80665))
    fall = Fall(
        height_mm=share * critical, from_mm=(1.0, 2.0, 0.0), to_mm=(1.0, 2.0, -7.0),
        part="casting-1",
    )  # fmt: skip
    lying = parting_of(Solid.box((0, 0, -10), (9, 9, 30)), 0.0)
    for more in ((), (lying,)):
        (finding,) = say("fill/no-falls", more=(filled(falls=(fall,)), *more))
        assert finding.verdict is verdict
        agree(finding.value, share, rel=1e-5, why="a quotient")
    assert ("(parting.z_mm = 3)" in finding.remedy) == (verdict is Verdict.WARN)


@pytest.mark.parametrize(
    ("alloy", "cover", "verdict"),
    [
        ("al-si7mg", -0.9, Verdict.PASS),
        ("al-si7mg", -1.1, Verdict.WARN),
        ("ductile-iron", -0.9, Verdict.PASS),
        ("ductile-iron", -1.1, Verdict.FAIL),
    ],
)
def test_runner_runs_full(alloy, cover, verdict):
    facts = tuple(dataclasses.replace(fact, cover_mm=cover) for fact in FLOW.runners)
    results = Results(find(Alloy, alloy), dataclasses.replace(FLOW, runners=facts))
    found = run_check(all_checks()["gating/runner-runs-full"], results, RULES)
    assert {finding.verdict for finding in found} == {verdict}


def test_a_jet_names_the_sand_it_strikes():
    (mouth, *_) = FLOW.mouths
    gate = next(body for body in RIGGING.bodies if body.name == mouth.body)
    toward = (gate.path_mm[-1] - gate.path_mm[-2]) / math.dist(*gate.path_mm[-2:])
    near = dataclasses.replace(mouth, ahead_mm=3.0)
    middle = np.array(mouth.at_mm) + 8.0 * toward
    core = Piece(name="core-1", role="core", solid=Solid.sphere(4.5).moved(tuple(middle)))
    mold = Mold(
        block=core.solid, metal=core.solid, pieces=(core,), clearances=(), inserts_mm3=0.0,
        z_mm=0.0, prints=(),
    )  # fmt: skip
    flow = dataclasses.replace(FLOW, mouths=(near,))
    (finding,) = say("gating/gates-clear-of-wall-opposite", flow=flow, more=(mold,))
    assert finding.verdict is Verdict.WARN
    assert "strikes core-1 3 mm behind its opening with" in finding.message
    (finding,) = say("gating/gates-clear-of-wall-opposite", flow=flow)
    assert "strikes the sand 3 mm" in finding.message


def test_a_vent_over_an_edge_is_moved_by_what_hangs_over():
    """Half of a round vent of 10 mm hangs over an edge: 5 mm, and 1 mm to be sure."""
    need = 25.0 * math.pi
    contact = Contact(
        a="casting-1", b="vent-1", area_mm2=0.5 * need, need_mm2=need, at_mm=(0.0, 0.0, 0.0)
    )
    flow = dataclasses.replace(FLOW, contacts=(contact,))
    (finding,) = say("gating/vents-stand-on-metal", flow=flow)
    assert (finding.verdict, finding.part) == (Verdict.WARN, "vent-1")
    assert finding.remedy.startswith("move vent-1 by 6 mm inward")


@pytest.mark.parametrize(("time_s", "verdict"), [(4.9, Verdict.PASS), (5.1, Verdict.FAIL)])
def test_thin_walls_run_full(time_s, verdict):
    run = ThinRun(
        part="casting-1", wall_mm=4.0, run_mm=80.0, time_s=time_s, freeze_s=10.0, at_mm=(0, 0, 0)
    )
    assert verdicts("fill/thin-walls-run-full", more=(filled(thin_runs=(run,)),)) == {verdict}


def test_every_check_says_something_without_any_flow():
    """Nothing but the catalog: every check of the two families is passed over, none is silent."""
    results = Results(ALLOY, RULES)
    for name, one in all_checks().items():
        if name.split("/")[0] in ("gating", "fill"):
            assert {f.verdict for f in run_check(one, results, RULES)} == {Verdict.SKIP}, name


def test_every_check_of_the_gating_names_its_source_and_speaks_on_bare_castings():
    """Castings and no rigging at all: checks still judge, and the casting is not reached."""
    bare = dataclasses.replace(RIGGING, bodies=())
    flow = trace_flow(bare, PLAN, ALLOY)
    results = Results(ALLOY, RULES, bare, PLAN, flow, join_metal(bare, ALLOY), filled())
    said = {}
    for name, one in all_checks().items():
        if name.split("/")[0] in ("gating", "fill"):
            said[name] = {f.verdict for f in run_check(one, results, RULES)}
            assert one.source
    assert said["gating/castings-are-reached"] == {Verdict.FAIL}
    assert said["gating/bottleneck-is-the-choke"] == {Verdict.FAIL}


def mold_with(wall_mm=30.0, *clearances):
    """Return a block round the metal with nothing in it but these clearances."""
    low, high = METAL.solid.bounds + np.array([[-wall_mm], [wall_mm]])
    return Mold(
        block=Solid.box(low, high), metal=METAL.solid, pieces=(), clearances=clearances,
        inserts_mm3=0.0, z_mm=0.0,
    )  # fmt: skip


@pytest.mark.parametrize(("wall_mm", "verdict"), [(20.5, Verdict.PASS), (19.5, Verdict.WARN)])
def test_channels_keep_off_the_edge(wall_mm, verdict):
    """The basin's end at x = -20 lies nearest the side; casting walls count elsewhere."""
    low = RIGGING.of_role(Role.BASIN)[0].solid.bounds[0, 0] - wall_mm
    block = Solid.box((low, -300.0, -60.0), (400.0, 300.0, 220.0))
    mold = dataclasses.replace(mold_with(), block=block)
    (finding,) = say("gating/channels-keep-off-the-edge", more=(mold,))
    assert (finding.verdict, finding.part) == (verdict, "basin")
    agree(finding.value, wall_mm, rel=1e-6, why="the distance of two planes")


@pytest.mark.parametrize(("away_mm", "verdict"), [(5.5, Verdict.PASS), (4.5, Verdict.FAIL)])
def test_channels_keep_off_locators(away_mm, verdict):
    """A locator 20 mm wide beyond the runner's end at x = 200."""
    x = 200.0 + away_mm
    gap = Solid.box((x, -10.0, 0.0), (x + 20.0, 10.0, 15.0)) - Solid.box(
        (x + 0.3, -9.7, 0.0), (x + 19.7, 9.7, 14.7)
    )
    mold = mold_with(30.0, ("locator gaps drag to cope", gap))
    assert verdicts("gating/channels-keep-off-locators", more=(mold,)) == {verdict}


def test_a_mold_without_locators_is_passed_over():
    assert verdicts("gating/channels-keep-off-locators", more=(mold_with(),)) == {Verdict.SKIP}
