"""A whole small job made by hand from boxes and cylinders: every record, no stage but the box."""

import re
from dataclasses import MISSING, fields
from pathlib import Path

import networkx as nx
import numpy as np

from moldprep.catalog import load_catalog
from moldprep.findings import Finding, Review, Verdict
from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.printing.box import pack_boxes
from moldprep.records import (
    AirPocket,
    AssemblyStep,
    BasinPlan,
    Body,
    Casting,
    CavityRise,
    ChannelFlow,
    Contact,
    DraftFact,
    FeederPlan,
    Feeding,
    FeedPair,
    FeedSection,
    Fill,
    FlowGraph,
    Freezing,
    Gap,
    Grid,
    Handling,
    HotSpot,
    IngatePlan,
    Metal,
    Mold,
    Parting,
    Pattern,
    Piece,
    PieceFacts,
    Placement,
    Printer,
    PullChoice,
    Reason,
    Repair,
    Rigging,
    RiggingPlan,
    Role,
    Round,
    RunnerPlan,
    Sand,
    Section,
    SpruePlan,
    Survey,
    WellPlan,
)
from moldprep.records.casting import Undercut
from moldprep.results import Results, Timings
from moldprep.units import mass_kg

NEUTRAL = {"tuple": (), "float": float("nan"), "bool": False, "str": "", "frozenset": frozenset()}


def filled(kind, **given):
    """Return a record with what is given; what no test here looks at is left neutral."""
    wanted = [f for f in fields(kind) if f.default is MISSING and f.name not in given]
    blank = {
        f.name: NEUTRAL[re.match("[a-z]+", str(f.type).removeprefix("<class '"))[0]]
        for f in wanted
        if f.default_factory is MISSING
    }
    return kind(**blank, **given)


GAP_MM = 0.3
PITCH_MM = 5.0


def casting_solid():
    return Solid.box((0, 0, -20), (100, 60, 20)) - Solid.cone(15, 15, 60).moved((30, 30, -30))


def write_stl(folder, name="plate.stl"):
    from moldprep.export.formats.stl import write
    from moldprep.export.printable import printable

    path = Path(folder) / name
    write([printable("plate", "casting", casting_solid())], path, "plate")
    return path


def handmade_job(folder, **keys):
    table = {"name": "plate", "alloy": "carbon-steel", "casting": {"file": "plate.stl"}, **keys}
    table["casting"] = {"unit": "mm", **table["casting"]}
    return make_job(table, folder=Path(folder), where="handmade")


def rigging_of(pattern):
    bodies = (
        Body(name="sprue", role=Role.SPRUE, solid=Solid.cone(12, 16, 140).moved((-60, 30, -20))),
        Body(name="runner-1", role=Role.RUNNER, solid=Solid.box((-70, 20, -15), (-30, 40, 0))),
        Body(name="ingate-1", role=Role.INGATE, solid=Solid.box((-31, 22, -10), (1, 38, 0))),
        Body(name="F1", role=Role.FEEDER, solid=Solid.cone(22, 20, 90).moved((75, 30, 19))),
    )
    placed = Body(name="casting", role=Role.CASTING, solid=pattern)
    return Rigging(castings=(placed,), bodies=bodies, inserts=())


def grid_of(rigging):
    """Label the cells of the boxes by plain comparison of extents: close enough for a page."""
    low, shape = np.array([-100.0, -40.0, -60.0]), (48, 28, 44)
    center = [low[k] + (np.arange(shape[k]) + 0.5) * PITCH_MM for k in range(3)]
    x, y, z = np.meshgrid(*center, indexing="ij")
    label = np.zeros(shape, np.uint16)
    for k, body in reversed(list(enumerate(rigging.metal, start=1))):
        (x0, y0, z0), (x1, y1, z1) = body.solid.bounds
        inside = (x > x0) & (x < x1) & (y > y0) & (y < y1) & (z > z0) & (z < z1)
        label[inside] = k
    return Grid(
        label=label,
        fraction=(label > 0).astype(np.float32),
        material=np.zeros(shape, np.uint8),
        materials=("silica-furan",),
        pitch_mm=PITCH_MM,
        origin_mm=low,
    )


def freezing_of(grid):
    from scipy import ndimage

    depth = ndimage.distance_transform_edt(grid.label > 0) * PITCH_MM
    time = np.where(grid.label > 0, depth**2, np.nan).astype(np.float32)
    return filled(
        Freezing,
        time_s=time,
        gradient_k_mm=np.ones_like(time),
        cooling_k_s=np.ones_like(time),
        niyama=np.ones_like(time),
        pitch_mm=PITCH_MM,
        n_cells=int((grid.label > 0).sum()),
        n_steps=321,
        heat_balance_error=2e-5,
        time_all_solid_s=float(np.nanmax(time)),
        shake_out_s=float("nan"),
    )


