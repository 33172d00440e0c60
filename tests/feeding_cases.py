"""Small castings with known feeding outcomes, put together from solids without a planner."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from moldprep.catalog import find
from moldprep.geometry.rays import Rays
from moldprep.geometry.solid import Solid
from moldprep.geometry.voxels import voxelize
from moldprep.jobfile import make_job
from moldprep.records import (
    Alloy,
    Body,
    FeederPlan,
    Feeding,
    Freezing,
    Grid,
    Insert,
    Metal,
    Parting,
    Pattern,
    Placement,
    PullChoice,
    RiggingPlan,
    Role,
    Sand,
    Section,
    SectionJoin,
    Survey,
)
from moldprep.rigging.build import build_rigging
from moldprep.rigging.metal import join_metal
from moldprep.thermal.feeding import trace_feeding
from moldprep.thermal.solidify import solidify

STEEL_C = 1.284


@dataclass(frozen=True)
class Piece:
    """One section of a made-up survey: its own solid, shape and thickness."""

    name: str
    solid: Solid
    shape: str
    thickness_mm: float
    modulus_mm: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Run:
    """Everything of one solve."""

    grid: Grid
    metal: Metal
    freezing: Freezing
    feeding: Feeding
    plan: RiggingPlan


def job_of(**tables):
    """Return a job; `max_cells` small, so that a solve takes a second or two."""
    table = {
        "name": "case",
        "alloy": "carbon-steel",
        "casting": {"file": "case.stl", "unit": "mm"},
        "freezing": {"max_cells": 150_000},
        **tables,
    }
    return make_job(table, folder=Path(), where="test")


def steel():
    return find(Alloy, "carbon-steel")


def sand():
    return find(Sand, "silica-furan")


def survey_of(pieces, joins=(), pitch_mm=4.0):
    """Return a survey with these sections; freezing times by t = C M²."""
    ranked = sorted(pieces, key=lambda piece: (piece.modulus_mm, piece.name))
    whole = Solid.union(piece.solid for piece in ranked)
    low, high = whole.bounds
    shape = tuple(int(n) for n in np.ceil((high - low) / pitch_mm) + 2)
    origin = low - pitch_mm
    label = np.zeros(shape, np.uint16)
    index = np.indices(shape).reshape(3, -1).T
    centers = origin + (index + 0.5) * pitch_mm
    sections = []
    for number, piece in enumerate(ranked, start=1):
        inside = Rays.of(piece.solid).is_inside(centers).reshape(shape)
        label[inside] = number
        volume = piece.solid.volume_mm3
        sections.append(
            Section(
                name=piece.name,
                volume_mm3=volume,
                cooled_area_mm2=volume / piece.modulus_mm,
                modulus_mm=piece.modulus_mm,
                freezing_time_s=STEEL_C * piece.modulus_mm**2,
                constant_s_mm2=STEEL_C,
                shape=piece.shape,
                thickness_mm=piece.thickness_mm,
                at_mm=piece.at_mm,
                hot_modulus_mm=piece.modulus_mm,
                hot_time_s=STEEL_C * piece.modulus_mm**2,
                order=number,
            )
        )
    return Survey(
        sections=tuple(sections),
        joins=tuple(
            SectionJoin(a=a, b=b, area_mm2=thick**2, thickness_mm=thick, at_mm=at)
            for a, b, thick, at in joins
        ),
        label=label,
        pitch_mm=pitch_mm,
        origin_mm=origin,
        thin_mm=min(piece.thickness_mm for piece in pieces),
        run_wall_mm=min(piece.thickness_mm for piece in pieces),
    )


def pattern_of(solid, kept=None, machined=None):
    """Return a pattern; `kept` and `machined` are functions of facet normals and middles."""
    points, faces = solid.mesh()
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    middle = (a + b + c) / 3.0
    none = np.zeros(len(faces), bool)
    return Pattern(
        solid=solid,
        extra=(),
        shrink=np.ones(3),
        stock_mm3=0.0,
        draft_mm3=0.0,
        is_machined=machined(normal, middle) if machined else none,
        is_kept_clear=kept(normal, middle) if kept else none.copy(),
        draft=(),
        undercuts=(),
    )


def parting_of(solid, z_mm):
    return Parting(
        bodies=(Body(name="casting", role=Role.CASTING, solid=solid),),
        turn=np.eye(4)[:3],
        z_mm=z_mm,
        chosen=PullChoice(pull=(0.0, 0.0, 1.0), z_mm=z_mm, score=0.0, terms=()),
        runners_up=(),
        undercuts=(),
        reason="test",
    )


def plan_of(feeders=(), chills=(), top_mm=200.0, placements=()):
    """Return a plan of feeders and chills alone."""
    return RiggingPlan(
        placements=placements or (Placement(name="casting"),),
        pour_time_s=10.0,
        choke_mm2=100.0,
        ratio=(1.0, 2.0, 2.0),
        top_mm=top_mm,
        basin=None,
        sprue=None,
        well=None,
        runners=(),
        ingates=(),
        filters=(),
        feeders=tuple(feeders),
        chills=tuple(chills),
        vents=(),
        reasons=(),
    )


def side_feeder(name, at_mm, diameter_mm, height_mm, neck_to_mm, neck=(0.0, 0.0), **more):
    return FeederPlan(
        name=name,
        kind="side",
        at_mm=at_mm,
        diameter_mm=diameter_mm,
        height_mm=height_mm,
        neck_to_mm=neck_to_mm,
        neck_width_mm=neck[0],
        neck_height_mm=neck[1],
        **more,
    )


def top_feeder(name, at_mm, diameter_mm, height_mm, **more):
    return FeederPlan(
        name=name, kind="top", at_mm=at_mm, diameter_mm=diameter_mm, height_mm=height_mm, **more
    )


def solve(solid, survey, plan, job=None, alloy=None):
    """Return the run of a plan on a pattern: build, cut into cells, freeze, trace."""
    job, alloy = job or job_of(), alloy or steel()
    return solve_bodies(build_rigging(plan, pattern_of(solid)), survey, plan, job, alloy)


def solve_bodies(rigging, survey, plan, job=None, alloy=None):
    """Return the run of bodies put together by hand."""
    job, alloy = job or job_of(), alloy or steel()
    metal = join_metal(rigging, alloy)
    grid = voxelize(rigging, metal, job, survey, alloy)
    freezing = solidify(grid, alloy, sand(), job, metal)
    feeding = trace_feeding(freezing, grid, metal, plan, survey, alloy)
    return Run(grid=grid, metal=metal, freezing=freezing, feeding=feeding, plan=plan)


def insert(name, material, solid):
    return Insert(name=name, material=material, solid=solid)
