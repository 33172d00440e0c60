"""Seats beside a pattern: a neck leaves its wall sideways, the feeder stands in the sand there."""

import math
from dataclasses import replace
from functools import partial
from typing import Final

from moldprep.rigging.feed.access import opens_at_joint
from moldprep.rigging.feed.feeder_sites import SideSite
from moldprep.rigging.feed.feeder_size import FeederSize
from moldprep.rigging.feed.ground import Ground
from moldprep.rigging.feed.seat import Seat, Want, off_joint_mm, sleeve_wall_mm
from moldprep.rigging.feed.top_seats import LEAST_LIFT_MM

NECK_SHARE: Final = 0.3
"""Length of a side feeder's neck over its diameter; at most 0.5 (AFS rule, from memory)."""
SIDES_TRIED: Final = 40
"""Places beside a section whose neck is tried, best first."""
BUILT_TRIED: Final = 8
"""… and of these, how many are built to see whether they keep clear of the casting."""
SLIMMEST: Final = 3.0
"""Height over diameter of the slimmest side feeder: the top of a slimmer one freezes first."""
PAST_JOINT_MM: Final = 12.0
"""How far a feeder that rises to open at a joint goes past it: a dome of sand closes it."""
NECK_SHARES: Final = (1.0, 0.8, 0.65)
"""Shares of the wanted neck that are tried where a wall is too narrow for all of it."""


class SideSeats:
    """Finds seats beside one pattern."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground

    def seat(self, want: Want, over_mm: float) -> Seat | None:
        """Return a seat beside, wider than wanted where it would be too slim for its height."""
        size = self._ground.sized(want, "side")
        for _ in range(2):
            seat = self._beside(want, over_mm, size)
            if seat is None or seat.size.height_mm <= SLIMMEST * seat.size.diameter_mm:
                return seat
            wide = float(math.ceil(seat.size.height_mm / SLIMMEST))
            size = replace(seat.size, diameter_mm=wide)
        return None

    def _beside(self, want: Want, over_mm: float, size: FeederSize) -> Seat | None:
        """Return the seat of a side feeder of a size, as high as it must be there."""
        wall = sleeve_wall_mm(want.sleeve, size.diameter_mm)
        neck_mm = max(NECK_SHARE * size.diameter_mm, LEAST_LIFT_MM + wall)
        joints = self._ground.parting.joints_mm
        sites = self._ground.sites.beside(
            self._ground.number[want.section.name],
            want.near_mm,
            min(joints, key=lambda z_mm: abs(z_mm - float(want.near_mm[2]))),
            size.diameter_mm + 2.0 * wall,
            neck_mm - wall,
            size.height_mm,
            want.taken,
        )
        met = [
            (self._off_joint(site, neck), neck)
            for site in sites[:SIDES_TRIED]
            if (neck := self._neck(site, size, neck_mm)) is not None
        ]
        seats = [self._at_side(want, over_mm, size, neck_mm, site, neck) for site, neck in met]
        seats += [risen for seat in seats if (risen := self._risen(seat)) is not None]
        seats.sort(key=self._drawbacks)  # stable: else best first
        built = (seat for seat in seats[:BUILT_TRIED] if self._ground.is_clear_built(seat))
        return next(built, None)

    def _at_side(
        self,
        want: Want,
        over_mm: float,
        size: FeederSize,
        neck_mm: float,
        site: SideSite,
        neck: tuple[float, float],
    ) -> Seat:
        """Return the seat at a place beside, its feeder as high as it must be there."""
        wide, high = neck
        foot = site.neck_to_mm[2] - 0.5 * high
        low = over_mm - foot + 0.3 * size.diameter_mm
        high_enough = self._ground.sized(want, "side", low)
        size = replace(high_enough, diameter_mm=max(high_enough.diameter_mm, size.diameter_mm))
        out = neck_mm + 0.5 * size.diameter_mm
        x, y, _ = site.neck_to_mm
        return Seat(
            kind="side",
            section=want.section,
            size=size,
            at_mm=(x + out * site.outward[0], y + out * site.outward[1], foot),
            neck_to_mm=site.neck_to_mm,
            neck_width_mm=round(wide, 1),
            neck_height_mm=round(high, 1),
            start=self._ground.cell_inward(site.neck_to_mm, site.outward),
            note="beside, on a machined face" if site.is_machined else "beside",
            sleeve=want.sleeve,
        )

    def _drawbacks(self, seat: Seat) -> tuple[bool, bool, bool]:
        """Return whether a seat's cavity cannot be cleaned, nor let out air, and has thin sand."""
        opens = opens_at_joint(seat, self._ground.sites)
        return not opens, not self._ground.breathes(seat), not self._ground.is_clear(seat)

    def _risen(self, seat: Seat) -> Seat | None:
        """Return a seat deep in one piece, high enough to open at the joint over it, or None.

        Nothing cleans the cavity of one that does not; it must not get too slim.
        """
        foot, top = seat.at_mm[2], seat.at_mm[2] + seat.size.height_mm
        joints = self._ground.parting.joints_mm
        over = min((z_mm for z_mm in joints if z_mm >= top), default=math.inf)
        high = math.ceil(over + PAST_JOINT_MM - foot) if math.isfinite(over) else math.inf
        if opens_at_joint(seat, self._ground.sites) or high > SLIMMEST * seat.size.diameter_mm:
            return None
        return replace(seat, size=replace(seat.size, height_mm=float(high)))

    def _neck(self, site: SideSite, size: FeederSize, neck_mm: float) -> tuple[float, float] | None:
        """Return width and height of a side feeder's neck that meets the pattern, or None. [mm]"""
        high = max(min(4.0 * size.neck_modulus_mm, 0.95 * site.wall_mm, 0.9 * size.height_mm), 4.0)
        wide = _neck_width_mm(size, high)
        meets = partial(self._ground.sites.meets, site.neck_to_mm, site.outward, neck_mm)
        for share in NECK_SHARES:
            if meets(share * wide, share * high):
                return share * wide, share * high
        return None

    def _off_joint(self, site: SideSite, neck: tuple[float, float]) -> SideSite:
        """Return a place moved so that its neck leaves no skin of sand at the joint, if it can."""
        (x, y, z), high = site.neck_to_mm, round(neck[1], 1)
        for joint_mm in self._ground.parting.joints_mm:
            for by_mm in off_joint_mm(z - 0.5 * high, z + 0.5 * high, joint_mm):
                to = (x, y, z + by_mm)
                if self._ground.sites.meets(to, site.outward, LEAST_LIFT_MM, neck[0], high):
                    return replace(site, neck_to_mm=to)
        return site


def _neck_width_mm(size: FeederSize, high_mm: float) -> float:
    """Return the width that gives a neck of this height the wanted modulus, up to 0.9 D. [mm]"""
    most = 0.9 * size.diameter_mm
    spare = high_mm - 2.0 * size.neck_modulus_mm
    return min(most, 2.0 * size.neck_modulus_mm * high_mm / spare) if spare > 0.0 else most
