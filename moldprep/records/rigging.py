"""Rigging, FlowGraph, Metal, Fill."""

from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Solid
from moldprep.records.base import seal
from moldprep.records.casting import Body, Role
from moldprep.records.plan import Reason


@dataclass(frozen=True, kw_only=True, eq=False)
class Insert:
    """Something put into the sand that is neither metal nor sand: a chill or a sleeve.

    material : "iron", "graphite", "copper", "insulating" or "exothermic"
    """

    name: str
    material: str
    solid: Solid


@dataclass(frozen=True, kw_only=True, eq=False)
class Rigging:
    """All metal, body by body, castings first; and the inserts. Part frame.

    castings : the placed patterns, role CASTING
    bodies   : everything else that is metal
    inserts  : chills and sleeves
    reasons  : why a body is not as planned
    """

    castings: tuple[Body, ...]
    bodies: tuple[Body, ...]
    inserts: tuple[Insert, ...]
    reasons: tuple[Reason, ...] = ()

    @property
    def metal(self) -> tuple[Body, ...]:
        """Castings, then rigging: the order of part names everywhere."""
        return self.castings + self.bodies

    def of_role(self, *roles: Role) -> tuple[Body, ...]:
        """Return the bodies of these roles."""
        return tuple(body for body in self.metal if body.role in roles)


@dataclass(frozen=True, kw_only=True)
class Contact:
    """A real contact between two bodies, measured on the solids.

    area_mm2 : area metal can pass through
    need_mm2 : area of the smaller channel of the two it joins
    """

    a: str
    b: str
    area_mm2: float
    need_mm2: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class NearMiss:
    """Two bodies that come close, or touch at a point, without a connection."""

    a: str
    b: str
    gap_mm: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class SandWall:
    """The thinnest sand between a channel and one kind of thing it is not joined to.

    kind : "casting", "feeder", "vent", "filter", "channel", "insert" or "print" (of a core);
           "beside a vent" where `body` is a vent, whatever the other is; "beside a casting"
           where both are castings
    """

    body: str
    other: str
    kind: str
    gap_mm: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Station:
    """Cross-section of a channel, normal to its path."""

    body: str
    at_mm: tuple[float, float, float]
    along_mm: float
    area_mm2: float
    perimeter_mm: float


@dataclass(frozen=True, kw_only=True)
class ChannelFlow:
    """What one body of the rigging carries while the mold fills.

    flow_mm3_s  : at the start, full head
    speed_m_s   : highest over the fill but for moments, at its smallest section
    share       : of the whole flow
    reynolds    : at `speed_m_s`
    smallest_mm2: its smallest section on the way, at `at_mm`; for an ingate the opening into what
                  it feeds counts too
    cooled_k    : temperature the first metal has lost from the basin to its end [K]
    """

    body: str
    flow_mm3_s: float
    speed_m_s: float
    share: float
    reynolds: float
    smallest_mm2: float = float("nan")
    at_mm: tuple[float, ...] = ()
    cooled_k: float = float("nan")


