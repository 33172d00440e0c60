"""The shape of result.json, section by section. Keys get added, never renamed or taken away.

Every model reads its fields from a record of the same names; lengths are mm, the rest SI and °C,
and the unit is in the name. A number that was not measured is null.
"""

import math
from typing import Annotated, Any, Final

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from moldprep.findings import Verdict
from moldprep.records import (
    AirPocket,
    AssemblyStep,
    BoxItem,
    DraftFact,
    Fall,
    Meeting,
    NearMiss,
    Repair,
    RiggingPlan,
    Section,
    SectionJoin,
    Undercut,
)

SCHEMA: Final = "moldprep-result-1"


def _known(value: Any) -> Any:
    """Return null for a number that was not measured."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _listed(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else value


Number = Annotated[float | None, BeforeValidator(_known)]
Point = Annotated[tuple[float, float, float], BeforeValidator(_listed)]
Place = Annotated[tuple[float, ...], BeforeValidator(_listed), Field(max_length=3)]
Bounds = Annotated[tuple[Point, Point], BeforeValidator(_listed)]
Affine = Annotated[
    tuple[tuple[float, float, float, float], ...],
    BeforeValidator(_listed),
    Field(min_length=3, max_length=3),
]


class Part(BaseModel):
    """One object of the file: no key beside those named."""

    model_config = ConfigDict(from_attributes=True, extra="forbid", frozen=True)


class JobPart(Part):
    """What was asked for; `keys` is the whole job file with its defaults filled in."""

    name: str
    alloy: str
    sand: str
    printer: str
    rules: str
    sha256: str
    keys: dict[str, Any]


class CastingPart(Part):
    """The customer's model, own frame."""

    file: str
    sha256: str
    unit: str
    volume_mm3: float
    area_mm2: float
    bounds_mm: Bounds
    n_bodies: int
    n_triangles: int
    repairs: tuple[Repair, ...]
    deviation_mm: float


class PullPart(Part):
    """One way for the casting to lie."""

    pull: Point
    z_mm: float
    score: float
    terms: dict[str, float]


class PartingPart(Part):
    """How it lies and where the mold opens."""

    z_mm: float
    turn: Affine
    chosen: PullPart
    runners_up: tuple[PullPart, ...]
    undercuts: tuple[Undercut, ...]
    reason: str


class PatternPart(Part):
    """The casting with allowances, part frame."""

    shrink: Point
    volume_mm3: float
    area_mm2: float
    bounds_mm: Bounds
    stock_mm3: float
    draft_mm3: float
    draft: tuple[DraftFact, ...]
    undercuts: tuple[Undercut, ...]


class SurveyPart(Part):
    """Sections of the bare pattern, in order of freezing."""

    sections: tuple[Section, ...]
    joins: tuple[SectionJoin, ...]
    pitch_mm: float
    thin_mm: Number


class BodyPart(Part):
    """One body of metal."""

    name: str
    role: str
    volume_mm3: float
    bounds_mm: Bounds


class InsertPart(Part):
    """One chill or sleeve."""

    name: str
    material: str
    volume_mm3: float
    bounds_mm: Bounds


class RiggingPart(Part):
    """Every body of metal, castings first, and the inserts."""

    bodies: tuple[BodyPart, ...]
    inserts: tuple[InsertPart, ...]


class NodePart(Part):
    """One body in the flow graph; the flow is null where it carries none."""

    name: str
    role: str
    is_reached: bool
    flow_mm3_s: Number = None
    speed_m_s: Number = None
    share: Number = None
    reynolds: Number = None
    smallest_mm2: Number = None
    cooled_k: Number = None


class EdgePart(Part):
    """One measured contact."""

    a: str
    b: str
    area_mm2: float
    need_mm2: Number
    at_mm: Point


class StationPart(Part):
    """One measured cross-section of a channel."""

    body: str
    at_mm: Point
    along_mm: float
    area_mm2: float
    perimeter_mm: float


class FormulaTime(Part):
    """One handbook pouring time."""

    name: str
    time_s: Number
    source: str


class LostPart(Part):
    """Metal that nothing reaches."""

    body: str
    at_mm: Point


