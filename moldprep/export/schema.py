"""The shape of result.json, section by section. Keys get added, never renamed or taken away.

Every model reads its fields from a record of the same names; lengths are mm, the rest SI and °C,
and the unit is in the name. A number that was not measured is null.
"""

from typing import Any, Final

from pydantic import Field

from moldprep.export.fields import Affine, Bounds, Number, Part, Place, Point
from moldprep.export.metal_schema import (
    FeedingPart,
    FillPart,
    FlowPart,
    FreezingPart,
    MetalPart,
    RiggingPart,
)
from moldprep.findings import Verdict
from moldprep.records import (
    AssemblyStep,
    BoxItem,
    DraftFact,
    DrilledBore,
    Repair,
    RiggingPlan,
    Section,
    SectionJoin,
    Undercut,
)

SCHEMA: Final = "moldprep-result-1"


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
    drilled: tuple[DrilledBore, ...]


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
    run_wall_mm: Number


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
    pressure_pa: Number
    metal_n: Place
    wall_mm: Number
    wall_span_mm: Number
    wall_stress_mpa: Number
    wall_at_mm: Place
    loose_sand_mm3: Number
    loose_at_mm: Place
    hidden_mm2: Number
    hidden_at_mm: Place


class CoreFactsPart(Part):
    """Measured facts of one core under metal."""

    name: str
    weight_n: Number
    lift_n: Number
    bearing_mm2: Number
    bearing_mpa: Number
    rest_mm2: Number
    rest_mpa: Number
    overhang_mm: Number
    gas_ml: Number
    gas_pressure_pa: Number
    vented_mm: Number
    metal_pressure_pa: Number
    at_mm: Place


class InsertFactsPart(Part):
    """How a chill or a sleeve gets into the sand; no number where no sand holds it."""

    name: str
    material: str
    piece: str
    blocked_mm2: Number
    way: str
    at_mm: Place


class GapPart(Part):
    """What lies between two pieces side by side; no clearance where all that mates touches."""

    a: str
    b: str
    gap_mm: Number
    clearance_mm: Number
    touching_mm2: Number
    at_mm: Place


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
    joint_is_sealed: bool
    bolt_bend_mpa: Number
    lifted: tuple[str, ...]
    inserts: tuple[InsertFactsPart, ...]


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


class WorkStep(Part):
    """One thing to do, and what it hits (nothing when `hits` is empty)."""

    text: str
    hits: tuple[str, ...] = ()


class SheetPart(Part):
    """What the crew has to know; a null was not measured or not asked for.

    first_rate_kg_s : what the sprue draws at first
    order           : what is done, in order, until the mold is ready to be poured
    outlets         : what stands open at the top and lets air out
    """

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
    first_rate_kg_s: Number
    basin_kg: float
    cope_lift_n: Number
    cope_kg: Number
    lifted: str
    weight_kg: Number
    knock_out_c: float
    shake_out_s: Number
    order: tuple[WorkStep, ...]
    outlets: tuple[str, ...]
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
