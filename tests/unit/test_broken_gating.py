"""Systems broken by small edits: each found by the right check, at the right place."""

import dataclasses

import numpy as np
import pytest

from moldprep.findings import Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Body, Insert, Role
from moldprep.records.plan import FilterPlan
from tests.gating_bench import (
    CHOKE,
    FLOOR,
    LEVEL,
    column,
    good_plan,
    good_rigging,
    judge,
    plus,
    sprue_solid,
    stream_area,
    turned,
    with_solid,
    without,
)

GOOD = good_rigging()
ANYWHERE = None


def edit(name, change):
    """Return the good system with one body changed."""
    return with_solid(GOOD, name, change)


def cut(name, low, high):
    """Return the good system less a box of one body."""
    return edit(name, lambda solid: solid - Solid.box(low, high))


def add(name, low, high):
    """Return the good system plus a box on one body."""
    return edit(name, lambda solid: solid + Solid.box(low, high))


def runner(name, low, high):
    """Return a straight runner along x, as a box."""
    y, z = 0.5 * (low[1] + high[1]), 0.5 * (low[2] + high[2])
    path = np.array([(low[0], y, z), (high[0], y, z)])
    return Body(name=name, role=Role.RUNNER, solid=Solid.box(low, high), path_mm=path)


def runner_in_two(gap_mm):
    """Return the system with its runner cut into two bodies with a gap between gates."""
    halves = (
        runner("runner-1", (0.0, -7.5, -12.0), (100.0, 7.5, 0.0)),
        runner("runner-2", (100.0 + gap_mm, -7.5, -12.0), (200.0, 7.5, 0.0)),
    )
    return plus(without(GOOD, "runner-1"), *halves)


def second_runner():
    """Return the system with a branch that leaves the runner and comes back: a loop."""
    branch = Solid.union(
        [
            Solid.box((20.0, -30.0, -12.0), (32.0, -7.0, 0.0)),
            Solid.box((20.0, -30.0, -12.0), (190.0, -18.0, 0.0)),
            Solid.box((178.0, -30.0, -12.0), (190.0, -7.0, 0.0)),
        ]
    )
    path = np.array([(26.0, -7.0, -6.0), (26.0, -24, -6), (184.0, -24, -6), (184, -7.0, -6.0)])
    shorter = without(GOOD, "ingate-3", "ingate-4")
    return plus(shorter, Body(name="runner-2", role=Role.RUNNER, solid=branch, path_mm=path))


def ring_runner():
    """Return the system with a runner that has a hole of sand through it."""
    return edit(
        "runner-1",
        lambda solid: (
            solid
            + (
                Solid.box((160.0, -20.0, -12.0), (200.0, 20.0, 0.0))
                - Solid.box((170.0, -10.0, -13.0), (190.0, 10.0, 1.0))
            )
            - Solid.box((170.0, -10.0, -13.0), (190.0, 10.0, 1.0))
        ),
    )


def kissing_gate():
    """Return the system with a gate that touches the runner along an edge only."""
    return edit("ingate-1", lambda _: Solid.box((58.75, 7.5, 0.0), (81.25, 30.5, 4.0)))


def pointed_gate(depth):
    """Return the system with a gate that ends in a point, so far inside the casting."""
    corners = [(x, y, z) for x in (58.75, 81.25) for y, low in ((1.0, -0.5), (25.0, 0.0))
               for z in (low, 4.0)]  # fmt: skip
    wedge = Solid.hull_of(np.array([*corners, (70.0, 30.0, 2.0)]))
    return edit("ingate-1", lambda _: wedge.moved((0.0, depth, 0.0)))


def body_of(name):
    return next(body.solid for body in GOOD.bodies if body.name == name)


def second_sprue():
    """Return the system with a second basin, sprue and well at the far end of its runner."""
    twins = (("basin", Role.BASIN), ("sprue", Role.SPRUE), ("well", Role.WELL))
    return plus(GOOD, *(
        Body(name=f"{name}-2", role=role, solid=body_of(name).moved((208.0, 0.0, 0.0)))
        for name, role in twins
    ))  # fmt: skip


