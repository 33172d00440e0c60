"""The sections of result.json about the metal: rigging, flow, fill, freezing, feeding."""

from moldprep.export.fields import Bounds, Number, Part, Place, Point
from moldprep.records import AirPocket, Fall, Meeting, NearMiss, SandWall


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
    sand_walls: tuple[SandWall, ...]
    stations: tuple[StationPart, ...]
    lost: tuple[LostPart, ...]
    dangling: tuple[str, ...]
    unfiltered: tuple[str, ...]
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
    pour_c: Number


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
    section: str
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
    gate: str


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
