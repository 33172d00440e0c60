"""Bodies, and the first four records: Casting, Parting, Pattern, Survey."""

from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from moldprep.geometry.solid import Solid
from moldprep.records.base import seal


class Role(StrEnum):
    """What a body of metal is for."""

    CASTING = "casting"
    BASIN = "basin"
    SPRUE = "sprue"
    WELL = "well"
    RUNNER = "runner"
    FILTER = "filter"
    INGATE = "ingate"
    NECK = "neck"
    FEEDER = "feeder"
    VENT = "vent"


def no_path() -> NDArray[np.float64]:
    """Return the center line of a body that has none: (0, 3)."""
    return np.empty((0, 3))


@dataclass(frozen=True, kw_only=True, eq=False)
class Body:
    """One named body of metal; the name stays the same from start to end.

    name    : `casting` or `casting-1`…, `basin`, `sprue`, `well`, `runner-1`, `ingate-1`, `F1`,
              `neck-F1`, `vent-1`, `filter`
    path_mm : (k, 3) center line in the direction of flow, (0, 3) where it has none [mm]
    """

    name: str
    role: Role
    solid: Solid
    path_mm: NDArray[np.float64] = field(default_factory=no_path)

    def __post_init__(self) -> None:
        if self.path_mm.ndim != 2 or self.path_mm.shape[1] != 3:
            raise ValueError(f"Body {self.name}: path {self.path_mm.shape}")
        seal(self)


@dataclass(frozen=True, kw_only=True)
class Repair:
    """One kind of safe mend done to the customer's mesh, and how often."""

    what: str
    count: int


@dataclass(frozen=True, kw_only=True)
class ClosedVoid:
    """A hollow inside the casting that no opening leads to; model frame."""

    volume_mm3: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class DrilledBore:
    """A bore of the model that is cast solid, to be drilled; model frame.

    axis : unit vector along it
    """

    width_mm: float
    depth_mm: float
    at_mm: tuple[float, float, float]
    axis: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Casting:
    """The customer's model as a closed solid, in the model's own frame, in mm.

    bodies       : at least one of role CASTING; others are rigging that came inside the model
    sha256       : of the file(s), joined in order
    unit         : unit the numbers of the file were in
    repairs      : what was mended
    deviation_mm : largest distance of a rebuilt surface from the file's, 0 unless rebuilt
    face_color   : (m, 4) uint8 color of each facet of the first CASTING body's `solid.mesh()`;
                   (0, 4) where the file has none
    voids        : hollows that no opening leads to, largest first
    drilled      : bores too narrow for sand, filled in the bodies, widest first
    """

    bodies: tuple[Body, ...]
    file: str
    sha256: str
    unit: str
    repairs: tuple[Repair, ...]
    deviation_mm: float
    face_color: NDArray[np.uint8]
    voids: tuple[ClosedVoid, ...] = ()
    drilled: tuple[DrilledBore, ...] = ()

    def __post_init__(self) -> None:
        if not any(body.role is Role.CASTING for body in self.bodies):
            raise ValueError("Casting: no body of role casting")
        seal(self)

    @cached_property
    def solid(self) -> Solid:
        """Everything of role CASTING as one solid."""
        return Solid.union(body.solid for body in self.bodies if body.role is Role.CASTING)


@dataclass(frozen=True, kw_only=True)
class Undercut:
    """A patch of surface that the pull cannot form.

    side : "cope" or "drag", the half it would have to be drawn from
    """

    area_mm2: float
    at_mm: tuple[float, float, float]
    side: str


