"""Small castings and the records around them, for tests of the mold stage."""

import numpy as np

from moldprep.geometry.solid import Solid
from moldprep.jobfile import make_job
from moldprep.mold.cut import cut_mold
from moldprep.records import (
    Alloy,
    Body,
    Insert,
    Metal,
    Parting,
    Pattern,
    Placement,
    Printer,
    PullChoice,
    Rigging,
    RiggingPlan,
    Role,
    Sand,
)
from moldprep.records.catalog import Binder

STEEL = Alloy.model_construct(
    id="steel",
    family="steel",
    solidus_c=1400.0,
    density_kg_m3=7800.0,
    density_liquid_kg_m3=7000.0,
    constant_s_mm2=2.2,
    surface_tension_n_m=1.5,
    mold_wall_mm=(40.0, 75.0),
)
SILICA = Sand.model_construct(
    id="silica",
    density_kg_m3=1500.0,
    conductivity_w_mk=((20.0, 0.6), (1400.0, 0.9)),
    heat_j_kgk=((20.0, 900.0), (1400.0, 1200.0)),
    bend_strength_mpa=2.0,
    permeability_m2=1e-10,
    grain_mm=0.14,
    smallest_wall_mm=3.0,
    slenderness=5.0,
    smallest_opening_mm=10.0,
    binder=Binder(name="furan", pct_of_sand=1.5, gas_ml_g=10.0, fumes=""),
)
PRINTER = Printer.model_construct(
    id="big",
    box_mm=(1800.0, 1000.0, 700.0),
    wall_gap_mm=20.0,
    layer_mm=0.3,
    accuracy_mm=0.3,
    hand_kg=20.0,
    lift_kg=1500.0,
)


def casting_of(solid, name="casting"):
    return Body(name=name, role=Role.CASTING, solid=solid)


def rigging_of(casting, *bodies, inserts=(), material="iron"):
    """Return the rigging of one casting; bodies are (name, role, solid), inserts (name, solid)."""
    return Rigging(
        castings=(casting_of(casting),),
        bodies=tuple(Body(name=name, role=role, solid=solid) for name, role, solid in bodies),
        inserts=tuple(Insert(name=name, material=material, solid=body) for name, body in inserts),
    )


def plan_of(top_mm=0.0, **parts):
    empty = dict.fromkeys(
        ("runners", "ingates", "filters", "feeders", "chills", "vents", "reasons"), ()
    )
    single = dict.fromkeys(("basin", "sprue", "well"))
    return RiggingPlan(
        placements=(Placement(name="casting"),),
        pour_time_s=10.0,
        choke_mm2=300.0,
        ratio=(1.0, 2.0, 2.0),
        top_mm=top_mm,
        **{**empty, **single, **parts},
    )


def parting_at(z_mm, casting, cheeks_mm=()):
    chosen = PullChoice(pull=(0.0, 0.0, 1.0), z_mm=z_mm, score=0.0, terms=())
    return Parting(
        bodies=(casting_of(casting),),
        turn=np.hstack([np.eye(3), np.zeros((3, 1))]),
        z_mm=z_mm,
        chosen=chosen,
        runners_up=(),
        undercuts=(),
        reason="the test says so",
        cheeks_mm=tuple(cheeks_mm),
    )


def pattern_of(solid):
    none = np.zeros(solid.n_triangles, bool)
    return Pattern(
        solid=solid,
        extra=(),
        shrink=np.ones(3),
        stock_mm3=0.0,
        draft_mm3=0.0,
        is_machined=none,
        is_kept_clear=none.copy(),
        draft=(),
        undercuts=(),
    )


def metal_of(rigging):
    solid = Solid.union(body.solid for body in rigging.metal)
    return Metal(
        solid=solid,
        parts=tuple(body.name for body in rigging.metal),
        roles=tuple(body.role for body in rigging.metal),
        mass_kg=1.0,
        casting_kg=1.0,
        yield_pct=100.0,
    )


def mold_of(
    casting, *bodies, z_mm=0.0, inserts=(), material="iron", plan=None, sand=SILICA,
    printer=PRINTER, folder=".", cheeks_mm=(), **tables,
):  # fmt: skip
    """Return the mold of a casting with rigging bodies; `tables` are those of the job file."""
    rigging = rigging_of(casting, *bodies, inserts=inserts, material=material)
    job = make_job(
        {"name": "test", "alloy": "steel", "casting": {"file": "x.stl", "unit": "mm"}, **tables},
        folder=folder,
        where="test",
    )
    return cut_mold(
        metal_of(rigging), rigging, pattern_of(casting),
        parting_at(z_mm, casting, cheeks_mm), plan or plan_of(), job, STEEL, sand, printer,
    )  # fmt: skip


def sprue(x_mm, y_mm, z_low, z_high, radius_mm=10.0):
    solid = Solid.cone(radius_mm, 1.3 * radius_mm, z_high - z_low).moved((x_mm, y_mm, z_low))
    return ("sprue", Role.SPRUE, solid)