class RisePart(Part):
    """The level in one cavity at one moment, and the flow through each of its inlets."""

    time_s: Number
    level_mm: Number
    volume_mm3: Number
    flow_mm3_s: Number
    inlets_mm3_s: tuple[Number, ...]


class CavityPart(Part):
    """How the metal rises in one cavity; `inlets_mm3_s` follow the order of `inlets`."""

    parts: tuple[str, ...]
    inlets: tuple[str, ...]
    is_full: bool
    rise: tuple[RisePart, ...]


class RunnerFactsPart(Part):
    """How one runner runs."""

    body: str
    cover_mm: Number
    past_mm: Number
    section_mm2: Number
    at_mm: Place
    end_mm: Place


class MouthPart(Part):
    """Where a gate opens."""

    body: str
    into: str
    area_mm2: Number
    thickness_mm: Number
    wall_mm: Number
    ahead_mm: Number
    at_mm: Place


class FlowPart(Part):
    """What the metal can reach, and how fast."""

    nodes: tuple[NodePart, ...]
    edges: tuple[EdgePart, ...]
    near_misses: tuple[NearMiss, ...]
    stations: tuple[StationPart, ...]
    lost: tuple[LostPart, ...]
    dangling: tuple[str, ...]
    bottleneck: tuple[str, ...]
    bottleneck_mm2: Number
    bottleneck_at_mm: Place
    loops: tuple[tuple[str, ...], ...]
    cavities: tuple[CavityPart, ...]
    runners: tuple[RunnerFactsPart, ...]
    mouths: tuple[MouthPart, ...]
    ratio_mm2: tuple[Number, Number, Number]
    source_mm: Number
    prime_s: Number
    imbalance: Number
    pour_time_s: Number
    formula_times: tuple[FormulaTime, ...]


class MetalPart(Part):
    """Everything that gets liquid."""

    volume_mm3: float
    mass_kg: float
    casting_kg: float
    yield_pct: float
    parts: tuple[str, ...]


class LevelPart(Part):
    """The rising metal at one moment."""

    time_s: Number
    height_mm: Number
    gate_speed_m_s: Number


class FillPart(Part):
    """How the metal rises."""

    level: tuple[LevelPart, ...]
    falls: tuple[Fall, ...]
    meetings: tuple[Meeting, ...]
    pockets: tuple[AirPocket, ...]
    unfilled_mm3: float


class FreezingPart(Part):
    """The heat solve."""

    pitch_mm: float
    n_cells: int
    n_steps: int
    heat_balance_error: Number
    time_all_solid_s: Number
    shake_out_s: Number


class FeedSection(Part):
    """One thermal section of the whole metal."""

    name: str
    part: str
    volume_mm3: float
    freezing_time_s: Number
    order: int


class HotSpotPart(Part):
    """A place that freezes later than all around it."""

    name: str
    part: str
    at_mm: Point
    modulus_mm: Number
    freezing_time_s: Number
    fed_by: str
    closed_s: Number
    isolated_volume_mm3: float
    hole_mm3: float
    hole_at_mm: Point
    section_volume_mm3: float
    cure: str


class FeedPairPart(Part):
    """One feeder and one section it serves."""

    feeder: str
    section: str
    feeder_time_s: Number
    section_time_s: Number
    neck_time_s: Number
    feeder_modulus_mm: Number
    section_modulus_mm: Number
    feeder_volume_mm3: Number
    need_mm3: Number
    can_give_mm3: Number
    distance_mm: Number
    reach_mm: Number
    neck_mm: Point


class FeedPath(Part):
    """Two sections that touch, and when the neck between them freezes."""

    a: str
    b: str
    time_s: Number


class FeedingPart(Part):
    """What is fed by what."""

    sections: tuple[FeedSection, ...]
    hot_spots: tuple[HotSpotPart, ...]
    pairs: tuple[FeedPairPart, ...]
    paths: tuple[FeedPath, ...]


class PiecePart(Part):
    """One printed piece; `file` is its path in the package."""

    name: str
    role: str
    volume_mm3: float
    mass_kg: float
    bounds_mm: Bounds
    file: str


