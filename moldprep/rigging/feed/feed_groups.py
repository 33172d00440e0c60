"""Which sections need a feeder of their own: a walk over the section graph."""

from dataclasses import dataclass
from typing import Final

from moldprep.records import Alloy, Section, SectionJoin, Survey

JOIN_OPEN: Final = 0.85
"""A join this thick, as a share of the section's thickness, counts as open as long as the section.
Inscribed circles must grow toward the feeder (Heuvers' circles); a neck a little thinner is kept
hot from both ends. Common practice, no source; the heat solve has the last word."""

SPREAD: Final = {"plate": 2.0, "bar": 4.0, "chunky": 6.0}
"""Thickness over modulus of a long plate, a long square bar and a cube."""


@dataclass(frozen=True, kw_only=True)
class FeedGroup:
    """Sections that one place can feed; `root` freezes last of them and needs the feeder.

    parent : (section, the neighbor that feeds it), by name
    """

    root: Section
    members: tuple[Section, ...]
    parent: tuple[tuple[str, str], ...]


def open_share(alloy: Alloy) -> float:
    """Return how thick a join must be against its section to feed it. [-]

    Irons feed themselves once their graphite swells, so a join may close early: the alloy's neck
    factor (a thin rule). All others must stay open to the end.
    """
    if alloy.expands:
        return min(alloy.neck_factor, JOIN_OPEN)
    return JOIN_OPEN


def feed_groups(survey: Survey, alloy: Alloy) -> tuple[FeedGroup, ...]:
    """Return the sections grouped by what can feed them, heaviest root first.

    A section is fed by a neighbor that freezes later, through a join that freezes later than the
    section itself; of several such the one that freezes last. A section without one is a root.
    What counts is the hot spot, not the whole section: see `hot_time_s`.
    """
    rank = {section.name: (hot_time_s(section), section.order) for section in survey.sections}
    by_name = {section.name: section for section in survey.sections}
    parent: dict[str, str] = {}
    for section in survey.sections:
        feeders = [
            other
            for other, join in _neighbors(section, survey.joins, by_name)
            if rank[other.name] > rank[section.name]
            and join.thickness_mm >= open_share(alloy) * section.thickness_mm
        ]
        if feeders:
            parent[section.name] = max(feeders, key=lambda other: rank[other.name]).name
    groups: dict[str, list[Section]] = {}
    for section in survey.sections:
        root = section.name
        while root in parent:
            root = parent[root]
        groups.setdefault(root, []).append(section)
    found = [
        FeedGroup(
            root=by_name[root],
            members=tuple(sorted(members, key=lambda s: rank[s.name], reverse=True)),
            parent=tuple(sorted((s.name, parent[s.name]) for s in members if s.name in parent)),
        )
        for root, members in groups.items()
    ]
    return tuple(sorted(found, key=lambda g: rank[g.root.name], reverse=True))


def hot_time_s(section: Section) -> float:
    """Return the rule's freezing time of a section's hot spot. [s]

    A section that is thin in most places and thick in one freezes there later than its overall
    modulus says; so the larger of that and the modulus its thickest place would have alone.
    """
    thick = section.thickness_mm / SPREAD.get(section.shape, SPREAD["chunky"])
    return section.constant_s_mm2 * max(section.modulus_mm, thick) ** 2


def thickest_join_mm(section: Section, survey: Survey) -> float:
    """Return the thickness of the best way out of a section; 0 where it stands alone. [mm]"""
    return max((j.thickness_mm for j in survey.joins if section.name in (j.a, j.b)), default=0.0)


def _neighbors(
    section: Section, joins: tuple[SectionJoin, ...], by_name: dict[str, Section]
) -> list[tuple[Section, SectionJoin]]:
    return [
        (by_name[join.b if join.a == section.name else join.a], join)
        for join in joins
        if section.name in (join.a, join.b)
    ]
