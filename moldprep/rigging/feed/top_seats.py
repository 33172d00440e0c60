"""Seats on top of a pattern: on a full foot, over a bore, or on a neck off the feeder's middle."""

import math
from dataclasses import replace
from functools import partial
from typing import Final

from moldprep.rigging.feed.feeder_sites import TopSite
from moldprep.rigging.feed.feeder_size import FeederSize
from moldprep.rigging.feed.ground import Ground
from moldprep.rigging.feed.seat import Seat, Want, sleeve_wall_mm
from moldprep.rigging.feed.site_maps import Disc, Floats

TOPS_TRIED: Final = 4
"""Places on top that are built to see whether they keep clear of the casting, best first."""
MOST_WIDENED: Final = 1.5
"""Diameter of a feeder over a bore, to reach the ring round it, over what it must have at most."""
LOWEST: Final = 1.15
"""Height over diameter of one that was widened so: as low as wide it has its heat at its foot."""
NECK_LIFT: Final = 0.12
"""Height of a necked-down foot over the feeder's diameter."""
LEAST_LIFT_MM: Final = 8.0
"""Sand under a feeder that stands beside its neck; thinner sand would break."""


class TopSeats:
    """Finds seats on top of one pattern."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground

    def seat(self, want: Want, least: float) -> Seat | None:
        """Return a seat on top: on a full foot, over a bore, or on a neck off its middle.

        `least` is the narrowest neck over what its modulus asks for.
        """
        needed = 4.0 * min(self._ground.alloy.neck_factor, 1.0) * want.section.modulus_mm
        on_ground = partial(self._on_ground, want, least * needed)
        over_bore = partial(self._over_bore, want, least)
        seats = []
        for find in (partial(on_ground, 0.0), over_bore):
            seat = find()
            if seat is not None and self._is_over(seat, want.near_mm):
                return seat
            seats += [seat] if seat is not None else []
        for seat in seats:
            if self._ground.is_near(seat, want.near_mm):
                return seat
        seat = on_ground(least * needed)
        if seat is not None and self._ground.is_near(seat, want.near_mm):
            return seat
        return next(iter(seats), seat)

    @staticmethod
    def _is_over(seat: Seat, near_mm: Floats) -> bool:
        """Return whether a hot spot lies under a seat's feeder, or within half a wall of that."""
        away = math.dist(seat.at_mm[:2], near_mm[:2]) - 0.5 * seat.size.diameter_mm
        return away <= 0.5 * seat.section.thickness_mm

    def _on_ground(self, want: Want, least_mm: float, narrow_mm: float) -> Seat | None:
        """Return a seat on level ground, on a neck where `narrow_mm` is over 0."""
        refused: list[Disc] = []
        while len(refused) < TOPS_TRIED:
            site, seat = self._top_at(want, narrow_mm, least_mm, refused)
            if site is None:
                return None
            if seat is not None and self._ground.is_sound(seat):
                return seat
            refused.append((site.at_mm[0], site.at_mm[1], max(want.section.thickness_mm, 10.0)))
        return None

    def _over_bore(self, want: Want, least: float) -> Seat | None:
        """Return a seat over an upright bore, wide enough to feed through the ring round it.

        The ring is a wall between the bore's sand and the feeder's: twice as wide as its modulus.
        """
        size = self._ground.sized(want, "top")
        ring = 2.0 * size.neck_modulus_mm
        number = self._ground.number[want.section.name]
        for mouth in self._ground.sites.bore_mouths(number, want.near_mm):
            ring_mm = min(ring, mouth.ground_mm)
            wide = math.ceil(2.0 * (mouth.radius_mm + ring_mm))
            if ring_mm < least * ring or wide > MOST_WIDENED * size.diameter_mm:
                continue
            fits = replace(
                size,
                diameter_mm=max(float(wide), size.diameter_mm),
                height_mm=max(float(math.ceil(LOWEST * wide)), size.height_mm),
            )
            whole = fits.diameter_mm + 2.0 * sleeve_wall_mm(want.sleeve, fits.diameter_mm)
            if not self._ground.sites.has_room_over(mouth, whole, fits.height_mm, want.taken):
                continue
            seat = Seat(
                kind="top",
                section=want.section,
                size=fits,
                at_mm=(*mouth.middle_mm, mouth.at_mm[2]),
                neck_to_mm=(0.0, 0.0, 0.0),
                neck_width_mm=0.0,
                neck_height_mm=0.0,
                start=self._ground.cell_under(mouth.at_mm),
                note="over a bore that is machined anyway" if mouth.is_machined else "over a bore",
                sleeve=want.sleeve,
            )
            if self._ground.is_sound(seat):
                return seat
        return None

    def _top_at(
        self,
        want: Want,
        narrow_mm: float,
        least_mm: float,
        refused: list[Disc],
    ) -> tuple[TopSite | None, Seat | None]:
        """Return the best place on top that was not refused, and the seat there if it has one."""
        size = self._ground.sized(want, "top", neck_mm=narrow_mm)
        wall = sleeve_wall_mm(want.sleeve, size.diameter_mm)
        lift = max(NECK_LIFT * size.diameter_mm, LEAST_LIFT_MM)
        neck = min(narrow_mm, size.diameter_mm)
        site = self._ground.sites.on_top(
            {self._ground.number[want.section.name]},
            want.near_mm,
            size.diameter_mm + 2.0 * wall,
            size.height_mm,
            max(want.section.thickness_mm, self._ground.survey.pitch_mm),
            want.taken,
            neck_mm=neck,
            lift_mm=lift,
            sleeve_mm=wall,
            refused=tuple(refused),
        )
        if site is None or ((site.is_stepped or neck) and site.foot_mm < least_mm):
            return site, None
        if site.is_stepped and not neck:  # it will stand on a neck after all
            foot = min(site.foot_mm, size.diameter_mm)
            size = self._ground.sized(want, "top", neck_mm=foot)
        return site, self._on(site, want, size, lift, is_off=neck > 0.0)

    def _on(
        self,
        site: TopSite,
        want: Want,
        size: FeederSize,
        lift_mm: float,
        *,
        is_off: bool,
    ) -> Seat:
        """Return the seat on a place on top."""
        off = math.dist(site.at_mm[:2], site.middle_mm)
        most = size.diameter_mm - 2.0 * off if is_off else size.diameter_mm
        neck = round(min(site.foot_mm, most), 1) if is_off or site.is_stepped else 0.0
        high = lift_mm if is_off else max(NECK_LIFT * size.diameter_mm, 5.0) if neck else 0.0
        return Seat(
            kind="top",
            section=want.section,
            size=size,
            at_mm=(*site.middle_mm, site.at_mm[2] + high),
            neck_to_mm=site.at_mm if neck else (0.0, 0.0, 0.0),
            neck_width_mm=neck,
            neck_height_mm=round(high, 1),
            start=self._ground.cell_under(site.at_mm),
            note=("on a face that is machined anyway" if site.is_machined else "on top")
            + (", on a neck beside its middle" if off > 1.0 else ""),
            sleeve=want.sleeve,
        )
