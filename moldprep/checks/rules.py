"""Published rules of casting that geometry and times can judge: convection, segregation, stress."""

from collections.abc import Iterator
from typing import Final

from shapely.geometry import Polygon

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import Alloy, FlowGraph, Pattern, Section, Survey
from moldprep.results import Results

CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
PRACTICE = "common practice, no source"

LARGE_SHARE: Final = 0.05
"""A section smaller than this share of the casting pulls on nothing. [-]"""

OPEN_SHARE: Final = 0.1
"""Openings through a casting over its outline, both seen from above, from which it is a frame:
windows between members, not bolt holes (common practice, no source). [-]"""

SEGREGATES: Final = ("steel", "grey-iron", "ductile-iron")
"""Families whose thick sections segregate while they freeze."""


@check(
    id="feeding/hot-metal-lies-above",
    why="In a thick section hot metal below cold metal churns, and carries heat past the feeder.",
    source=CAMPBELL + ", rule 7; 20 to 25 mm of modulus: " + PRACTICE,
    limit=20.0,
    unit="mm",
    miss=Verdict.WARN,
)
def hot_metal_lies_above(results: Results, limit: float) -> Iterator[Finding]:
    """Look for thick sections that gates fill from below their middle."""
    mouths, survey = results.need(FlowGraph).mouths, results.need(Survey)
    if not mouths:
        yield passed_over("no gate opens into anything")
        return
    lowest = min(mouths, key=lambda mouth: mouth.at_mm[2])
    thick = [s for s in survey.sections if s.modulus_mm > limit and s.at_mm[2] > lowest.at_mm[2]]
    for section in thick:
        yield judged(
            False,
            f"{section.name}, modulus {section.modulus_mm:.0f} mm, lies"
            f" {section.at_mm[2] - lowest.at_mm[2]:.0f} mm over {lowest.body}: its metal may churn",
            value=section.modulus_mm,
            part=section.name,
            at_mm=section.at_mm,
            remedy="gate through its feeder or above its middle, chill it below, or turn the"
            " casting after pouring",
        )
    if not thick:
        most = max((section.modulus_mm for section in survey.sections), default=0.0)
        yield judged(True, f"no section over {limit:.0f} mm of modulus is filled from below",
                     value=most)  # fmt: skip


@check(
    id="feeding/freezes-before-it-segregates",
    why="What freezes for an hour parts into richer and poorer metal, and grows coarse.",
    source=CAMPBELL + ", rule 8; the time: " + PRACTICE,
    limit=3600.0,
    unit="s",
    miss=Verdict.WARN,
)
def freezes_before_it_segregates(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the freezing time of each section of steel or iron with the limit."""
    alloy, sections = results.need(Alloy), results.need(Survey).sections
    if alloy.family not in SEGREGATES or not sections:
        yield passed_over("judged for steel and iron only")
        return
    slowest = max(sections, key=lambda section: section.freezing_time_s)
    yield judged(
        slowest.freezing_time_s <= limit,
        f"{slowest.name} freezes last, after {slowest.freezing_time_s:.0f} s",
        value=slowest.freezing_time_s,
        part=slowest.name,
        at_mm=slowest.at_mm,
        remedy="chill it, core it out, or agree with the customer on what is allowed there",
    )


@check(
    id="feeding/frame-cools-evenly",
    why="In a closed frame thin members freeze first and are torn or bent by the thick ones.",
    source=CAMPBELL + ", rule 9; the ratio: " + PRACTICE,
    limit=4.0,
    miss=Verdict.WARN,
)
def frame_cools_evenly(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the freezing times of the members of a casting with openings through it."""
    members = _members(results.need(Survey).sections)
    if not _is_frame(results.need(Pattern).solid) or len(members) < 2:
        yield passed_over("no closed frame of several sections")
        return
    first = min(members, key=lambda section: section.freezing_time_s)
    last = max(members, key=lambda section: section.freezing_time_s)
    times = last.freezing_time_s / max(first.freezing_time_s, 1e-9)
    yield judged(
        times <= limit,
        f"{last.name} freezes {times:.1f} x as long as {first.name}",
        value=times,
        part=first.name,
        at_mm=first.at_mm,
        remedy=f"chill {last.name}, thicken {first.name}, and do not shake out early",
    )


def _is_frame(solid: Solid) -> bool:
    """Return whether wide openings go through a casting, as it lies."""
    outline = solid.shadow()
    holes = sum(Polygon(ring).area for part in outline.geoms for ring in part.interiors)
    return bool(holes >= OPEN_SHARE * (outline.area + holes) > 0.0)


def _members(sections: tuple[Section, ...]) -> list[Section]:
    """Return the sections large enough to pull on others."""
    whole = sum(section.volume_mm3 for section in sections)
    return [section for section in sections if section.volume_mm3 >= LARGE_SHARE * whole]
