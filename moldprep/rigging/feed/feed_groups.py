"""Which sections need a feeder of their own: a walk over the section graph."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import ndimage

from moldprep.records import Alloy, Section, SectionJoin, Survey
from moldprep.thermal.feedpairs import demand_pct, section_reach_mm
from moldprep.thermal.holes import cut_off_share, small_hole_mm3
from moldprep.thermal.out_of_reach import FAR_BEYOND

JOIN_OPEN: Final = 0.85
"""A join this thick, as a share of the section's thickness, counts as open as long as the section.
Inscribed circles must grow toward the feeder (Heuvers' circles); a neck a little thinner is kept
hot from both ends. Common practice, no source; the heat solve has the last word."""

LARGE_SHARE: Final = 0.25
"""A section of more than this share of the casting asks for so much feed metal that it gets a
feeder of its own (common practice, no source)."""

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


def joined_groups(
    groups: tuple[FeedGroup, ...], survey: Survey, alloy: Alloy, casting_mm3: float
) -> tuple[FeedGroup, ...]:
    """Return the groups, those that leave no hole that matters joined to the one they hang on.

    An even wall falls into many sections that differ by less than anybody can tell; as its ways
    out close with it, next to nothing of it is cut off. What closes later than `small_hole_mm3`
    allows keeps its own feeder; the heat solve has the last word on the rest.

    Parameters
    ----------
    groups
        Heaviest root first; the first one stays.
    survey
        How sections hang together.
    alloy
        What feeders must make up for; in steel, how far they reach: what goes on farther stays.
    casting_mm3
        Volume of the casting.
    """
    order = [group.root for group in groups]
    home = {section.name: group.root.name for group in groups for section in group.members}
    for root in reversed(order[1:]):
        ways = _ways_out(root.name, home, survey)
        own_mm3 = sum(s.volume_mm3 for s in survey.sections if home[s.name] == root.name)
        widest = max(ways, key=lambda join: join.thickness_mm, default=None)
        is_large = root.volume_mm3 > LARGE_SHARE * casting_mm3
        is_far = alloy.family == "steel" and _is_far(root, survey, alloy)
        if widest is None or is_large or is_far:
            continue
        share = cut_off_share(root, widest.thickness_mm, hot_time_s(root))
        if 0.01 * demand_pct(alloy) * share * own_mm3 > small_hole_mm3(casting_mm3):
            continue
        goes_to = home[widest.b] if home[widest.a] == root.name else home[widest.a]
        home = {name: goes_to if at == root.name else at for name, at in home.items()}
    rank = {section.name: hot_time_s(section) for section in survey.sections}
    by_root: dict[str, list[Section]] = {}
    for section in survey.sections:
        by_root.setdefault(home[section.name], []).append(section)
    parent = {name: to for group in groups for name, to in group.parent}
    return tuple(
        FeedGroup(
            root=group.root,
            members=tuple(
                sorted(
                    by_root[group.root.name],
                    key=lambda s: (s.name == group.root.name, rank[s.name]),
                    reverse=True,
                )
            ),
            parent=tuple(
                sorted(
                    (s.name, parent[s.name]) for s in by_root[group.root.name] if s.name in parent
                )
            ),
        )
        for group in groups
        if group.root.name in by_root
    )


def parted(group: FeedGroup) -> tuple[FeedGroup, ...]:
    """Return a group without its large members, and each of those by itself."""
    whole = sum(section.volume_mm3 for section in group.members)
    large = [
        section
        for section in group.members
        if section is not group.root and section.volume_mm3 > LARGE_SHARE * whole
    ]
    rest = tuple(section for section in group.members if section not in large)
    names = {section.name for section in rest}
    kept = tuple(pair for pair in group.parent if names.issuperset(pair))
    alone = (FeedGroup(root=section, members=(section,), parent=()) for section in large)
    return FeedGroup(root=group.root, members=rest, parent=kept), *alone


def _is_far(section: Section, survey: Survey, alloy: Alloy) -> bool:
    """Return whether a section goes on for longer than a feeder beyond its end can reach."""
    number = 1 + [one.name for one in survey.sections].index(section.name)
    low, high = np.array(
        [(s.start, s.stop) for s in ndimage.find_objects(survey.label)[number - 1]]
    ).T
    long_mm = survey.pitch_mm * float((high - low).max())
    return long_mm > FAR_BEYOND * section_reach_mm(section, alloy, to_end=True, is_chilled=False)


def _ways_out(root: str, home: dict[str, str], survey: Survey) -> list[SectionJoin]:
    """Return the joins from a group to sections outside it."""
    return [
        join for join in survey.joins if (home.get(join.a) == root) != (home.get(join.b) == root)
    ]


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
