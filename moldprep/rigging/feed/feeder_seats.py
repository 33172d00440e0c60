"""One feeder or chill on a pattern: a seat on top, else beside; and how it goes into the mold."""

import math
from functools import partial
from typing import Final

from moldprep.records import Section
from moldprep.rigging.feed.chill_seats import ChillFinder
from moldprep.rigging.feed.feed_groups import FeedGroup
from moldprep.rigging.feed.ground import Ground
from moldprep.rigging.feed.seat import Seat, Want
from moldprep.rigging.feed.side_seats import SideSeats
from moldprep.rigging.feed.site_maps import Disc, Floats
from moldprep.rigging.feed.top_seats import TopSeats
from moldprep.thermal.feedpairs import section_reach_mm

NECK_GROUNDS: Final = (0.7, 0.5)
"""Width a neck must have at least over what its modulus asks for: heat from both ends helps it.
The narrower one is taken where no other finds ground; the heat solve shows whether it does."""
SLEEVE_WHY: Final = "a plain one would need over twice the metal, or finds no room"


class SeatFinder:
    """Finds seats on one pattern, one at a time."""

    def __init__(self, ground: Ground) -> None:
        """Take what all seats of the pattern share."""
        self._ground = ground
        self._on_top, self._beside = TopSeats(ground), SideSeats(ground)
        self.sites, self.number, self.sizer = ground.sites, ground.number, ground.sizer
        self.by_name = {section.name: section for section in ground.survey.sections}
        self.casting_mm3 = ground.casting_mm3
        self.chills = ChillFinder(self.sites, self.number, ground.survey, self.casting_mm3)
        self.breathes, self.is_near = ground.breathes, ground.is_near
        self.has_ground, self.stands_clear = ground.has_ground, ground.stands_clear

    def seat(
        self,
        section: Section,
        near_mm: Floats,
        feeds_mm3: float,
        taken: tuple[Disc, ...] = (),
        group: FeedGroup | None = None,
        over_mm: float | None = None,
    ) -> Seat | None:
        """Return a seat for a feeder near a hot spot of a section: on top, else beside, else None.

        A place near the hot spot goes before one far off, and one with sand all round before one
        close beside a wall. A feeder in an insulating sleeve is
        slimmer: it comes first where it saves much metal, else where a plain one finds no place;
        at last comes a narrower neck. One beside ends above `over_mm`, where that is not given
        above all it feeds, as far up as it reaches.
        """
        second: list[Seat] = []
        if over_mm is None:
            reach = section_reach_mm(section, self._ground.alloy, to_end=True, is_chilled=False)
            top = self._ground.top_of(group.members if group else (section,))
            over_mm = min(top, float(near_mm[2]) + reach)
        for least in NECK_GROUNDS:
            for sleeve in self.sizer.sleeves(section, feeds_mm3):
                want = Want(
                    section=section,
                    near_mm=near_mm,
                    feeds_mm3=feeds_mm3,
                    taken=taken,
                    sleeve=sleeve,
                )
                on_top = partial(self._on_top.seat, want, least)
                beside = partial(self._beside.seat, want, over_mm)
                # a place beside is the same for any ground
                for find in (on_top, beside) if least == NECK_GROUNDS[0] else (on_top,):
                    seat = find()
                    if seat is None:
                        continue
                    is_fine = self._ground.is_clear(seat) and self.breathes(seat)
                    if is_fine and self.is_near(seat, near_mm):
                        return seat
                    second.append(seat)
            if second:
                break
        return max(
            second,
            key=lambda seat: (self.is_near(seat, near_mm), self.breathes(seat)),
            default=None,
        )

    def where_it_is(self, seat: Seat, taken: tuple[Disc, ...]) -> Seat | None:
        """Return a seat of another size at the same place, or None where it has no room."""
        x, y, _ = seat.at_mm
        radius = 0.5 * seat.size.diameter_mm + seat.sleeve_mm
        is_free = all(math.dist((x, y), other[:2]) > other[2] + radius for other in taken)
        return seat if is_free and self._ground.is_clear_built(seat) else None

    def why(self, seat: Seat, serves: tuple[str, ...]) -> str:
        """Return why a feeder is where and as large as it is."""
        size = seat.size
        return (
            f"{', '.join(serves)} cannot be fed by a neighbor; {seat.note} near the hot spot of "
            f"{seat.section.name} (modulus {seat.section.modulus_mm:.1f} mm): modulus "
            f"{size.modulus_mm:.1f} mm, volume {size.volume_needed_mm3 / 1e3:.0f} cm³ wanted, "
            f"{size.decided_by} decides. Closed, with an air core: sand on top keeps heat and yield"
            + ("" if seat.sleeve == "none" else f"; in a sleeve: {SLEEVE_WHY}")
        )
