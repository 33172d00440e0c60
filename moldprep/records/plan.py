"""RiggingPlan: sizes and places of everything that will be hung on the pattern; no bodies.

The items are also the job file's `[rigging]` tables: what `moldprep plan` writes can be edited
by hand and read in again. All places are in the part frame, z up. [mm]
"""

from typing import Literal

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass

STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)

Point = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, config=STRICT)
class Placement:
    """Where one copy of the pattern sits: turned about z, then moved."""

    name: str
    move_mm: Point = (0.0, 0.0, 0.0)
    turn_deg: float = 0.0


@dataclass(frozen=True, kw_only=True, config=STRICT)
class BasinPlan:
    """Pouring basin on top of the sprue: an offset basin with a step, or a plain cup."""

    kind: Literal["offset", "cup"] = "offset"
    length_mm: float
    width_mm: float
    depth_mm: float
    turn_deg: float = 0.0  # direction from the sprue to the pouring end


@dataclass(frozen=True, kw_only=True, config=STRICT)
class SpruePlan:
    """Sprue from the basin's floor down to the well.

    at_mm          : center of its foot
    top_mm         : height of its top (the basin's floor)
    foot_area_mm2  : area at the foot (the choke of most systems)
    top_area_mm2   : area at the top
    kind           : "stream" follows the falling stream, "cone" is a straight taper
    """

    at_mm: Point
    top_mm: float
    foot_area_mm2: float
    top_area_mm2: float
    kind: Literal["stream", "cone"] = "stream"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class WellPlan:
    """Well under the sprue."""

    at_mm: Point  # center of its floor
    diameter_mm: float
    depth_mm: float


@dataclass(frozen=True, kw_only=True, config=STRICT)
class RunnerPlan:
    """One runner: a trapezoid swept along a level path, base up or down.

    path_mm    : points of the center line at the channel's floor, in the direction of flow;
                 goes on past the last gate (the extension)
    width_mm   : width at half height
    height_mm  : height
    side_deg   : lean of each side; positive narrows toward the top, negative toward the floor
    bend_ratio : radius of bends over width; 0 keeps square corners
    """

    name: str
    path_mm: tuple[Point, ...]
    width_mm: float
    height_mm: float
    side_deg: float = 10.0
    bend_ratio: float = 1.5


@dataclass(frozen=True, kw_only=True, config=STRICT)
class IngatePlan:
    """One ingate from a runner into a casting or feeder.

    path_mm   : points from the runner to inside the body it feeds, at the channel's floor
    into      : name of the body it feeds
    notch_mm  : depth of the break-off notch at the casting, 0 for none
    """

    name: str
    path_mm: tuple[Point, ...]
    width_mm: float
    height_mm: float
    into: str = "casting"
    side_deg: float = 10.0
    notch_mm: float = 0.0


@dataclass(frozen=True, kw_only=True, config=STRICT)
class FilterPlan:
    """Filter print: a flat pocket that stands across the runner, with chambers to its ends.

    at_mm        : its middle
    length_mm    : level, across the flow; `width_mm` upright; `thickness_mm` along the flow
    turn_deg     : direction of the flow
    """

    at_mm: Point
    length_mm: float
    width_mm: float
    thickness_mm: float
    turn_deg: float = 0.0
    pores: str = "10 ppi"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class FeederPlan:
    """One feeder with its neck.

    kind     : "top" stands on the casting, "side" stands beside it on a neck
    is_open  : breaks out of the cope's top; a closed (blind) one has a domed top
    at_mm    : center of its foot
    serves   : names of sections it is meant to feed
    neck_to_mm : where the neck meets the casting (side feeders and necked-down top feeders)
    sleeve   : "none", "insulating" or "exothermic"; `sleeve_mm` is its wall
    """

    name: str
    kind: Literal["top", "side"]
    at_mm: Point
    diameter_mm: float
    height_mm: float
    serves: tuple[str, ...] = ()
    is_open: bool = False
    neck_width_mm: float = 0.0
    neck_height_mm: float = 0.0
    neck_to_mm: Point = (0.0, 0.0, 0.0)
    sleeve: Literal["none", "insulating", "exothermic"] = "none"
    sleeve_mm: float = 0.0
    has_air_core: bool = True
    into: str = "casting"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class ChillPlan:
    """A chill set against the casting: a block, its inner face shaped by the casting."""

    name: str
    at_mm: Point  # center of the block
    size_mm: Point
    turn_deg: float = 0.0
    material: Literal["iron", "graphite", "copper"] = "iron"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class VentPlan:
    """A vent from a high point of the metal to the top of the cope."""

    name: str
    at_mm: Point
    diameter_mm: float
    into: str = "casting"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class CoreVentPlan:
    """A bore in a core, over a high point of the metal that lies under the casting itself.

    at_mm : the high point; the bore begins in the core's sand over it and leads to a print
    """

    name: str
    at_mm: Point
    into: str = "casting"