def tall_gate():
    """Return the system with a gate that climbs and lets metal in near the plate's top."""
    return edit(
        "ingate-1",
        lambda _: (
            Solid.box((58.75, 1.0, -0.5), (81.25, 7.5, 28.0))
            + Solid.box((58.75, 1.0, 24.0), (81.25, 30.5, 28.0))
        ),
    )


def narrow_gates(*names):
    """Return the system with some gates 40 % narrower."""
    rigging = GOOD
    for name in names:
        rigging = with_solid(rigging, name, _narrowed)
    return rigging


def _narrowed(solid):
    x = 0.5 * (solid.bounds[0, 0] + solid.bounds[1, 0])
    return solid & Solid.box((x - 6.75, -100.0, -10.0), (x + 6.75, 100.0, 10.0))


def with_filter(size_mm, z=-6.0):
    """Return the system with a filter print across its runner."""
    half = 0.5 * size_mm
    box = Solid.box((25.0, -half, z - half), (35.0, half, z + half))
    return plus(GOOD, Body(name="filter", role=Role.FILTER, solid=box))


def bypassed_filter():
    """Return the system with a filter, and a small channel from before it to behind it."""
    ways = [
        Solid.box((16.0, 6.0, -10.0), (20.0, 20.0, -6.0)),
        Solid.box((16.0, 16.0, -10.0), (44.0, 20.0, -6.0)),
        Solid.box((40.0, 6.0, -10.0), (44.0, 20.0, -6.0)),
    ]
    solid = Solid.union(ways)
    path = np.array([(18.0, 6.0, -8.0), (18.0, 18.0, -8.0), (42.0, 18, -8), (42.0, 6.0, -8.0)])
    return plus(
        with_filter(24.0), Body(name="runner-2", role=Role.RUNNER, solid=solid, path_mm=path)
    )


def filter_plan(size_mm):
    one = FilterPlan(at_mm=(30, 0, -6), length_mm=size_mm, width_mm=size_mm, thickness_mm=10)
    return dataclasses.replace(good_plan(), filters=(one,))


def plan_without_air_cores():
    plan = good_plan()
    feeders = tuple(dataclasses.replace(f, has_air_core=False) for f in plan.feeders)
    return dataclasses.replace(plan, feeders=feeders)


def cup_plan():
    plan = good_plan()
    return dataclasses.replace(plan, basin=dataclasses.replace(plan.basin, kind="cup"))


FAIL, WARN = Verdict.FAIL, Verdict.WARN