class ClearancePart(Part):
    """One body that is neither metal nor sand."""

    name: str
    volume_mm3: float


class MoldPart(Part):
    """The sand around the metal: block = cavity + inserts + pieces + clearances."""

    block_volume_mm3: float
    cavity_volume_mm3: float
    inserts_volume_mm3: float
    clearance_volume_mm3: float
    bounds_mm: Bounds
    z_mm: float
    pieces: tuple[PiecePart, ...]
    clearances: tuple[ClearancePart, ...]
    notes: tuple[str, ...]


class PieceFactsPart(Part):
    """Measured facts of one piece."""

    name: str
    role: str
    mass_kg: float
    size_mm: Point
    center_of_mass_mm: Point
    thinnest_mm: Number
    thinnest_at_mm: Place
    slenderness: Number
    bend_stress_mpa: Number
    bend_at_mm: Place
    loose_sand_mm3: Number
    loose_at_mm: Place
    hidden_mm2: Number
    hidden_at_mm: Place


class CoreFactsPart(Part):
    """Measured facts of one core under metal."""

    name: str
    lift_n: Number
    bearing_mm2: Number
    bearing_mpa: Number
    gas_ml: Number
    gas_pressure_pa: Number
    metal_pressure_pa: Number
    at_mm: Place


class GapPart(Part):
    """The smallest gap between two mating pieces."""

    a: str
    b: str
    gap_mm: Number


class HandlingPart(Part):
    """Facts per piece and per assembly."""

    pieces: tuple[PieceFactsPart, ...]
    cores: tuple[CoreFactsPart, ...]
    steps: tuple[AssemblyStep, ...]
    gaps: tuple[GapPart, ...]
    level_mm: Number
    cope_lift_n: Number
    cope_kg: Number
    weight_factor: Number
    weight_kg: Number
    sand_kg: Number
    sand_to_metal: Number
    joint_head_mm: Number
    joint_holds_mm: Number


class TooLarge(Part):
    """A piece that no box holds, and by how much."""

    name: str
    over_mm: Point


class BoxPart(Part):
    """Pieces in job boxes, and what the print run takes."""

    printer: str
    items: tuple[BoxItem, ...]
    too_large: tuple[TooLarge, ...]
    n_boxes: int
    heights_mm: tuple[float, ...]
    n_layers: int
    print_time_s: float
    sand_kg: float
    printed_kg: float
    binder_kg: float
    fill_pct: float


class CutPart(Part):
    """Where a body of rigging comes off the casting."""

    body: str
    role: str
    area_mm2: float
    at_mm: Point


class SheetPart(Part):
    """Numbers for the pouring crew; a null was not measured or not asked for."""

    n_molds: int
    n_castings_in_mold: int
    casting_kg: float
    rigging_kg: float
    poured_kg: float
    tap_kg: float
    tap_extra_pct: float
    yield_pct: float
    pour_c: tuple[float, float]
    liquidus_c: float
    pour_time_s: Number
    pour_rate_kg_s: Number
    cope_lift_n: Number
    cope_kg: Number
    weight_kg: Number
    knock_out_c: float
    shake_out_s: Number
    cuts: tuple[CutPart, ...]


class FindingPart(Part):
    """One judged number."""

    id: str
    verdict: Verdict
    value: Number
    limit: Number
    unit: str
    part: str
    at_mm: Place
    message: str
    remedy: str
    source: str


class ResultFile(Part):
    """result.json; a section whose stage did not run is left out."""

    schema_id: str = Field(SCHEMA, alias="schema")
    verdict: Verdict
    job: JobPart
    casting: CastingPart | None = None
    parting: PartingPart | None = None
    pattern: PatternPart | None = None
    survey: SurveyPart | None = None
    plan: RiggingPlan | None = None
    rigging: RiggingPart | None = None
    flow: FlowPart | None = None
    metal: MetalPart | None = None
    fill: FillPart | None = None
    freezing: FreezingPart | None = None
    feeding: FeedingPart | None = None
    mold: MoldPart | None = None
    handling: HandlingPart | None = None
    box: BoxPart | None = None
    sheet: SheetPart | None = None
    findings: tuple[FindingPart, ...]
    timings: dict[str, float]