@dataclass(frozen=True, kw_only=True, config=STRICT)
class Reason:
    """Why one item is as it is."""

    item: str
    why: str
    source: str


@dataclass(frozen=True, kw_only=True, config=STRICT)
class Step:
    """One change of a plan by automatic feeding.

    kind     : "add" a feeder or chills, "move" a feeder, another "size" or "neck" or a "sleeve" of
               one, a flatter "gate"; to save metal, a feeder made smaller ("save") or left out
               ("drop")
    item     : name of what was changed; names of feeders left out together, with commas
    for_what : name of the section or feeder it was changed for
    text     : the change in words, for people
    """

    kind: Literal["add", "move", "size", "neck", "sleeve", "gate", "save", "drop"]
    item: str
    for_what: str
    text: str

    @property
    def change(self) -> str:
        """The change, whatever is added being called: another round may give it another name."""
        return self.text.partition(": ")[2] if self.kind == "add" else self.text

    @property
    def items(self) -> tuple[str, ...]:
        """The names of what was changed."""
        return tuple(self.item.split(", "))


@dataclass(frozen=True, kw_only=True, config=STRICT)
class Round:
    """One round of automatic feeding: what was changed, why, and what it did.

    number    : 0 is the first plan
    changed   : what was changed, in words; `steps` has it one by one
    left_mm3  : isolated liquid inside castings after the round
    unfed_mm3 : of it what is beyond the job's limit, section by section
    pitch_mm  : edge of a cell of the grid it was frozen on; trials are coarser than the last
    is_sound  : whether nothing was unfed and every feeder had its heat above its neck
    outcome   : whether it was kept, put back, or could not be built
    """

    number: int
    changed: str
    why: str
    left_mm3: float
    yield_pct: float
    unfed_mm3: float = 0.0
    poured_kg: float = 0.0
    pitch_mm: float = 0.0
    is_sound: bool = False
    outcome: str = ""
    steps: tuple[Step, ...] = ()


@dataclass(frozen=True, kw_only=True, config=STRICT)
class PrintRoom:
    """Room that one core print wants: an outline seen from above, between two heights.

    Part frame of one casting, like the pattern.
    """

    outline_mm: tuple[tuple[float, float], ...]
    low_mm: float
    high_mm: float


@dataclass(frozen=True, kw_only=True, config=STRICT)
class RiggingPlan:
    """What will be hung on the pattern, and why.

    pour_time_s : intended time to fill the mold
    choke_mm2   : intended smallest area between basin and castings
    ratio       : sprue foot : runners : ingates, as areas over the choke
    top_mm      : intended height of the top of the cope
    print_rooms : where core prints will lie; later rounds keep out of it too
    """

    placements: tuple[Placement, ...]
    pour_time_s: float
    choke_mm2: float
    ratio: tuple[float, float, float]
    top_mm: float
    basin: BasinPlan | None
    sprue: SpruePlan | None
    well: WellPlan | None
    runners: tuple[RunnerPlan, ...]
    ingates: tuple[IngatePlan, ...]
    filters: tuple[FilterPlan, ...]
    feeders: tuple[FeederPlan, ...]
    chills: tuple[ChillPlan, ...]
    vents: tuple[VentPlan, ...]
    reasons: tuple[Reason, ...]
    core_vents: tuple[CoreVentPlan, ...] = ()
    rounds: tuple[Round, ...] = ()
    print_rooms: tuple[PrintRoom, ...] = ()