# name of the case: broken system, plan, check that must find it, verdict, part, place
CASES = {
    "runner 0.3 mm too low for its gates": (
        edit("runner-1", lambda solid: solid.moved((0.0, 0.0, -0.8))), None,
        "gating/ingates-are-reached", FAIL, "ingate-1", (70.0, 4.25, -0.65),
    ),
    "the same, seen as a gap": (
        edit("runner-1", lambda solid: solid.moved((0.0, 0.0, -0.8))), None,
        "gating/no-near-miss", FAIL, "runner-1", (130.0, -4.25, -0.65),
    ),
    "runner stops 0.3 mm short of the next": (
        runner_in_two(0.3), None, "gating/channels-are-reached", FAIL, "runner-2",
        (100.15, 0.0, -6.0),
    ),
    "gates behind that gap": (
        runner_in_two(0.3), None, "gating/ingates-are-reached", FAIL, "ingate-2",
        (130.0, 16.0, 2.0),
    ),
    "runner sawn through": (
        cut("runner-1", (99.85, -10.0, -20.0), (100.15, 10.0, 5.0)), None,
        "gating/channels-are-reached", FAIL, "runner-1", (100.0, 0.0, -6.0),
    ),
    "gate ends 0.2 mm before its casting": (
        cut("ingate-2", (110.0, 29.8, -1.0), (150.0, 40.0, 10.0)), None,
        "gating/nothing-dangles", FAIL, "ingate-2", (130.0, 29.9, 2.0),
    ),
    "gate touches the runner along an edge": (
        kissing_gate(), None, "gating/no-near-miss", FAIL, "runner-1", (70.0, 7.5, 0.0),
    ),
    "second casting has no gates": (
        without(GOOD, "ingate-3", "ingate-4"), None,
        "gating/castings-are-reached", FAIL, "casting-2", (100.0, -60.0, 15.0),
    ),
    "runner left out": (
        without(GOOD, "runner-1"), None, "gating/castings-are-reached", FAIL, "casting-1",
        (100.0, 60.0, 15.0),
    ),
    "runner 0.05 mm too low for its gates": (
        edit("runner-1", lambda solid: solid.moved((0.0, 0.0, -0.55))), None,
        "gating/ingates-are-reached", FAIL, "ingate-1", (70.0, 4.25, -0.53),
    ),
    "gate ends in a point on the wall": (
        pointed_gate(0.0), None, "gating/nothing-dangles", FAIL, "ingate-1", (70.0, 30.0, 2.0),
    ),
    "gate's point pricks the wall": (
        pointed_gate(0.05), None, "gating/nothing-dangles", FAIL, "ingate-1", (70.0, 30.0, 2.0),
    ),
    "gate's point a little way in": (
        pointed_gate(0.6), None, "gating/contacts-are-as-wide-as-channels", FAIL, "ingate-1",
        (70.0, 30.0, 2.0),
    ),
    "runner runs into a casting": (
        add("runner-1", (100.0, 0.0, -12.0), (112.0, 45.0, 6.0)), None,
        "gating/castings-have-ingates", WARN, "runner-1", (106.0, 37.5, 3.0),
    ),
    "a second runner in the place of the first": (
        plus(GOOD, Body(name="runner-9", role=Role.RUNNER, solid=body_of("runner-1"))), None,
        "gating/no-near-miss", FAIL, "runner-1", (100.0, 0.0, -6.0),
    ),
    "runner inside a casting": (
        plus(GOOD, Body(name="runner-9", role=Role.RUNNER,
                        solid=Solid.box((100, 50, 5), (110, 60, 15)))), None,
        "gating/channels-are-reached", FAIL, "runner-9", (105.0, 55.0, 10.0),
    ),
    "castings touch": (
        add("casting-1", (95.0, -30.0, 10.0), (105.0, 35.0, 20.0)), None,
        "gating/castings-stand-apart", FAIL, "casting-1", (100.0, -30.0, 15.0),
    ),
    "castings overlap": (
        add("casting-1", (95.0, -31.0, 10.0), (105.0, 35.0, 20.0)), None,
        "gating/castings-stand-apart", FAIL, "casting-1", (100.0, -30.5, 15.0),
    ),
    "castings 2 mm apart": (
        add("casting-1", (95.0, -28.0, 10.0), (105.0, 35.0, 20.0)), None,
        "gating/castings-stand-apart", FAIL, "casting-1", (100.0, -29.0, 15.0),
    ),
    "a second sprue": (
        second_sprue(), None, "gating/choke-is-not-too-wide", WARN, "sprue-2", ANYWHERE,
    ),
    "basin 0.05 mm over its sprue": (
        edit("basin", lambda solid: solid.moved((0.0, 0.0, 0.55))), None,
        "gating/castings-are-reached", FAIL, "casting-1", (100.0, 60.0, 15.0),
    ),
    "sprue left out": (
        without(GOOD, "sprue"), None, "gating/bottleneck-is-the-choke", FAIL, "", ANYWHERE,
    ),
    "casting taken away from its gate": (
        edit("casting-1", lambda solid: solid - Solid.box((110, 25, -1), (160, 50, 12))), None,
        "gating/nothing-dangles", FAIL, "ingate-2", (130.0, 16.0, 2.0),
    ),
    "feeder hangs 0.3 mm over its casting": (
        edit("F2", lambda solid: solid.moved((0.0, 0.0, 0.8))), None,
        "gating/feeders-are-reached", FAIL, "F2", (90.0, -60.0, 30.15),
    ),
    "gate's foot cut to a sliver": (
        cut("ingate-1", (50.0, 0.0, -1.0), (77.0, 8.0, 0.0)), None,
        "gating/contacts-are-as-wide-as-channels", FAIL, "ingate-1", (79.1, 4.25, -0.25),
    ),
    "neck of 40 % inside the runner": (
        cut("runner-1", (98.0, -10.0, -20.0), (101.0, -1.5, 5.0)), None,
        "gating/no-neck-in-channels", FAIL, "runner-1", (99.5, 3.0, -6.0),
    ),
    "whole runner 40 % smaller": (
        cut("runner-1", (-1.0, -10.0, -20.0), (300.0, -1.5, 5.0)), None,
        "gating/ratio-of-runners", WARN, "runners", ANYWHERE,
    ),
    "bottleneck inside the runner": (
        cut("runner-1", (40.0, -10.0, -20.0), (44.0, 3.0, 5.0)), None,
        "gating/bottleneck-is-the-choke", FAIL, "runner-1", (42.0, 5.25, -6.0),
    ),
    "sprue's foot 40 % smaller": (
        edit("sprue", lambda _: sprue_solid(foot=0.6 * CHOKE)), None,
        "gating/bottleneck-is-the-choke", FAIL, "sprue", (0.0, 0.0, 0.0),
    ),
    "sprue's foot twice as large": (
        edit("sprue", lambda _: sprue_solid(foot=2.0 * CHOKE)), None,
        "gating/choke-is-not-too-wide", WARN, "sprue", (0.0, 0.0, 0.0),
    ),
    "sprue stands on its head": (
        edit("sprue", lambda solid: solid.turned((180.0, 0.0, 0.0)).moved((0.0, 0.0, FLOOR))), None,
        "gating/sprue-sucks-no-air", FAIL, "sprue", (0.0, 0.0, 0.0),
    ),
    "sprue without taper": (
        edit("sprue", lambda _: turned([CHOKE, CHOKE], [-0.5, FLOOR + 0.5])), None,
        "gating/sprue-sucks-no-air", FAIL, "sprue", (0.0, 0.0, 0.0),
    ),
    "sprue with a straight taper": (
        edit("sprue", lambda _: Solid.hull_of(sprue_solid().mesh()[0])), None,
        "gating/sprue-follows-the-stream", WARN, "sprue", (0.0, 0.0, 105.0),
    ),
    "runner leads back into itself": (
        second_runner(), None, "gating/no-loop-in-runners", FAIL, "runner-1", (105.0, -12.0, -6.0),
    ),
    "ring-shaped runner": (
        ring_runner(), None, "gating/no-loop-in-runners", FAIL, "runner-1", (180.0, 0.0, -6.0),
    ),
    "all gates 40 % narrower": (
        narrow_gates("ingate-1", "ingate-2", "ingate-3", "ingate-4"), None,
        "gating/gate-speed-below-critical", WARN, "ingate-1", (70.0, 19.0, 2.0),
    ),
    "the same, seen as a ratio": (
        narrow_gates("ingate-1", "ingate-2", "ingate-3", "ingate-4"), None,
        "gating/ratio-of-ingates", WARN, "ingates", ANYWHERE,
    ),
    "gates of one casting 40 % narrower": (
        narrow_gates("ingate-3", "ingate-4"), None,
        "gating/castings-fill-alike", WARN, "casting-2", (70.0, -30.0, 2.0),
    ),
    "one gate far too large": (
        with_solid(
            narrow_gates("ingate-1", "ingate-3", "ingate-4"), "ingate-2",
            lambda solid: solid + Solid.box((90.0, 1.0, -0.5), (150.0, 7.5, 10.0))
            + Solid.box((90.0, 1.0, 0.0), (150.0, 30.5, 10.0)),
        ), None, "gating/gates-share-the-flow", FAIL, "ingate-2", (120.0, 30.0, 5.0),
    ),
    "runner ends at its last gate": (
        cut("runner-1", (138.0, -10.0, -20.0), (300.0, 10.0, 5.0)), None,
        "gating/runner-goes-past-last-gate", WARN, "runner-1", (138.0, 0.0, -6.0),
    ),
    "runner with a ceiling over its gates": (
        add("runner-1", (20.0, -7.5, -1.0), (50.0, 7.5, 40.0)), None,
        "gating/runner-runs-full", WARN, "runner-1", (35.0, 0.0, 40.0),
    ),
    "narrow well": (
        edit("well", lambda _: column(0.0, 0.0, -24.0, 0.0, 8.0)), None,
        "gating/well-is-wide-enough", WARN, "well", (0.0, 0.0, -12.0),
    ),
    "shallow well": (
        edit("well", lambda _: column(0.0, 0.0, -13.0, 0.0, 12.0)), None,
        "gating/well-is-deep-enough", WARN, "well", (0.0, 0.0, -6.5),
    ),
    "cup instead of a basin": (
        GOOD, cup_plan(), "gating/basin-is-no-funnel", WARN, "basin", (20.0, 0.0, 180.0),
    ),
    "no basin": (
        without(GOOD, "basin"), None, "gating/basin-is-no-funnel", WARN, "sprue",
        (0.0, 0.0, FLOOR + 0.5),
    ),
    "casting nearly as high as the basin": (
        add("casting-1", (60.0, 40.0, 29.0), (75.0, 80.0, LEVEL - 10.0)), None,
        "gating/head-fills-the-mold", FAIL, "casting-1", (60.0, 40.0, LEVEL - 10.0),
    ),
    "wall 4 mm before a gate": (
        cut("casting-1", (50.0, 34.0, -1.0), (100.0, 50.0, 20.0)), None,
        "gating/gates-clear-of-wall-opposite", WARN, "ingate-1", (70.0, 30.25, 2.0),
    ),
    "gate thicker than its wall": (
        cut("casting-1", (50.0, 25.0, 3.0), (100.0, 40.0, 40.0)), None,
        "gating/gates-break-off", WARN, "ingate-1", (70.0, 30.25, 1.5),
    ),
    "vent ends in the sand": (
        cut("vent-1", (0.0, 0.0, 150.0), (300.0, 300.0, 300.0)), None,
        "gating/vents-are-open", FAIL, "vent-1", (140.0, 80.0, 150.0),
    ),
    "runner swollen toward a casting": (
        add("runner-1", (105.0, 0.0, -12.0), (115.0, 18.0, -1.0)), None,
        "gating/channels-keep-off-castings", WARN, "runner-1", (110.0, 24.0, -0.5),
    ),
    "two gates 3 mm apart": (
        add("ingate-1", (80.0, 8.0, 0.0), (115.5, 29.0, 4.0)), None,
        "gating/channels-keep-their-sand", FAIL, "ingate-1", (117.0, 18.0, 2.0),
    ),
    "filter print against a gate": (
        plus(GOOD, Body(name="filter", role=Role.FILTER,
                        solid=Solid.box((44.0, 8.5, -13.0), (54.5, 29.0, 11.0))
                        + Solid.box((44.0, 6.0, -10.0), (50.0, 9.0, -2.0)))), None,
        "gating/channels-keep-their-sand", FAIL, "filter", (56.5, 19.0, 2.0),
    ),
    "vent 3 mm beside another": (
        plus(GOOD, Body(name="vent-3", role=Role.VENT,
                        solid=column(127.0, 80.0, 29.5, LEVEL, 5.0))), None,
        "gating/vents-keep-their-sand", WARN, "vent-1", (133.5, 80.0, 115.0),
    ),
    "vent 3 mm beside a feeder": (
        edit("vent-1", lambda solid: solid.moved((-50.0 + 26.0, -20.0, 0.0))), None,
        "gating/vents-keep-their-sand", WARN, "vent-1", ANYWHERE,
    ),
    "vent hangs over an edge": (
        edit("vent-1", lambda solid: solid.moved((8.5, 0.0, 0.0))), None,
        "gating/vents-stand-on-metal", WARN, "vent-1", (148.5, 80.0, 30.0),
    ),
    "vent left out": (
        without(GOOD, "vent-1"), None, "gating/vents-match-the-choke", WARN, ANYWHERE, ANYWHERE,
    ),
    "vent 0.4 mm beside a feeder": (
        edit("vent-1", lambda solid: solid.moved((-26.6, -20.0, 0.0))), None,
        "gating/no-near-miss", FAIL, "F1", ANYWHERE,
    ),
    "filter too small": (
        with_filter(20.0), filter_plan(20.0), "gating/filter-is-large-enough", FAIL, "filter",
        (30.0, 0.0, -6.0),
    ),
    "filter high under the basin": (
        with_filter(60.0, z=140.0), filter_plan(60.0),
        "gating/filter-is-primed", WARN, "filter", (30.0, 0.0, 140.0),
    ),
    "plate so wide that the level hardly rises": (
        add("casting-1", (50.0, 30.0, 5.0), (450.0, 330.0, 10.0)), None,
        "fill/level-keeps-rising", WARN, "casting-1", (220.0, 156.0, 7.0),
    ),
    "a way round the filter": (
        bypassed_filter(), filter_plan(24.0),
        "gating/filters-are-not-bypassed", FAIL, "filter", (30.0, 0.0, -6.0),
    ),
}  # fmt: skip