def mold_of(metal):
    block = Solid.box((-110, -50, -70), (150, 110, 120))
    sand = block - metal
    over, under = sand.split_at((0, 0, 1), 0.0)
    gap = sand & Solid.box((-200, -200, 0), (300, 300, GAP_MM))
    return Mold(
        block=block,
        metal=metal,
        pieces=(
            Piece(name="drag", role="drag", solid=under),
            Piece(name="cope", role="cope", solid=over - gap),
        ),
        clearances=(("joint", gap),),
        inserts_mm3=0.0,
        z_mm=0.0,
    )


def plan():
    return RiggingPlan(
        placements=(Placement(name="casting"),),
        pour_time_s=6.0,
        choke_mm2=452.0,
        ratio=(1.0, 2.0, 2.0),
        top_mm=120.0,
        basin=BasinPlan(length_mm=90.0, width_mm=60.0, depth_mm=50.0),
        sprue=SpruePlan(at_mm=(-60, 30, -20), top_mm=120.0, foot_area_mm2=452, top_area_mm2=804),
        well=WellPlan(at_mm=(-60, 30, -30), diameter_mm=48.0, depth_mm=20.0),
        runners=(
            RunnerPlan(
                name="runner-1", path_mm=((-60, 30, -15), (-30, 30, -15)), width_mm=20, height_mm=15
            ),
        ),
        ingates=(
            IngatePlan(
                name="ingate-1", path_mm=((-31, 30, -10), (1, 30, -10)), width_mm=16, height_mm=10
            ),
        ),
        filters=(),
        feeders=(
            FeederPlan(
                name="F1",
                kind="top",
                at_mm=(75, 30, 19),
                diameter_mm=44.0,
                height_mm=90.0,
                serves=("S2",),
                is_open=True,
            ),
        ),
        chills=(),
        vents=(),
        reasons=(Reason(item="F1", why="hot spot S2 has no other feed", source="Chvorinov 1940"),),
        rounds=(
            Round(
                number=1, changed="F1 grows", why="it froze early", left_mm3=120.0, yield_pct=58.0
            ),
        ),
    )


def flow_of(rigging):
    graph = nx.Graph()
    for body in rigging.metal:
        graph.add_node(body.name, role=body.role)
    joins = (("sprue", "runner-1"), ("runner-1", "ingate-1"), ("ingate-1", "casting"))
    contacts = tuple(
        Contact(a=a, b=b, area_mm2=160.0, need_mm2=150.0, at_mm=(0.0, 30.0, -5.0))
        for a, b in (*joins, ("F1", "casting"))
    )
    for contact in contacts:
        graph.add_edge(contact.a, contact.b, area_mm2=contact.area_mm2, at_mm=contact.at_mm)
    return filled(
        FlowGraph,
        graph=graph,
        contacts=contacts,
        near_misses=(),
        stations=(),
        reached=frozenset(graph.nodes),
        lost=(),
        dangling=(),
        bottleneck=("ingate-1",),
        bottleneck_mm2=160.0,
        bottleneck_at_mm=(-15.0, 30.0, -5.0),
        loops=(),
        channels=tuple(
            ChannelFlow(body=name, flow_mm3_s=1e5, speed_m_s=0.62, share=1.0, reynolds=11000.0)
            for name in ("sprue", "runner-1", "ingate-1")
        ),
        cavities=(
            CavityRise(
                parts=("casting", "F1"),
                inlets=("ingate-1",),
                course=np.array([[0.0, -20.0, 0.0, 1e5], [5.0, 120.0, 4e5, 2e4]]),
                shares=np.array([[1e5], [2e4]]),
                is_full=True,
            ),
        ),
        runners=(),
        mouths=(),
        ratio_mm2=(452.0, 300.0, 160.0),
        source_mm=160.0,
        prime_s=1.4,
        imbalance=0.0,
        pour_time_s=6.4,
        formula_times=(("steel", 6.0, "P. N. Rao, Manufacturing Technology vol. 1"),),
    )