@dataclass(frozen=True, kw_only=True)
class PullChoice:
    """One candidate for how the casting lies and where the mold opens; a low score is better.

    pull  : unit vector in the model's frame that points up when it is poured
    z_mm  : height of the parting plane after turning
    terms : (name, value) of every term of the score; they add up to `score`
    """

    pull: tuple[float, float, float]
    z_mm: float
    score: float
    terms: tuple[tuple[str, float], ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Parting:
    """How the casting lies and where the mold opens. From here on: part frame, z up.

    bodies    : Casting.bodies, turned
    turn      : (3, 4) affine, model frame to part frame
    z_mm      : height of the parting plane
    cheeks_mm : heights at which the sand parts besides, between cheeks
    chosen    : what was taken, and `runners_up` in order of score (empty where the job gave both)
    undercuts : what this choice leaves for cores, largest first
    reason    : one sentence
    """

    bodies: tuple[Body, ...]
    turn: NDArray[np.float64]
    z_mm: float
    chosen: PullChoice
    runners_up: tuple[PullChoice, ...]
    undercuts: tuple[Undercut, ...]
    reason: str
    cheeks_mm: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.turn.shape != (3, 4):
            raise ValueError(f"Parting: turn {self.turn.shape}")
        seal(self)

    @property
    def joints_mm(self) -> tuple[float, ...]:
        """Every height at which the sand parts, from below. [mm]"""
        return tuple(sorted({self.z_mm, *self.cheeks_mm}))

    @cached_property
    def casting(self) -> Solid:
        """Everything of role CASTING as one solid, in the part frame."""
        return Solid.union(body.solid for body in self.bodies if body.role is Role.CASTING)


@dataclass(frozen=True, kw_only=True)
class DraftFact:
    """The draft measured on one group of faces of the finished pattern.

    group        : "outer", "inner", with the side, for instance "outer cope"
    smallest_deg : angle to the pull of the wall that is furthest below what was asked, the
                   smallest where all were asked the same; negative is an undercut
    height_mm    : extent of that wall along the pull
    asked_deg    : what the job asks of that wall
    """

    group: str
    area_mm2: float
    smallest_deg: float
    height_mm: float
    at_mm: tuple[float, float, float]
    asked_deg: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Pattern:
    """The casting with allowances, as the cavity must be; part frame.

    It grows about the model's origin in x and y and about the parting in z, so the parting stays
    at `Parting.z_mm`. `solid.volume_mm3` = casting x shrink + stock_mm3 + draft_mm3.

    solid          : one pattern; how many go into a mold is for the plan
    extra          : rigging bodies that came inside the customer's model, scaled alike
    shrink         : (3,) factors casting -> pattern along x, y, z of the part frame
    stock_mm3      : volume of the machining stock, on the pattern
    draft_mm3      : volume added (or taken, negative) by the draft, on the pattern
    is_machined    : (m,) facets of `solid.mesh()` that get machined
    is_kept_clear  : (m,) facets where no gate and no feeder may sit
    draft          : measured draft, one entry a group
    undercuts      : measured after the allowances
    """

    solid: Solid
    extra: tuple[Body, ...]
    shrink: NDArray[np.float64]
    stock_mm3: float
    draft_mm3: float
    is_machined: NDArray[np.bool_]
    is_kept_clear: NDArray[np.bool_]
    draft: tuple[DraftFact, ...]
    undercuts: tuple[Undercut, ...]

    def __post_init__(self) -> None:
        n = self.solid.n_triangles
        if self.shrink.shape != (3,) or self.is_machined.shape != (n,):
            raise ValueError(f"Pattern: shrink {self.shrink.shape}, {n} facets")
        if self.is_kept_clear.shape != (n,):
            raise ValueError(f"Pattern: is_kept_clear {self.is_kept_clear.shape}, {n} facets")
        seal(self)


@dataclass(frozen=True, kw_only=True)
class Section:
    """A region of the metal around one hot spot.

    cooled_area_mm2 : surface toward sand only, from the triangles
    modulus_mm      : volume / cooled area, at most half the thickness (an endless plate)
    freezing_time_s : C M² with the constant of this shape
    constant_s_mm2  : C used, and `shape` says why: "plate", "bar" or "chunky"
    thickness_mm    : twice the largest depth
    at_mm           : deepest point (the hot spot)
    hot_modulus_mm  : as modulus_mm, of the metal within 1.5 thicknesses of the hot spot
    hot_time_s      : C M² of that, with the constant the alloy's and the sand's own figures give
    order           : 1 freezes first
    """

    name: str
    volume_mm3: float
    cooled_area_mm2: float
    modulus_mm: float
    freezing_time_s: float
    constant_s_mm2: float
    shape: str
    thickness_mm: float
    at_mm: tuple[float, float, float]
    hot_modulus_mm: float
    hot_time_s: float
    order: int


@dataclass(frozen=True, kw_only=True)
class SectionJoin:
    """Two sections that touch.

    area_mm2     : area of the face between them
    thickness_mm : twice the largest depth on that face: the neck feed metal must pass
    """

    a: str
    b: str
    area_mm2: float
    thickness_mm: float
    at_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Survey:
    """First look at the bare pattern: sections, moduli, order of freezing; part frame.

    sections  : by order of freezing, first to freeze first
    joins     : the section graph's edges
    label     : (nx, ny, nz) uint8, 0 outside, k = sections[k - 1]
    pitch_mm  : edge of one cube [mm]
    origin_mm : (3,) corner of cube (0, 0, 0) [mm]
    thin_mm   : wall thickness that 5 % of the surface is under
    run_wall_mm : the same of walls that metal has to run through: tips and short ribs on thick
                  metal are kept hot from their root
    """

    sections: tuple[Section, ...]
    joins: tuple[SectionJoin, ...]
    label: NDArray[np.uint8]
    pitch_mm: float
    origin_mm: NDArray[np.float64]
    thin_mm: float
    run_wall_mm: float

    def __post_init__(self) -> None:
        if self.label.ndim != 3 or self.origin_mm.shape != (3,) or not self.pitch_mm > 0.0:
            raise ValueError(f"Survey: label {self.label.shape}, pitch {self.pitch_mm}")
        seal(self)