FILL_CASES = {
    "gate high over the floor": (
        tall_gate(), None, "fill/no-falls", WARN, "casting-1", (70.0, 31.0, 26.0),
    ),
    "vent and air core closed": (
        without(GOOD, "vent-1"), plan_without_air_cores(),
        "fill/no-trapped-air", FAIL, "F1", (90.0, 60.0, 90.0),
    ),
    "second casting stays empty": (
        without(GOOD, "ingate-3", "ingate-4"), None,
        "fill/everything-fills", FAIL, "", ANYWHERE,
    ),
    "boss beside the feeder has no vent": (
        add("casting-1", (125.0, 35.0, 29.0), (148.0, 60.0, 55.0)), None,
        "fill/no-trapped-air", FAIL, "casting-1", (136.5, 47.5, 55.0),
    ),
}  # fmt: skip


def test_the_good_system_passes_everything():
    findings = judge(GOOD, good_plan(), with_fill=True)
    bad = [
        (finding.id, finding.message)
        for one in findings.values()
        for finding in one
        if finding.verdict not in (Verdict.PASS, Verdict.SKIP)
    ]
    assert bad == []
    said = [name for name, one in findings.items() if one[0].verdict is Verdict.PASS]
    assert len(said) > 30


@pytest.mark.parametrize("case", CASES)
def test_broken_system_is_found(case):
    _look(*CASES[case], with_fill=False)


