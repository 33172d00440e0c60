"""Is the model a casting that can be made as it was drawn?"""

from collections import Counter
from collections.abc import Iterator

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, Body, Casting, Role, Survey
from moldprep.results import Results

HARMLESS = ("corners welded", "facets without area dropped")
"""Repairs that leave the surface as it was and say nothing about its soundness."""


@check(
    id="casting/model-is-the-customers",
    why="A model remade on a grid has its edges cut and its holes guessed: it is not the drawing.",
    source="common practice, no source",
    limit=0.0,
    unit="mm",
    miss=Verdict.WARN,
)
def model_is_the_customers(results: Results, limit: float) -> Iterator[Finding]:
    """Warn of every model that had to be rebuilt, however close it came."""
    off = results.need(Casting).deviation_mm
    yield judged(
        off <= limit,
        f"the model was REBUILT on a grid; its surface is up to {off:.2f} mm off the file's"
        if off > limit
        else "the model is the customer's own surface",
        value=off,
        part="casting",
        remedy="have the model closed in CAD, and read that one",
    )


@check(
    id="casting/rebuild-is-close",
    why="A rebuilt surface further off than a casting tolerance makes a part that will be refused.",
    source="common practice, no source; about one linear tolerance of a 100 mm sand casting",
    limit=1.0,
    unit="mm",
)
def rebuild_is_close(results: Results, limit: float) -> Iterator[Finding]:
    """Compare a rebuilt surface with the file's."""
    off = results.need(Casting).deviation_mm
    if off <= 0.0:
        yield passed_over("the model was not rebuilt")
        return
    yield judged(
        off <= limit,
        f"the rebuilt surface is up to {off:.2f} mm off the file's",
        value=off,
        part="casting",
        remedy="set a finer casting.rebuild_pitch_mm, or have the model closed in CAD",
    )


@check(
    id="casting/model-needs-no-mending",
    why="A model that had to be mended was exported badly: what else is wrong in it is not known.",
    source="common practice, no source",
    limit=0.0,
    unit="-",
    miss=Verdict.WARN,
)
def model_needs_no_mending(results: Results, limit: float) -> Iterator[Finding]:
    """Name every repair that touched more than doubled corners."""
    mends = [one for one in results.need(Casting).repairs if one.what not in HARMLESS]
    if not mends:
        yield judged(True, "nothing had to be mended", value=0.0, part="casting")
    for mend in mends:
        yield judged(
            mend.count <= limit,
            f"{mend.what}: {mend.count}",
            value=mend.count,
            part="casting",
            remedy="look at the cut pictures; export again with a finer tolerance if in doubt",
        )


@check(
    id="casting/is-one-piece",
    why="Bodies that do not touch are two castings: each needs its own gate and its own feeder.",
    source="common practice, no source",
    limit=1.0,
    unit="-",
    miss=Verdict.WARN,
)
def is_one_piece(results: Results, limit: float) -> Iterator[Finding]:
    """Count the bodies each casting falls into."""
    for body in _castings(results.need(Casting)):
        parts = body.solid.parts()
        low, high = parts[-1].bounds
        yield judged(
            len(parts) <= limit,
            f"{body.name} is {len(parts)} bodies that do not touch"
            if len(parts) > limit
            else f"{body.name} is one body",
            value=len(parts),
            part=body.name,
            remedy=(
                "join them in CAD, set casting.bodies = 'apart', or name rigging in casting.own; "
                f"the smallest lies at {tuple(round(float(v), 1) for v in (low + high) / 2)} mm"
            ),
        )


@check(
    id="casting/no-closed-void",
    why="The sand of a core must be held while metal is poured, vent, and come out afterwards.",
    source="common practice, no source",
    limit=0.0,
    unit="mm³",
)
def no_closed_void(results: Results, limit: float) -> Iterator[Finding]:
    """Name every hollow that no opening leads to."""
    casting = results.need(Casting)
    if not casting.voids:
        yield judged(True, "every hollow has an opening", value=0.0, part="casting")
    for void in casting.voids:
        place = ", ".join(f"{v:.1f}" for v in void.at_mm)
        yield judged(
            void.volume_mm3 <= limit,
            f"a hollow of {void.volume_mm3 / 1000.0:.2f} cm³ around ({place}) mm of the model "
            "has no opening",
            value=void.volume_mm3,
            part="casting",
            remedy="give it openings for core prints, or fill it; if it was meant as metal, "
            "its surface is wound the wrong way",
        )


@check(
    id="casting/bores-hold-sand",
    why="Sand in a narrow bore does not stand, and what is cast solid unnoticed is not drilled.",
    source="3 mm short, 5 mm safe; common practice, no source",
    limit=0.0,
    unit="-",
    miss=Verdict.WARN,
)
def bores_hold_sand(results: Results, limit: float) -> Iterator[Finding]:
    """Name the bores that were cast solid."""
    drilled = results.need(Casting).drilled
    sizes = Counter(f"{bore.width_mm:.1f}" for bore in drilled)
    yield judged(
        len(drilled) <= limit,
        "bores are cast solid, to be drilled: "
        + ", ".join(f"{count} of {size} mm" for size, count in sizes.items())
        if drilled
        else "no bore is too narrow for sand",
        value=len(drilled),
        part="casting",
        remedy="drill them as `casting.drilled` of result.json lists them, in the model's frame; "
        "casting.drill_below_mm = 0 leaves them to the sand",
    )


@check(
    id="casting/walls-can-be-run",
    why="Metal freezes off in a wall thinner than its alloy can run in a sand mold.",
    source="each alloy's smallest wall with its source: see `moldprep tables`",
    limit=1.0,
    unit="-",
)
def walls_can_be_run(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the thin end of the wall thicknesses with the alloy's smallest wall."""
    alloy, thin_mm = results.need(Alloy), results.need(Survey).run_wall_mm
    ratio = thin_mm / alloy.smallest_wall_mm
    yield judged(
        ratio >= limit,
        f"one twentieth of the surface has walls to run of {thin_mm:.1f} mm or less; "
        f"{alloy.id} runs in {alloy.smallest_wall_mm:g} mm",
        value=ratio,
        part="casting",
        remedy="thicken the wall, shorten its run from a gate, or take an alloy that runs thinner",
    )


@check(
    id="casting/size-is-usual",
    why="A casting this small is often a model in another unit than was said.",
    source="common practice, no source",
    limit=20.0,
    unit="mm",
    miss=Verdict.WARN,
)
def size_is_usual(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the longest side with what is usually sand cast."""
    casting = results.need(Casting)
    size = casting.solid.size_mm
    yield judged(
        float(size.max()) >= limit,
        f"read as {casting.unit}: {' x '.join(f'{s:.1f}' for s in size)} mm",
        value=float(size.max()),
        part="casting",
        remedy="look at casting.unit in the job file",
    )


def _castings(casting: Casting) -> list[Body]:
    return [body for body in casting.bodies if body.role is Role.CASTING]
