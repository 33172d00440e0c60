"""Does the pattern have the allowances it needs, and what is left for cores?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.geometry.allowance import machining_allowance_mm
from moldprep.geometry.faces import Surface, face_colors, select
from moldprep.records import Alloy, Casting, Job, Pattern
from moldprep.results import Results

SHRINK_PCT: Final = {
    "grey-iron": (0.55, 1.3),
    "ductile-iron": (0.0, 1.0),
    "steel": (1.56, 2.6),
    "aluminium": (1.25, 1.82),
    "copper": (1.05, 2.1),
}
"""Lowest and highest published linear allowance of each family of alloys. [%]"""

LIES_UP: Final = np.cos(np.radians(45.0))
"""A face whose normal rises more than this lies up."""

TOLD_APART: Final = 3
"""Undercuts told one by one, largest first; the rest are counted."""


@check(
    id="pattern/shrink-is-as-published",
    why="A pattern made by the wrong shrink rule gives a casting of the wrong size everywhere.",
    source="M. P. Groover, Fundamentals of Modern Manufacturing, 4th ed., ch. 10; Westermann "
    "Tables; P. N. Rao, Manufacturing Technology, vol. 1 (ductile iron, from memory)",
    limit=0.0,
    unit="%",
    miss=Verdict.WARN,
)
def shrink_is_as_published(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the allowance along each axis with what is published for the family."""
    alloy, rule = results.need(Alloy), results.need(Job).pattern.shrink_rule
    low, high = SHRINK_PCT[alloy.family]
    factors = results.need(Pattern).shrink
    pct = 100.0 * (factors - 1.0 if rule == "on-casting" else 1.0 - 1.0 / factors)
    outside = np.maximum(np.maximum(low - pct, pct - high), 0.0)
    worst = int(np.argmax(outside))
    yield judged(
        float(outside[worst]) <= limit + 1e-9,
        f"shrink allowance {pct.min():.2f} to {pct.max():.2f} %; published for {alloy.family}: "
        f"{low} to {high} %",
        value=float(outside[worst]),
        part="casting",
        remedy="leave pattern.shrink_pct to the alloy, unless your own castings say otherwise",
    )