@pytest.mark.parametrize("case", FILL_CASES)
def test_broken_fill_is_found(case):
    _look(*FILL_CASES[case], with_fill=True)


def _look(rigging, plan, check_id, verdict, part, place, *, with_fill):
    findings = judge(rigging, plan or good_plan(), with_fill=with_fill)
    missed = [finding for finding in findings[check_id] if finding.verdict is verdict]
    assert missed, [(f.verdict, f.message, f.value) for f in findings[check_id]]
    mine = [finding for finding in missed if part in (ANYWHERE, finding.part)]
    assert mine, [(f.part, f.message) for f in missed]
    assert all(finding.remedy and finding.source for finding in mine)
    if place is not ANYWHERE:
        far = [np.linalg.norm(np.subtract(f.at_mm, place)) for f in mine if f.at_mm]
        assert far, [f.at_mm for f in mine]
        assert min(far) < 12.0, [(f.at_mm, f.message) for f in mine]


def test_a_vent_on_a_runner_is_judged_like_any_other():
    vent = Body(name="vent-9", role=Role.VENT, solid=column(100.0, 0.0, -1.0, 210.0, 6.0))
    findings = judge(plus(GOOD, vent), good_plan())
    assert findings["gating/castings-are-reached"][0].verdict is Verdict.PASS


