"""Chills: what can be chilled instead of fed, and where its chill lies."""

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from moldprep.records import Section, Survey
from moldprep.rigging.feed.chill_sites import ChillSite, ChillSites
from moldprep.rigging.feed.feed_groups import FeedGroup, thickest_join_mm
from moldprep.rigging.feed_reach import chilled_modulus_mm

CHILL_COUNTS: Final = 2.5
CHILL_AREA_SHARE: Final = 0.35
"""A chill is taken instead of a feeder while it covers no more of a section's surface."""
CHILL_VOLUME_SHARE: Final = 0.10
"""… and while the section is no more than this share of the casting."""


class ChillFinder:
    """Finds places for chills on one pattern."""

    def __init__(
        self, sites: ChillSites, number: Mapping[str, int], survey: Survey, casting_mm3: float
    ) -> None:
        """Take where things can lie, the sections' numbers, and the casting's volume."""
        self._sites, self._number, self._survey = sites, number, survey
        self._casting_mm3 = casting_mm3

    def instead(self, group: FeedGroup) -> ChillSite | None:
        """Return a chill that makes a small root freeze before its way out, or None."""
        root = group.root
        if root.volume_mm3 > CHILL_VOLUME_SHARE * self._casting_mm3:
            return None
        join = thickest_join_mm(root, self._survey)
        if not join > 0.0:
            return None
        target = 0.9 * root.modulus_mm * min(join / root.thickness_mm, 1.0)
        area = (root.volume_mm3 / target - root.cooled_area_mm2) / (CHILL_COUNTS - 1.0)
        if not 0.0 < area <= CHILL_AREA_SHARE * root.cooled_area_mm2:
            return None
        width = math.sqrt(area)
        site = self._for(root, width)
        return site if site is not None and site.width_mm >= 0.9 * width else None

    def site(self, section: Section) -> ChillSite | None:
        """Return the widest useful chill for a section that no feeder can reach, or None."""
        width = max(section.thickness_mm, math.sqrt(0.15 * section.cooled_area_mm2))
        return self._for(section, width)

    def _for(self, section: Section, width_mm: float) -> ChillSite | None:
        number, near = self._number[section.name], np.array(section.at_mm)
        return self._sites.for_chill(number, near, width_mm, section.thickness_mm)

    def why(self, section: Section) -> str:
        """Return why a section gets a chill."""
        area = CHILL_AREA_SHARE * section.cooled_area_mm2
        least = chilled_modulus_mm(section.volume_mm3, section.cooled_area_mm2, area, CHILL_COUNTS)
        return (
            f"{section.name} (modulus {section.modulus_mm:.1f} mm) would be cut off by its thinner "
            f"neck; chilled it can come down to {least:.1f} mm and freeze first. Dry and warm"
        )