@dataclass(frozen=True, kw_only=True, eq=False)
class CavityRise:
    """How the metal rises in one cavity: a casting with the feeders and vents it is joined to.

    parts   : bodies of the cavity
    inlets  : bodies of the gating that open into it
    course  : (k, 4) float64: time from the first metal in the cavity [s], level [mm],
              volume in it [mm³], flow into it [mm³/s]; each column by its name as well
    shares  : (k, n) float64: flow through each inlet [mm³/s]
    is_full : whether the head fills it to the top
    """

    parts: tuple[str, ...]
    inlets: tuple[str, ...]
    course: NDArray[np.float64]
    shares: NDArray[np.float64]
    is_full: bool

    def __post_init__(self) -> None:
        if self.course.ndim != 2 or self.course.shape[1] != 4:
            raise ValueError(f"CavityRise: course {self.course.shape}")
        seal(self)

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time from the first metal in the cavity."""
        return self.course[:, 0]

    @property
    def level_mm(self) -> NDArray[np.float64]:
        """Height the metal stands at."""
        return self.course[:, 1]

    @property
    def volume_mm3(self) -> NDArray[np.float64]:
        """Metal in the cavity."""
        return self.course[:, 2]

    @property
    def flow_mm3_s(self) -> NDArray[np.float64]:
        """Flow into the cavity."""
        return self.course[:, 3]


@dataclass(frozen=True, kw_only=True)
class RunnerFacts:
    """How one runner runs.

    cover_mm    : metal over its ceiling when the gates start: the larger of the pressure head and
                  the height of the lowest gate's sill; below zero it runs part full
    past_mm     : how far it goes on past its last gate; NaN where it has no end of its own
    section_mm2 : its usual section
    """

    body: str
    cover_mm: float
    past_mm: float
    section_mm2: float
    at_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Mouth:
    """Where a gate opens into a casting or feeder.

    thickness_mm : of the gate there, 4 x section over girth where it is not round, at most its
                   height
    wall_mm      : metal of what it feeds, above and below the mouth
    ahead_mm     : free way of the jet to the wall opposite
    """

    body: str
    into: str
    area_mm2: float
    thickness_mm: float
    wall_mm: float
    ahead_mm: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class FlowGraph:
    """What the metal can reach, and how fast.

    graph         : networkx.Graph; nodes are body names with `role`, `is_open` (breaks out of the
                    cope's top), `has_air_core`, `n_lumps`; edges carry `area_mm2`, `at_mm`
    contacts      : every connection, and `near_misses` what only looks like one
    stations      : measured cross-sections of every channel
    reached       : names the metal reaches from the basin or sprue, all of the body
    lost          : (body, place) of every piece of metal it does not reach
    dangling      : rigging that leads nowhere
    bottleneck    : names (body, or "a|b" for a contact) of the minimum cut between pouring and
                    castings
    bottleneck_mm2: its area; `bottleneck_at_mm` where
    loops         : cycles of runners, each as names
    unfiltered    : castings metal reaches without passing a filter, where the mold has filters
    channels      : flow in every body
    cavities      : how the metal rises in each cavity
    runners       : how each runner runs
    mouths        : where the gates open
    ratio_mm2     : measured areas of sprue (smallest), runners leaving it, and ingates
    source_mm     : height of the metal in the basin, kept full
    prime_s       : time to fill basin, sprue and runners before the first gate runs
    imbalance     : largest |flow in - flow out| of any node over the whole flow
    pour_time_s   : by integration over the rising level, `prime_s` included; inf where the head
                    does not fill the mold
    formula_times : (name, seconds, source) of handbook pouring times
    pour_c        : temperature the metal is poured at [°C]
    sand_walls    : sand beside the channels, up to 60 mm
    """

    graph: nx.Graph  # type: ignore[type-arg]
    contacts: tuple[Contact, ...]
    near_misses: tuple[NearMiss, ...]
    stations: tuple[Station, ...]
    reached: frozenset[str]
    lost: tuple[tuple[str, tuple[float, float, float]], ...]
    dangling: tuple[str, ...]
    bottleneck: tuple[str, ...]
    bottleneck_mm2: float
    bottleneck_at_mm: tuple[float, ...]
    loops: tuple[tuple[str, ...], ...]
    unfiltered: tuple[str, ...]
    channels: tuple[ChannelFlow, ...]
    cavities: tuple[CavityRise, ...]
    runners: tuple[RunnerFacts, ...]
    mouths: tuple[Mouth, ...]
    ratio_mm2: tuple[float, float, float]
    source_mm: float
    prime_s: float
    imbalance: float
    pour_time_s: float
    formula_times: tuple[tuple[str, float, str], ...]
    pour_c: float
    sand_walls: tuple[SandWall, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Metal:
    """Castings + rigging as one body: everything that gets liquid. Part frame.

    parts        : names in the order of the voxel labels (label k = parts[k - 1])
    roles        : role of each part
    casting_kg   : mass of the castings alone
    """

    solid: Solid
    parts: tuple[str, ...]
    roles: tuple[Role, ...]
    mass_kg: float
    casting_kg: float
    yield_pct: float


@dataclass(frozen=True, kw_only=True)
class Fall:
    """Metal dropping further than it should while the mold fills."""

    height_mm: float
    from_mm: tuple[float, float, float]
    to_mm: tuple[float, float, float]
    part: str


@dataclass(frozen=True, kw_only=True)
class Meeting:
    """Two fronts that meet.

    temperature_c : estimated at the meeting, of the colder front
    """

    at_mm: tuple[float, float, float]
    time_s: float
    temperature_c: float


@dataclass(frozen=True, kw_only=True)
class AirPocket:
    """A high point that traps air unless it is vented.

    volume_mm3 : air caught without a vent
    vent       : name of the vent, open feeder or sprue that lets it out, "" for none
    part       : the body it is the top of
    """

    at_mm: tuple[float, float, float]
    volume_mm3: float
    vent: str
    vent_area_mm2: float
    part: str = ""


@dataclass(frozen=True, kw_only=True)
class ThinRun:
    """A thin wall the metal has to run through.

    wall_mm  : its thickness, within one cell
    run_mm   : longest way through it
    time_s   : from the first metal in it until it is full
    freeze_s : time such a wall takes to freeze
    """

    part: str
    wall_mm: float
    run_mm: float
    time_s: float
    freeze_s: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Fill:
    """How the metal rises.

    time_s      : (nx, ny, nz) float32, when each metal cell fills; NaN in sand [s]
    level       : (k, 3) float64: time [s], height of the level [mm], total gate speed [m/s]
    pockets     : every high point of the cavities, vented or not, largest first
    thin_runs   : thin walls, those that take longest for their thickness first
    unfilled_mm3: metal that never comes: not joined to an inlet, or above the head
    """

    time_s: NDArray[np.float32]
    level: NDArray[np.float64]
    falls: tuple[Fall, ...]
    meetings: tuple[Meeting, ...]
    pockets: tuple[AirPocket, ...]
    thin_runs: tuple[ThinRun, ...]
    unfilled_mm3: float

    def __post_init__(self) -> None:
        if self.time_s.ndim != 3 or self.level.ndim != 2 or self.level.shape[1] != 3:
            raise ValueError(f"Fill: time {self.time_s.shape}, level {self.level.shape}")
        seal(self)
