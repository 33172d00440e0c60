"""Small castings on a grid, without the stages before it."""

import numpy as np

from moldprep.catalog import find
from moldprep.geometry.lattice import Lattice
from moldprep.geometry.occupancy import shares_of
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, Body, Grid, Job, Metal, Pattern, Rigging, Role, Sand, Survey

SAND = find(Sand, "silica-furan")


def job_for(alloy, **freezing):
    return Job.model_validate(
        {"alloy": alloy, "casting": {"file": "none.stl"}, "freezing": freezing}
    )


def pattern_of(solid):
    n = solid.n_triangles
    return Pattern(
        solid=solid,
        extra=(),
        shrink=np.ones(3),
        stock_mm3=0.0,
        draft_mm3=0.0,
        is_machined=np.zeros(n, bool),
        is_kept_clear=np.zeros(n, bool),
        draft=(),
        undercuts=(),
    )


def rigging_of(solid, bodies=(), inserts=()):
    casting = Body(name="casting", role=Role.CASTING, solid=solid)
    return Rigging(castings=(casting,), bodies=tuple(bodies), inserts=tuple(inserts))


def metal_of(rigging):
    return Metal(
        solid=Solid.union(body.solid for body in rigging.metal),
        parts=tuple(body.name for body in rigging.metal),
        roles=tuple(body.role for body in rigging.metal),
        mass_kg=1.0,
        casting_kg=1.0,
        yield_pct=100.0,
    )


def bare_survey(thin_mm):
    return Survey(
        sections=(),
        joins=(),
        label=np.zeros((1, 1, 1), np.uint8),
        pitch_mm=1.0,
        origin_mm=np.zeros(3),
        thin_mm=thin_mm,
        run_wall_mm=thin_mm,
    )


def grid_of(solid, pitch_mm, belt_mm, shift=0.0):
    """Return a grid whose cells lie `shift` of a cell off the body's corner."""
    low, high = solid.bounds
    lattice = Lattice.around(np.stack([low - belt_mm, high + belt_mm]), pitch_mm)
    n_x, n_y, n_z = (n + 1 for n in lattice.shape)
    origin = low - np.ceil(belt_mm / pitch_mm) * pitch_mm - shift * pitch_mm
    lattice = Lattice(origin, (n_x, n_y, n_z), pitch_mm)
    share = shares_of(solid, lattice)
    return Grid(
        label=(share > 0.0).astype(np.uint8),
        fraction=share,
        material=np.zeros(share.shape, np.uint8),
        materials=("silica-furan",),
        pitch_mm=pitch_mm,
        origin_mm=origin,
    )


def alloy_of(name):
    return find(Alloy, name)