@check(
    id="pattern/draft-as-asked",
    why="A wall with less draft than asked tears the sand where a pattern or a core is drawn.",
    source="NPTEL, Manufacturing Processes I, Metal Casting, Lecture 4, Table 2 (drawn patterns); "
    "a printed mold needs none to be drawn: common practice, no source",
    limit=0.05,
    unit="deg",
    miss=Verdict.WARN,
)
def draft_as_asked(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the draft measured on each group of walls with what the job asks."""
    facts = results.need(Pattern).draft
    if not facts:
        yield passed_over("no walls stand along the pull")
    asked = [fact for fact in facts if fact.asked_deg > 0.0]
    if facts and not asked:
        yield passed_over("no draft is asked for: nothing is drawn from printed sand")
    for fact in asked:
        short = max(fact.asked_deg - fact.smallest_deg, 0.0)
        yield judged(
            short <= limit,
            f"{fact.group} walls ({fact.area_mm2 / 100.0:.0f} cm²) have at least "
            f"{fact.smallest_deg:.2f}° of draft, {fact.asked_deg:.2f}° asked",
            value=short,
            part="casting",
            at_mm=fact.at_mm,
            remedy="draw this wall with draft, or exempt it: it is too tight to be turned",
        )


@check(
    id="pattern/undercuts-are-few",
    why="A pattern that is drawn tears the sand over an undercut; printed sand is not drawn, there "
    "an undercut is formed by its half or by a core.",
    source="common practice, no source",
    limit=1.0,
    unit="mm²",
    miss=Verdict.WARN,
)
def undercuts_are_few(results: Results, limit: float) -> Iterator[Finding]:
    """Tell every patch that a pull would tear, with its place; a fault where a pattern is drawn."""
    found = results.need(Pattern).undercuts
    is_drawn = results.need(Job).cores.process == "only"
    if not found:
        yield judged(True, "cope and drag form every face", value=0.0, part="casting")
        return
    area = sum(one.area_mm2 for one in found)
    told = [f"{one.area_mm2 / 100.0:.1f} cm² from the {one.side}" for one in found[:TOLD_APART]]
    rest = f" and {len(found) - TOLD_APART} more" if len(found) > TOLD_APART else ""
    made = "they want cores" if is_drawn else "printed sand is not drawn: see the mold's pieces"
    yield judged(
        area <= limit or not is_drawn,
        f"{area / 100.0:.1f} cm² could not be drawn ({', '.join(told)}{rest}); {made}",
        value=area,
        part="casting",
        at_mm=found[0].at_mm,
        remedy="fine where a core forms it; else turn the pull, move the parting, or fill it",
    )


@check(
    id="pattern/stock-meets-grade",
    why="Too little stock and the cutter runs into cast skin, sand and slag, or finds no metal.",
    source="ISO 8062-3:2007, required machining allowances by grade and largest dimension "
    "(from memory)",
    limit=1.0,
)
def stock_meets_grade(results: Results, limit: float) -> Iterator[Finding]:
    """Compare stock given in mm with the grade given beside it."""
    both = [
        (number, entry.mm, entry.grade)
        for number, entry in enumerate(results.need(Job).pattern.stock, start=1)
        if entry.mm is not None and entry.grade is not None
    ]
    if not both:
        yield passed_over("no machining stock is given both in mm and by grade")
        return
    largest = float(results.need(Casting).solid.size_mm.max())
    for number, mm, grade in both:
        needed = machining_allowance_mm(grade, largest)
        yield judged(
            mm / needed >= limit,
            f"stock {number}: {mm:.2f} mm, RMAG {grade} at {largest:.0f} mm is {needed:.2f} mm",
            value=mm / needed,
            part="casting",
            remedy=f"give {needed:.2f} mm, or leave mm out and keep the grade",
        )


@check(
    id="pattern/stock-found-its-faces",
    why="A stock entry that selects no face leaves a face without stock, and nobody told.",
    source="common practice, no source",
    limit=1.0,
    unit="mm²",
)
def stock_found_its_faces(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the area every stock entry selects on the casting."""
    casting, stock = results.need(Casting), results.need(Job).pattern.stock
    if not stock:
        yield passed_over("no machining stock is asked for")
        return
    surface = Surface.of(casting.solid)
    colors = face_colors(casting, surface)
    for number, entry in enumerate(stock, start=1):
        area = float(surface.area_mm2[select(surface, entry.faces, colors)].sum())
        yield judged(
            area >= limit,
            f"stock {number} is on {area / 100.0:.1f} cm² of the casting",
            value=area,
            part="casting",
            remedy="look at its selector: model frame, mm, normals point outward",
        )


@check(
    id="pattern/spared-faces-are-found",
    why="A selector that means no face spares none: a gate or a draft goes where none may.",
    source="common practice, no source",
    limit=1.0,
    unit="mm²",
)
def spared_faces_are_found(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the area of the casting that every keep_clear and every exempt entry means."""
    casting, keys = results.need(Casting), results.need(Job).pattern
    entries = [("keep_clear", k, one) for k, one in enumerate(keys.keep_clear, start=1)]
    entries += [("draft.exempt", k, one) for k, one in enumerate(keys.draft.exempt, start=1)]
    if not entries:
        yield passed_over("no face is kept clear or exempt from draft")
        return
    surface = Surface.of(casting.solid)
    colors = face_colors(casting, surface)
    for name, number, selector in entries:
        area = float(surface.area_mm2[select(surface, selector, colors)].sum())
        yield judged(
            area >= limit,
            f"{name} {number} is on {area / 100.0:.1f} cm² of the casting",
            value=area,
            part="casting",
            remedy="look at its selector: model frame, mm, normals point outward",
        )


@check(
    id="pattern/machined-faces-lie-down",
    why="Slag, sand and gas rise: a machined face on top shows them, or needs more stock.",
    source="common practice, no source",
    limit=0.5,
    miss=Verdict.WARN,
)
def machined_faces_lie_down(results: Results, limit: float) -> Iterator[Finding]:
    """Measure how much of the machined area lies up without more stock for it."""
    pattern, stock = results.need(Pattern), results.need(Job).pattern.stock
    surface = Surface.of(pattern.solid)
    area = surface.area_mm2[pattern.is_machined]
    if area.sum() <= 0.0:
        yield passed_over("nothing is machined")
        return
    if all(entry.cope_extra_mm > 0.0 for entry in stock):
        yield passed_over("faces that lie up get more stock")
        return
    up = area[surface.normals[pattern.is_machined, 2] >= LIES_UP].sum() / area.sum()
    yield judged(
        up <= limit,
        f"{100.0 * up:.0f} % of the machined area lies up",
        value=float(up),
        part="casting",
        remedy="turn the casting over (parting.pull), or give cope_extra_mm",
    )
