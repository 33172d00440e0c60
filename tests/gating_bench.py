"""A good gating system made by hand, to be broken by small edits.

Two plates of al-si7mg, one on each side of a runner in the drag; four gates in the cope on top of
the runner; a sprue that follows the falling stream; a well; an offset basin; on each plate one
blind feeder with an air core and one vent.
"""

import dataclasses

import numpy as np
from shapely.geometry import Polygon

from moldprep.catalog import find
from moldprep.checks import run_checks
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Body, Grid, Rigging, RiggingPlan, Role, Rules
from moldprep.records.plan import (
    BasinPlan,
    FeederPlan,
    IngatePlan,
    Placement,
    RunnerPlan,
    SpruePlan,
    VentPlan,
    WellPlan,
)
from moldprep.results import Results
from moldprep.rigging.fill import trace_fill
from moldprep.rigging.flow import trace_flow
from moldprep.rigging.metal import join_metal

ALLOY = find(Alloy, "al-si7mg")
SHOP = find(Rules, "usual")
RULES = SHOP.model_copy(update={"settings": {**SHOP.settings, "channel_wall_mm": 20.0}})
RIDGE = 2.5  # half the sand between gates that leave the runner to both sides
LEVEL, FLOOR, CHOKE = 200.0, 160.0, 90.0  # metal in the basin, its floor, sprue foot
GATES_X = (70.0, 130.0)


def stream_area(z, level=LEVEL, foot=CHOKE):
    """Area of the falling stream that has `foot` at z = 0."""
    return foot * np.sqrt(level / (level - z))


def turned(areas, heights):
    """Return a body of circular sections, about the z axis; areas hold exactly at 64 facets."""
    exact = np.pi / (32.0 * np.sin(2.0 * np.pi / 64.0))  # circle over 64-gon of one radius
    radii = np.sqrt(np.asarray(areas) * exact / np.pi)
    outline = [(0.0, heights[0]), *zip(radii, heights, strict=True), (0.0, heights[-1])]
    return Solid.revolve(Polygon(outline))


def sprue_solid(level=LEVEL, foot=CHOKE):
    z = np.linspace(0.0, FLOOR, 40)
    areas = stream_area(z, level, foot)
    return turned([areas[0], *areas, areas[-1]], [-0.5, *z, FLOOR + 0.5])


def gate_body(name, x, side):
    """Gate over half the runner's width, 0.5 mm into runner and plate; 22.5 x 4 mm."""
    low, high = sorted((RIDGE * side, 7.5 * side))
    over = Solid.box((x - 11.25, low, -0.5), (x + 11.25, high, 4.0))
    low, high = sorted((RIDGE * side, 30.5 * side))
    solid = over + Solid.box((x - 11.25, low, 0.0), (x + 11.25, high, 4.0))
    path = np.array([(x, RIDGE * side, 2.0), (x, 30.5 * side, 2.0)])
    return Body(name=name, role=Role.INGATE, solid=solid, path_mm=path)


def column(x, y, z_low, z_high, radius):
    return Solid.cone(radius, radius, z_high - z_low).moved((x, y, z_low))


def plate(side):
    low, high = sorted((30.0 * side, 90.0 * side))
    return Solid.box((50.0, low, 0.0), (150.0, high, 30.0))


def good_rigging():
    """Return the castings and every body of the system."""
    castings = tuple(
        Body(name=f"casting-{k + 1}", role=Role.CASTING, solid=plate(side))
        for k, side in enumerate((1, -1))
    )
    basin = Solid.box((-20.0, -20.0, FLOOR), (60.0, 20.0, LEVEL))
    bodies = [
        Body(name="basin", role=Role.BASIN, solid=basin),
        Body(
            name="sprue",
            role=Role.SPRUE,
            solid=sprue_solid(),
            path_mm=np.array([(0.0, 0.0, FLOOR), (0.0, 0.0, 0.0)]),
        ),
        Body(name="well", role=Role.WELL, solid=column(0.0, 0.0, -24.0, 0.0, 12.0)),
        Body(
            name="runner-1",
            role=Role.RUNNER,
            solid=Solid.box((0.0, -7.5, -12.0), (200.0, 7.5, 0.0)),
            path_mm=np.array([(0.0, 0.0, -6.0), (200.0, 0.0, -6.0)]),
        ),
    ]
    for k, (side, x) in enumerate((s, x) for s in (1, -1) for x in GATES_X):
        bodies.append(gate_body(f"ingate-{k + 1}", x, side))
    for k, side in enumerate((1, -1)):
        feeder = column(90.0, 60.0 * side, 29.5, 90.0, 18.0)
        dimple = column(90.0, 60.0 * side, 80.0, 91.0, 4.0)
        bodies.append(Body(name=f"F{k + 1}", role=Role.FEEDER, solid=feeder - dimple))
        bodies.append(
            Body(
                name=f"vent-{k + 1}",
                role=Role.VENT,
                solid=column(140.0, 80.0 * side, 29.5, LEVEL, 5.0),
                path_mm=np.array([(140.0, 80.0 * side, 30.0), (140.0, 80.0 * side, LEVEL)]),
            )
        )
    return Rigging(castings=castings, bodies=tuple(bodies), inserts=())