def survey_of(grid):
    sections = tuple(
        Section(
            name=name,
            volume_mm3=volume,
            cooled_area_mm2=1e4,
            modulus_mm=modulus,
            freezing_time_s=1.28 * modulus**2,
            constant_s_mm2=1.28,
            shape="plate",
            thickness_mm=2 * modulus,
            at_mm=at_mm,
            hot_modulus_mm=modulus,
            hot_time_s=1.28 * modulus**2,
            order=order,
        )
        for name, volume, modulus, at_mm, order in (
            ("S1", 9e4, 9.0, (12.0, 30.0, 0.0), 1),
            ("S2", 12e4, 12.0, (75.0, 30.0, 0.0), 2),
        )
    )
    is_casting = grid.label == 1
    x = grid.origin_mm[0] + (np.arange(grid.label.shape[0]) + 0.5) * PITCH_MM
    label = np.where(is_casting, np.where(x[:, None, None] < 30.0, 1, 2), 0).astype(np.uint16)
    return Survey(
        sections=sections,
        joins=(),
        label=label,
        pitch_mm=PITCH_MM,
        origin_mm=np.array(grid.origin_mm),
        thin_mm=18.0,
        run_wall_mm=18.0,
    )


def section(name, part, volume_mm3, freezing_time_s, order):
    return FeedSection(
        name=name, part=part, volume_mm3=volume_mm3, freezing_time_s=freezing_time_s, order=order
    )


def feeding_of(grid):
    spot = HotSpot(
        name="H1",
        section="H1",
        part="casting",
        at_mm=(75.0, 30.0, 0.0),
        modulus_mm=12.5,
        freezing_time_s=210.0,
        fed_by="F1",
        closed_s=210.0,
        isolated_volume_mm3=0.0,
        hole_mm3=0.0,
        hole_at_mm=(75.0, 30.0, 20.0),
        section_volume_mm3=12e4,
        cure="",
    )
    pair = FeedPair(
        feeder="F1",
        section="H1",
        feeder_time_s=320.0,
        section_time_s=210.0,
        neck_time_s=float("nan"),
        feeder_modulus_mm=15.0,
        section_modulus_mm=12.5,
        feeder_volume_mm3=1.3e5,
        need_mm3=9e3,
        can_give_mm3=1.8e4,
        distance_mm=40.0,
        reach_mm=90.0,
        neck_mm=(75.0, 30.0, 20.0),
    )
    graph = nx.Graph()
    graph.add_edge("H1", "F1", time_s=205.0)
    return filled(
        Feeding,
        sections=(section("H1", "casting", 12e4, 210.0, 1), section("F1", "F1", 1.3e5, 320.0, 2)),
        hot_spots=(spot,),
        pairs=(pair,),
        graph=graph,
        label=np.zeros(grid.label.shape, np.uint16),
    )


def handling_of(mold, sand, density):
    facts = tuple(
        filled(
            PieceFacts,
            name=piece.name,
            role=piece.role,
            mass_kg=mass_kg(piece.solid.volume_mm3, density),
            size_mm=tuple(piece.solid.size_mm),
            center_of_mass_mm=tuple(piece.solid.centroid_mm),
            thinnest_mm=22.0,
            thinnest_at_mm=(0.0, 0.0, 10.0),
            slenderness=2.0,
            bend_stress_mpa=0.08,
            bend_at_mm=(0.0, 0.0, 10.0),
            pressure_pa=5e3,
            metal_n=(0.0, 0.0, 100.0),
            wall_mm=30.0,
            wall_span_mm=100.0,
            wall_stress_mpa=0.1,
            wall_at_mm=(0.0, 0.0, 10.0),
            loose_sand_mm3=0.0,
            loose_at_mm=(),
            hidden_mm2=0.0,
            hidden_at_mm=(),
        )
        for piece in mold.pieces
    )
    return filled(
        Handling,
        pieces=facts,
        cores=(),
        steps=(
            AssemblyStep(piece="drag", direction=(0, 0, 0), hits=(), text="Bed the drag level."),
            AssemblyStep(piece="cope", direction=(0, 0, -1), hits=(), text="Close the cope."),
        ),
        gaps=(
            Gap(
                a="cope",
                b="drag",
                gap_mm=GAP_MM,
                clearance_mm=GAP_MM,
                touching_mm2=0.0,
                at_mm=(0.0, 0.0, 0.0),
            ),
        ),
        level_mm=120.0,
        cope_lift_n=412.0,
        weight_factor=1.5,
        joint_head_mm=120.0,
        joint_holds_mm=90.0,
        cope_kg=facts[1].mass_kg,
        weight_kg=25.0,
        sand_kg=sum(one.mass_kg for one in facts),
        sand_to_metal=3.1,
    )


