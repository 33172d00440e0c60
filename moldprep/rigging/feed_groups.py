"""Which sections need a feeder of their own: a walk over the section graph."""

from dataclasses import dataclass

from moldprep.records import Alloy, Section, SectionJoin, Survey

JOIN_OPEN = 0.95
"""A join this thick, as a share of the section's thickness, stays open as long as the section:
inscribed circles must grow toward the feeder (Heuvers' circles); 5 % for the grid."""


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
    if alloy.family in ("grey-iron", "ductile-iron"):
        return min(alloy.neck_factor, JOIN_OPEN)
    return JOIN_OPEN


def feed_groups(survey: Survey, alloy: Alloy) -> tuple[FeedGroup, ...]:
    """Return the sections grouped by what can feed them, heaviest root first.

    A section is fed by a neighbor that freezes later, through a join that freezes later than the
    section itself; of several such the one that freezes last. A section without one is a root.
    """
    by_name = {section.name: section for section in survey.sections}
    parent: dict[str, str] = {}
    for section in survey.sections:
        feeders = [
            other
            for other, join in _neighbors(section, survey.joins, by_name)
            if other.order > section.order
            and join.thickness_mm >= open_share(alloy) * section.thickness_mm
        ]
        if feeders:
            parent[section.name] = max(feeders, key=lambda other: other.order).name
    groups: dict[str, list[Section]] = {}
    for section in survey.sections:
        root = section.name
        while root in parent:
            root = parent[root]
        groups.setdefault(root, []).append(section)
    found = [
        FeedGroup(
            root=by_name[root],
            members=tuple(sorted(members, key=lambda s: -s.order)),
            parent=tuple(sorted((s.name, parent[s.name]) for s in members if s.name in parent)),
        )
        for root, members in groups.items()
    ]
    return tuple(sorted(found, key=lambda g: (-g.root.modulus_mm, g.root.name)))


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