def test_a_jet_onto_a_chill_names_it():
    hollow = cut("casting-1", (50.0, 34.0, -1.0), (100.0, 50.0, 20.0))
    block = Solid.box((50.0, 34.0, -1.0), (100.0, 50.0, 20.0))
    chilled = dataclasses.replace(
        hollow, inserts=(Insert(name="C1", material="iron", solid=block),)
    )
    said = [f.message for f in judge(chilled, good_plan())["gating/gates-clear-of-wall-opposite"]]
    assert any("strikes C1" in message for message in said)
    said = [f.message for f in judge(hollow, good_plan())["gating/gates-clear-of-wall-opposite"]]
    assert any("strikes the sand" in message for message in said)


def test_a_straight_taper_is_a_third_too_wide_midway():
    """Ends 40 and 200 mm under the level; cone against A ~ z^-1/2."""
    heights = np.linspace(0.0, FLOOR, 400)
    ends = np.sqrt([stream_area(0.0), stream_area(FLOOR)])
    cone = (ends[0] + (ends[1] - ends[0]) * heights / FLOOR) ** 2
    (finding,) = judge(CASES["sprue with a straight taper"][0], good_plan())[
        "gating/sprue-follows-the-stream"
    ]
    want = float((cone / stream_area(heights)).max())
    assert abs(finding.value - want) < 0.02