def handmade(folder, **keys):
    """Return every record of a plate with one feeder, and write its model into the folder."""
    write_stl(folder)
    job = handmade_job(folder, **keys)
    catalog = load_catalog(job)
    (sand,) = (thing for thing in catalog if isinstance(thing, Sand))
    (printer,) = (thing for thing in catalog if isinstance(thing, Printer))
    model = casting_solid()
    own = Body(name="casting", role=Role.CASTING, solid=model)
    pattern = model.scaled((1.02,) * 3)
    rigging = rigging_of(pattern)
    metal = Solid.union(body.solid for body in rigging.metal)
    grid, mold = grid_of(rigging), mold_of(metal)
    pull = PullChoice(pull=(0.0, 0.0, 1.0), z_mm=20.0, score=0.4, terms=(("height", 0.4),))
    n_facets = pattern.n_triangles
    fill = np.where(grid.label > 0, np.arange(grid.label.shape[2]) * 0.2, np.nan)
    mass = mass_kg(metal.volume_mm3, 7850.0)
    return Results(
        job,
        *catalog,
        Casting(
            bodies=(own,),
            file="plate.stl",
            sha256="0" * 64,
            unit="mm",
            repairs=(Repair(what="welded points", count=12),),
            deviation_mm=0.0,
            face_color=np.empty((0, 4), np.uint8),
        ),
        Parting(
            bodies=(own,),
            turn=np.eye(3, 4),
            z_mm=0.0,
            chosen=pull,
            runners_up=(pull,),
            undercuts=(),
            reason="lowest score: flat, nothing undercut",
        ),
        Pattern(
            solid=pattern,
            extra=(),
            shrink=np.full(3, 1.02),
            stock_mm3=0.0,
            draft_mm3=0.0,
            is_machined=np.zeros(n_facets, bool),
            is_kept_clear=np.zeros(n_facets, bool),
            draft=(
                DraftFact(
                    group="outer cope",
                    area_mm2=6e3,
                    smallest_deg=0.0,
                    height_mm=20.0,
                    at_mm=(0.0, 30.0, 10.0),
                ),
            ),
            undercuts=(Undercut(area_mm2=3.0, at_mm=(1.0, 2.0, 3.0), side="cope"),),
        ),
        survey_of(grid),
        plan(),
        rigging,
        flow_of(rigging),
        filled(
            Metal,
            solid=metal,
            parts=tuple(body.name for body in rigging.metal),
            roles=tuple(body.role for body in rigging.metal),
            mass_kg=mass,
            casting_kg=mass_kg(pattern.volume_mm3, 7850.0),
            yield_pct=100.0 * pattern.volume_mm3 / metal.volume_mm3,
        ),
        grid,
        filled(
            Fill,
            time_s=fill.astype(np.float32),
            level=np.array([[0.0, -20.0, 0.0], [3.0, 5.0, 0.62], [6.4, 120.0, 0.2]]),
            falls=(),
            meetings=(),
            pockets=(
                AirPocket(at_mm=(5.0, 30.0, 20.0), volume_mm3=900.0, vent="", vent_area_mm2=0.0),
            ),
            thin_runs=(),
            unfilled_mm3=0.0,
        ),
        freezing_of(grid),
        feeding_of(grid),
        mold,
        handling_of(mold, sand, sand.density_kg_m3),
        pack_boxes(mold, printer, sand, job),
        Timings(seconds=(("casting", 0.1), ("freezing", 1.5))),
    )


def handmade_review():
    return Review(
        findings=tuple(
            Finding(
                id=name,
                verdict=verdict,
                message=message,
                value=value,
                limit=limit,
                unit=unit,
                part=part,
                at_mm=at_mm,
                remedy=remedy,
                source=source,
            )
            for name, verdict, message, value, limit, unit, part, at_mm, remedy, source in (
                (
                    "feeding/feeder-outlasts-section", Verdict.PASS,
                    "F1 freezes at 1.5 x the time of H1", 1.5, 1.2, "-", "F1",
                    (75.0, 30.0, 20.0), "", "Wlodawer, Directional Solidification, 1966",
                ),
                (
                    "gating/gate-is-calm", Verdict.FAIL, "ingate-1 runs at 0.62 m/s <fast>",
                    0.62, 0.45, "m/s", "ingate-1", (-15.0, 30.0, -5.0), "widen the gate",
                    "Campbell, Complete Casting Handbook",
                ),
                (
                    "fill/air-gets-out", Verdict.WARN, "air caught at the top", 900.0, 500.0,
                    "mm³", "casting", (5.0, 30.0, 20.0), "add a vent", "common practice, no source",
                ),
                (
                    "mold/core-print-bears", Verdict.SKIP, "no core", float("nan"), 0.2, "MPa",
                    "", (), "", "common practice, no source",
                ),
            )
        )
    )  # fmt: skip
