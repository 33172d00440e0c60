"""Is the heat solve's grid fine enough for the walls it judges?"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from moldprep.checks import check, judged
from moldprep.findings import Finding, Verdict
from moldprep.geometry.pitch import LEAST_CELLS
from moldprep.records import Freezing, Grid, Section, Survey
from moldprep.results import Results

GOOD_CELLS: Final = 3.0
"""Cells across from which a wall has a middle that freezes apart from its skins."""

SMALL_SHARE: Final = 0.01
"""Share of the casting under which a section's own thickness does not count as a wall."""

UPDATES_S: Final = 3e8
"""Cells times steps a second on two cores of an office machine; for an estimate only. [1/s]"""


@check(
    id="feeding/grid-resolves-walls",
    why="A wall as thick as one cell has no middle: when it freezes, and whether metal still gets "
    "through it, is then chance.",
    source="plates of 1.5 cells freeze within 9 % of their time, of 3 cells within 2 %: measured "
    "against a fine grid; what error is let pass: common practice, no source",
    limit=LEAST_CELLS,
    unit="cells",
)
def grid_resolves_walls(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the thinnest wall that matters with the cells of the heat solve.

    That wall is the one 5 % of the surface is under, or the thickness of the thinnest section
    with a hundredth of the casting. Up to three cells it warns.
    """
    survey, pitch = results.need(Survey), results.need(Grid).pitch_mm
    wall = _thinnest_mm(survey)
    cells = wall / pitch
    said = "; feeding of such walls is not judged" if cells < limit else ""
    found = judged(
        cells >= limit,
        f"cells of {pitch:.1f} mm on walls of {wall:.1f} mm: {cells:.1f} cells across{said}",
        value=cells,
    )
    verdict = Verdict.WARN if limit <= cells < GOOD_CELLS else found.verdict
    remedy = "" if verdict is Verdict.PASS else _finer(wall, pitch, results)
    yield replace(found, verdict=verdict, remedy=remedy)


def _thinnest_mm(survey: Survey) -> float:
    """Return the thinnest wall that matters. [mm]"""
    least = SMALL_SHARE * sum(section.volume_mm3 for section in survey.sections)
    walls = [s.thickness_mm for s in survey.sections if s.volume_mm3 >= least]
    return min([survey.thin_mm, *walls])


def _finer(wall_mm: float, pitch_mm: float, results: Results) -> str:
    """Return the pitch to set, and what it costs: an explicit solve goes with pitch to the -5."""
    freezing = results.need(Freezing)
    before = freezing.n_cells * freezing.n_steps / UPDATES_S
    ways = [
        f"freezing.pitch_mm = {pitch:.2f} ({cells:g} cells across, {(pitch_mm / pitch) ** 5:.0f} "
        f"x the work: some {_time(before * (pitch_mm / pitch) ** 5)}, "
        f"{freezing.n_cells * (pitch_mm / pitch) ** 3 / 1e6:.0f} million cells)"
        for cells in (LEAST_CELLS, GOOD_CELLS)
        if (pitch := wall_mm / cells) < pitch_mm
    ]
    return f"set {' or '.join(ways)}; until then size feeders of thin walls by the modulus rule"


def _time(seconds: float) -> str:
    if seconds < 90.0:
        return f"{max(seconds, 1.0):.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def coarse_sections(results: Results) -> dict[str, Section]:
    """Return the sections thinner than `LEAST_CELLS`, by name: their times are chance."""
    if Survey not in results or Grid not in results:
        return {}
    least = LEAST_CELLS * results.need(Grid).pitch_mm
    sections = results.need(Survey).sections
    return {section.name: section for section in sections if section.thickness_mm < least}