def good_plan():
    """Return the plan that goes with it."""
    return RiggingPlan(
        placements=(Placement(name="casting-1"), Placement(name="casting-2")),
        pour_time_s=4.5,
        choke_mm2=CHOKE,
        ratio=(1.0, 2.0, 4.0),
        top_mm=LEVEL,
        basin=BasinPlan(length_mm=80.0, width_mm=40.0, depth_mm=40.0),
        sprue=SpruePlan(
            at_mm=(0.0, 0.0, 0.0),
            top_mm=FLOOR,
            foot_area_mm2=CHOKE,
            top_area_mm2=float(stream_area(FLOOR)),
        ),
        well=WellPlan(at_mm=(0.0, 0.0, -24.0), diameter_mm=24.0, depth_mm=24.0),
        runners=(
            RunnerPlan(
                name="runner-1",
                path_mm=((0.0, 0.0, -12.0), (200.0, 0.0, -12.0)),
                width_mm=15.0,
                height_mm=12.0,
                side_deg=0.0,
            ),
        ),
        ingates=tuple(
            IngatePlan(
                name=f"ingate-{k + 1}",
                path_mm=((x, 0.0, 0.0), (x, 30.5 * side, 0.0)),
                width_mm=22.5,
                height_mm=4.0,
                into="casting-1" if side > 0 else "casting-2",
            )
            for k, (side, x) in enumerate((s, x) for s in (1, -1) for x in GATES_X)
        ),
        filters=(),
        feeders=tuple(
            FeederPlan(
                name=f"F{k + 1}",
                kind="top",
                at_mm=(90.0, 60.0 * side, 30.0),
                diameter_mm=36.0,
                height_mm=60.0,
            )
            for k, side in enumerate((1, -1))
        ),
        chills=(),
        vents=tuple(
            VentPlan(name=f"vent-{k + 1}", at_mm=(140.0, 80.0 * side, 30.0), diameter_mm=10.0)
            for k, side in enumerate((1, -1))
        ),
        reasons=(),
    )


def with_solid(rigging, name, change):
    """Return the rigging with one body's solid changed."""
    return dataclasses.replace(
        rigging,
        castings=tuple(_changed(body, name, change) for body in rigging.castings),
        bodies=tuple(_changed(body, name, change) for body in rigging.bodies),
    )


def without(rigging, *names):
    """Return the rigging less some bodies."""
    kept = tuple(body for body in rigging.bodies if body.name not in names)
    return dataclasses.replace(rigging, bodies=kept)


def plus(rigging, *bodies):
    """Return the rigging with more bodies."""
    return dataclasses.replace(rigging, bodies=rigging.bodies + bodies)


def _changed(body, name, change):
    if body.name != name:
        return body
    return dataclasses.replace(body, solid=change(body.solid))


def grid_of(rigging, pitch_mm=2.0, belt=2):
    """Return the grid of a rigging, each cell labeled by the body with most of it."""
    low = np.min([body.solid.bounds[0] for body in rigging.metal], axis=0)
    high = np.max([body.solid.bounds[1] for body in rigging.metal], axis=0)
    count = np.ceil((high - low) / pitch_mm - 1e-6).astype(int) + 2 * belt
    lattice = Lattice(low - belt * pitch_mm, tuple(int(n) for n in count), pitch_mm)
    shares = np.stack([shares_of(body.solid, lattice) for body in rigging.metal])
    fraction = np.clip(shares.max(axis=0), 0.0, 1.0)
    label = np.where(fraction > 0.02, shares.argmax(axis=0) + 1, 0).astype(np.uint16)
    return Grid(
        label=label,
        fraction=np.where(label > 0, fraction, 0.0).astype(np.float32),
        material=np.zeros(label.shape, np.uint8),
        materials=("silica-furan",),
        pitch_mm=pitch_mm,
        origin_mm=lattice.origin_mm,
    )


def judge(rigging, plan, *, with_fill=False, pitch_mm=2.0):
    """Return the findings on a system, by id; filling it takes a second more."""
    flow = trace_flow(rigging, plan, ALLOY)
    metal = join_metal(rigging, ALLOY)
    results = Results(ALLOY, RULES, rigging, plan, flow, metal)
    if with_fill:
        grid = grid_of(rigging, pitch_mm)
        results = results.plus(trace_fill(grid, metal, flow, rigging, ALLOY))
    findings = {}
    for finding in run_checks(results, only=("gating", "fill")).findings:
        findings.setdefault(finding.id, []).append(finding)
    return findings
