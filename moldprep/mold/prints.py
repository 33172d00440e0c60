"""Core prints: where a core reaches out through an opening of the casting and rests in sand."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from moldprep.geometry.solid import Floats, Solid
from moldprep.mold.enclosed import Opening

DIP_MM: Final = 1e-3
"""How far inside an opening its plane is set, so that metal closes the sand off all round."""

FLAT_DEG: Final = 15.0
"""A facet is part of the flat round an opening up to this angle from the measured normal."""

NOISE_DEG: Final = 0.05
"""A flat this near to square is square: single precision in a mesh file."""

BENT_DEG: Final = 5.0
"""An opening without a flat that is this near to square is taken as square."""

UPRIGHT: Final = 0.7
"""An opening whose normal has more than this along z looks up or down."""

PRINT_MM: Final = (12.0, 76.0)
"""Shortest print; longest one that is as long as it is thick. 76 mm: Modern Mechanical
Engineering, vol. I (print length about the diameter up to 3 in, from memory)."""

TOP_SHARE: Final = 0.5
"""Length of a print that looks up over one that looks down; same source."""

ODD: Final = 1.25
"""Length of a core's first print over the others, so that it cannot be set end for end."""

KEEL: Final = 0.8
"""Width of the flat under the far end of a print, over the print: it cannot turn."""

SEAT_DEPTH_MM: Final = 8.0
"""A level print reaches at least this far below the parting; common practice, no source."""

FREE_MM: Final = 4.0
"""Sand left between a print and other metal; common practice 3 to 5, no source."""

SHORTER: Final = (1.0, 0.75, 0.5, 0.35)
"""Lengths tried, over the wanted one, where other metal is in the way."""

OVER: Final = 0.01
"""How much wider than its mouth the gap in front of a core without a print is."""

ROUND_FACETS: Final = 12

ROOT_MM: Final = 0.2
ROOT_SHRINK: Final = 0.02
"""How deep a print reaches into its core, and how much narrower it is there."""


def _round_points() -> Floats:
    """Return points round the origin whose hull just holds the unit ball."""
    points, faces = Solid.sphere(1.0, ROUND_FACETS).mesh()
    a, b, c = (points[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    inner = np.einsum("ij,ij->i", normal, a) / np.linalg.norm(normal, axis=1)
    return np.asarray(points / inner.min())


ROUND: Final = _round_points()
"""Points to add to those of a body so that their hull is the body grown by at least 1 mm."""


@dataclass(frozen=True)
class Mouth:
    """The plane a core ends at before it gets a print.

    normal : unit, outward; the plane is normal · p = offset_mm
    u, v   : unit, in the plane; u is level, v looks up where it can
    spread : (2, 2) lowest and highest (u, v) of a rectangle that covers the opening
    plug   : the slab outside the plane over that rectangle
    """

    normal: Floats
    offset_mm: float
    u: Floats
    v: Floats
    spread: Floats
    plug: Solid
    at_mm: Floats

    def slab(self, thick_mm: float) -> Solid:
        """Return the slab of this thickness outside the plane."""
        return slab(self.normal, self.offset_mm, self.spread, thick_mm)

    @property
    def is_upright(self) -> bool:
        """Whether it looks up or down."""
        return abs(float(self.normal[2])) > UPRIGHT


@dataclass(frozen=True)
class Print:
    """One print.

    solid   : the sand of the print, outside the casting
    seat    : the room it sits in, print and gaps
    end_mm  : middle of its end face
    outward : unit, from the casting along the print
    thickness_mm : smaller side of the opening it goes through
    """

    solid: Solid
    seat: Solid
    end_mm: Floats
    outward: Floats
    length_mm: float
    thickness_mm: float


@dataclass(frozen=True, kw_only=True)
class PrintRules:
    """What the job says about prints. [mm, deg]"""

    z_mm: float
    length_mm: float | None
    taper_deg: float
    gap_mm: float


class Skin:
    """The facets of a casting, to find the flat round an opening."""

    def __init__(self, casting: Solid) -> None:
        points, faces = casting.mesh()
        corners = points[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        self.area = 0.5 * length
        self.normal = np.divide(
            cross, length[:, None], out=np.zeros_like(cross), where=length[:, None] > 0.0
        )
        self.low, self.high = corners.min(axis=1), corners.max(axis=1)
        self.offset = np.einsum("ij,ij->i", self.normal, corners[:, 0])

    def flat_at(self, opening: Opening, pitch_mm: float) -> tuple[Floats, float] | None:
        """Return (normal, offset) of the largest flat round an opening, None where it is bent.

        The flat faces along the opening (a flange) or against it (the inside of a wall).
        """
        blur = pitch_mm + max(np.abs(opening.reach_mm))
        reach = 2.0 * blur
        near = (self.low <= opening.bounds[1] + reach).all(axis=1)
        near &= (self.high >= opening.bounds[0] - reach).all(axis=1)
        toward = self.normal @ opening.normal
        near &= np.abs(toward) > math.cos(math.radians(FLAT_DEG))
        rows = np.flatnonzero(near)
        side = np.sign(toward[rows])
        normal, offset = self.normal[rows] * side[:, None], self.offset[rows] * side
        height = (offset - normal @ opening.at_mm) / blur
        weight = np.where(np.abs(height) < 2.5, self.area[rows] / (1.0 + height**2) ** 2, 0.0)
        if not weight.sum() > 0.0:
            return None
        keys = np.round(np.column_stack([normal, 0.1 * offset]), 3)
        _, group = np.unique(keys, axis=0, return_inverse=True)
        share = np.bincount(group.ravel(), weights=weight)
        best = int(share.argmax())
        if share[best] < max(0.25 * share.sum(), pitch_mm**2):
            return None
        row = int(np.where(group.ravel() == best, weight, 0.0).argmax())
        squared = _squared(normal[row], NOISE_DEG)
        return squared, float(squared @ (0.5 * (self.low[rows[row]] + self.high[rows[row]])))


def make_mouth(opening: Opening, skin: Skin, pitch_mm: float) -> Mouth:
    """Return the plane across an opening: the flat round it, else just inside its rim."""
    flat = skin.flat_at(opening, pitch_mm)
    low, high = opening.reach_mm
    if flat is not None:
        normal, offset = flat
        thick = 3.0 * pitch_mm + high - low
    else:
        normal = _squared(opening.normal, BENT_DEG)
        offset = float(normal @ opening.at_mm) + low - pitch_mm
        thick = high - low + 4.0 * pitch_mm
    offset -= DIP_MM
    u, v = frame(normal)
    corners = np.array(np.meshgrid(*opening.bounds.T)).reshape(3, -1).T
    across = np.column_stack([corners @ u, corners @ v])
    reach = 2.5 * pitch_mm
    spread = np.array([across.min(axis=0) - reach, across.max(axis=0) + reach])
    plug = slab(normal, offset, spread, thick)
    return Mouth(normal, offset, u, v, spread, plug, opening.at_mm)


def slab(normal: Floats, offset_mm: float, spread: Floats, thick_mm: float) -> Solid:
    """Return the slab outside a plane over a rectangle (2, 2) of (u, v)."""
    u, v = frame(normal)
    corners = [
        a * u + b * v + c * normal
        for a in spread[:, 0]
        for b in spread[:, 1]
        for c in (offset_mm, offset_mm + thick_mm)
    ]
    return Solid.hull_of(np.array(corners))


def frame(normal: Floats) -> tuple[Floats, Floats]:
    """Return (u, v) across a normal: u level, v up where it can be."""
    level = np.cross([0.0, 0.0, 1.0], normal)
    length = float(np.linalg.norm(level))
    u = level / length if length > 1e-6 else np.array([1.0, 0.0, 0.0])
    return u, np.cross(normal, u)


def rim_of(core: Solid, mouth: Mouth) -> Floats:
    """Return (n, 3) the corners of a core that lie in the plane of its mouth. [mm]"""
    points = core.mesh()[0]
    in_plane = np.abs(points @ mouth.normal - mouth.offset_mm) < 0.1 * DIP_MM
    low, high = mouth.plug.bounds
    in_plane &= ((points > low - 2 * DIP_MM) & (points < high + 2 * DIP_MM)).all(axis=1)
    return np.asarray(points[in_plane])


def make_print(
    rim: Floats, mouth: Mouth, rules: PrintRules, is_first: bool, is_free: Callable[[Floats], bool]
) -> Print | None:
    """Return the print through one mouth, as long as there is room for; None without room.

    A level print is as wide as the opening at the casting, tapers outward, has a flat keel under
    its far end (it cannot roll), opens toward the parting (it can be lowered into the drag and
    the cope onto it) and reaches below the parting. One that looks up or down is a blunt cone
    with one flat side. The first print of a core is longer than the others.
    """
    across = np.ptp(np.column_stack([rim @ mouth.u, rim @ mouth.v]), axis=0)
    length = rules.length_mm or print_length_mm(float(across.min()))
    if rules.length_mm is None and mouth.is_upright and mouth.normal[2] > 0.0:
        length = max(TOP_SHARE * length, PRINT_MM[0])
    length *= ODD if is_first else 1.0
    for share in SHORTER:
        shape = _upright if mouth.is_upright else _level
        points, outward = shape(rim, mouth, rules, share * length)
        grown = (points[:, None] + FREE_MM * ROUND).reshape(-1, 3)
        if is_free(_samples(grown, mouth)):
            seat = (points[:, None] + rules.gap_mm * ROUND).reshape(-1, 3)
            end = points @ outward
            middle = points[end > end.max() - 1e-6].mean(axis=0)
            return Print(
                solid=Solid.hull_of(np.vstack([points, _root(rim, mouth)])),
                seat=_outside(Solid.hull_of(seat), mouth),
                end_mm=middle,
                outward=outward,
                length_mm=share * length,
                thickness_mm=float(across.min()),
            )
    return None


def end_gap(rim: Floats, mouth: Mouth, gap_mm: float) -> Solid:
    """Return the gap in front of a core that ends flush with its mouth."""
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    outer = middle + (rim - middle) * (1.0 + OVER)
    return Solid.hull_of(np.vstack([outer, outer + (gap_mm + DIP_MM) * mouth.normal]))


def print_length_mm(thickness_mm: float) -> float:
    """Return the usual length of a print: its thickness, less above 76 mm. [mm]

    Examples
    --------
    >>> print_length_mm(30.0), print_length_mm(5.0), print_length_mm(176.0)
    (30.0, 12.0, 126.0)
    """
    short, long = PRINT_MM
    return max(min(thickness_mm, long), short) + 0.5 * max(thickness_mm - long, 0.0)


def _level(rim: Floats, mouth: Mouth, rules: PrintRules, length_mm: float) -> tuple[Floats, Floats]:
    """Return the corners of a level print and its direction."""
    outward = np.array([mouth.normal[0], mouth.normal[1], 0.0])
    outward /= np.linalg.norm(outward)
    lean = math.tan(math.radians(rules.taper_deg))
    middle = 0.5 * (rim @ mouth.u).min() + 0.5 * (rim @ mouth.u).max()
    half = 0.5 * float(np.ptp(rim @ mouth.u))
    narrow = max(1.0 - length_mm * lean / half, 0.6)
    end = float((rim @ outward).max()) + length_mm
    far = rim + np.outer(end - rim @ outward, outward)
    far = far + np.outer((narrow - 1.0) * (rim @ mouth.u - middle), mouth.u)
    floor = min(float(far[:, 2].min()), rules.z_mm - SEAT_DEPTH_MM)
    keel = middle + KEEL * narrow * half * np.array([-1.0, 1.0])
    base = far[0] - (far[0] @ mouth.u) * mouth.u
    keels = base + np.outer(keel, mouth.u)
    keels[:, 2] = floor
    far = np.vstack([far, keels])
    points = np.vstack([rim, far])
    side = np.sign(points @ mouth.u - middle)
    rise = rules.z_mm - points[:, 2]
    along = mouth.v / mouth.v[2]
    at_parting = points + np.outer(rise, along) + np.outer(side * np.abs(rise) * lean, mouth.u)
    return np.vstack([points, at_parting]), outward


def _upright(
    rim: Floats, mouth: Mouth, rules: PrintRules, length_mm: float
) -> tuple[Floats, Floats]:
    """Return the corners of a print that looks up or down, and its direction."""
    outward = np.array([0.0, 0.0, math.copysign(1.0, mouth.normal[2])])
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    half = 0.5 * float(np.ptp(rim[:, :2], axis=0).min())
    narrow = max(1.0 - length_mm * math.tan(math.radians(rules.taper_deg)) / half, 0.6)
    far = middle + narrow * (rim - middle)
    far[:, 2] = (rim * outward[2])[:, 2].max() * outward[2] + outward[2] * length_mm
    flat = middle[0] + 0.6 * narrow * half
    far[:, 0] = np.minimum(far[:, 0], flat)
    return np.vstack([rim, far]), outward


def _root(rim: Floats, mouth: Mouth) -> Floats:
    """Return corners a little inside the mouth: a print reaches into its core, not just to it."""
    middle = 0.5 * (rim.min(axis=0) + rim.max(axis=0))
    return np.asarray(middle + (1.0 - ROOT_SHRINK) * (rim - middle) - ROOT_MM * mouth.normal)


def _samples(corners: Floats, mouth: Mouth) -> Floats:
    """Return points spread through the hull of a grown print, outside the casting's flat."""
    body = _outside(Solid.hull_of(corners), mouth, FREE_MM)
    if body.is_empty:
        return np.empty((0, 3))
    surface = body.refined(2.0 * FREE_MM).mesh()[0]
    middle = surface.mean(axis=0)
    return np.vstack([middle + share * (surface - middle) for share in (1.0, 0.66, 0.33)])


def _outside(body: Solid, mouth: Mouth, by_mm: float = 0.0) -> Solid:
    """Return the part of a body outside the plane of a mouth."""
    normal = mouth.normal
    return body.split_at((normal[0], normal[1], normal[2]), mouth.offset_mm + by_mm)[0]


def _squared(normal: Floats, within_deg: float) -> Floats:
    """Return the axis a normal is this near to, else the normal."""
    axis = int(np.abs(normal).argmax())
    if abs(float(normal[axis])) < math.cos(math.radians(within_deg)):
        return normal
    squared = np.zeros(3)
    squared[axis] = math.copysign(1.0, normal[axis])
    return squared
