"""Checks of the sand: does it hold, close, empty, stay down and let gas out."""

from collections.abc import Iterator

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Gap, Handling, Job, Mold, Parting, PieceFacts, Printer, Sand
from moldprep.results import Results
from moldprep.tolerances import BALANCE_REL
from moldprep.units import G_M_S2
from moldprep.wording import lifted_text, whole_weights_kg

GLUE_MM = 0.2
"""Room for glue between parts of a cut piece; common practice, no source."""

RUBS_MM2 = 50.0
"""Area of a core's face on another's that is more than rounding."""

PRACTICE = "common practice, no source; a shop setting"


@check(
    id="mold/block-is-shared-out",
    why="Sand that is in no piece, or in two, is a mold that cannot be put together.",
    source="conservation of volume",
    limit=BALANCE_REL,
)
def block_is_shared_out(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the block with metal, inserts, pieces and clearances."""
    mold = results.need(Mold)
    parts = sum(piece.solid.volume_mm3 for piece in mold.pieces)
    parts += sum(solid.volume_mm3 for _, solid in mold.clearances)
    parts += mold.metal.volume_mm3 + mold.inserts_mm3
    off = abs(parts - mold.block.volume_mm3) / mold.block.volume_mm3
    yield judged(
        off <= limit,
        f"block and its parts differ by {off:.1e} of the block",
        value=off,
        remedy="report this job: the mold was cut wrong",
    )


@check(
    id="mold/pieces-do-not-overlap",
    why="Two pieces of sand cannot be in the same place.",
    source="geometry",
    limit=BALANCE_REL,
)
def pieces_do_not_overlap(results: Results, limit: float) -> Iterator[Finding]:
    """Intersect every pair of pieces."""
    mold = results.need(Mold)
    pieces = mold.pieces
    for k, a in enumerate(pieces):
        for b in pieces[k + 1 :]:
            share = (a.solid & b.solid).volume_mm3 / mold.block.volume_mm3
            yield judged(
                share <= limit,
                f"{a.name} and {b.name} share {share:.1e} of the block",
                value=share,
                part=b.name,
                remedy="widen mold.clearance_mm or cores.clearance_mm",
            )
    if len(pieces) < 2:
        yield passed_over("one piece only")


@check(
    id="mold/piece-is-one-body",
    why="A loose scrap of sand falls into the mold.",
    source="geometry",
    limit=1.0,
)
def piece_is_one_body(results: Results, limit: float) -> Iterator[Finding]:
    """Count the connected bodies of each piece."""
    for piece in results.need(Mold).pieces:
        n = len(piece.solid.parts())
        yield judged(
            n <= limit,
            f"{piece.name} is {n} {'body' if n == 1 else 'bodies'}",
            value=n,
            part=piece.name,
            at_mm=tuple(piece.solid.parts()[-1].centroid_mm),
            remedy="move the parting, or declare the loose region as a core",
        )


@check(
    id="mold/assembles",
    why="Every piece must go in with one straight move, in some order, without hitting another.",
    source="core setting practice; swept bodies",
    limit=0.0,
)
def assembles(results: Results, limit: float) -> Iterator[Finding]:
    """Read the order of assembly for moves that hit something."""
    handling = results.need(Handling)
    for step in handling.steps:
        facts = next(
            piece
            for piece in handling.pieces
            if piece.name == step.piece or piece.name.startswith(f"{step.piece}-")
        )
        yield judged(
            len(step.hits) <= limit,
            step.text,
            value=len(step.hits),
            part=step.piece,
            at_mm=facts.center_of_mass_mm,
            remedy="split the piece, move the parting, or make the caught sand a core",
        )
    if not handling.steps:
        yield passed_over("one piece only")


@check(
    id="mold/cope-stays-down",
    why="Metal lifts the cope and runs out at the joint when cope and weights are too light.",
    source="cope load 1.3 to 1.5 x lift for the surge of the pour; foundry practice (from memory)",
    limit=1.5,
    miss=Verdict.WARN,
)
def cope_stays_down(results: Results, limit: float) -> Iterator[Finding]:
    """Hold cope, and the weights the job states, against the lift."""
    handling, job = results.need(Handling), results.need(Job)
    if job.cores.process == "only":
        yield passed_over("the cores alone are made: the cope is another mold's")
        return
    if handling.cope_lift_n <= 0.0:
        yield passed_over("the metal does not lift the cope")
        return
    stated = job.mold.weight_kg
    held_kg = handling.cope_kg + (stated if isinstance(stated, float) else 0.0)
    ratio = held_kg * G_M_S2 / handling.cope_lift_n
    short_kg = max(limit * handling.cope_lift_n / G_M_S2 - handling.cope_kg, 0.0)
    need_kg = whole_weights_kg(short_kg)
    weights = f" with {stated:.0f} kg of weights" if isinstance(stated, float) else ""
    yield judged(
        ratio >= limit,
        f"{lifted_text(handling.lifted)} of {handling.cope_kg:.0f} kg{weights} is {ratio:.2f} x "
        f"the lift of {handling.cope_lift_n:.0f} N",
        value=ratio,
        part="cope",
        remedy=f"put at least {need_kg:.0f} kg on the cope, or clamp with "
        f"{need_kg * G_M_S2 / 1e3:.2g} kN; spread it, and stand clear while pouring",
    )


@check(
    id="mold/stated-weights-suffice",
    why="The weights the job counts on must hold the cope; a cope that floats is a run-out.",
    source="cope load at least the lift; hydrostatics",
    limit=1.0,
)
def stated_weights_suffice(results: Results, limit: float) -> Iterator[Finding]:
    """Hold cope and stated weights against the bare lift."""
    handling, job = results.need(Handling), results.need(Job)
    stated = job.mold.weight_kg
    if job.cores.process == "only":
        yield passed_over("the cores alone are made: the cope is another mold's")
        return
    if not isinstance(stated, float):
        yield passed_over("the job states no weights; the pouring sheet asks for what is needed")
        return
    if handling.cope_lift_n <= 0.0:
        yield passed_over("the metal does not lift the cope")
        return
    ratio = (handling.cope_kg + stated) * G_M_S2 / handling.cope_lift_n
    yield judged(
        ratio >= limit,
        f"{lifted_text(handling.lifted)} and {stated:.0f} kg of weights are {ratio:.2f} x the lift",
        value=ratio,
        part="cope",
        remedy=f"raise mold.weight_kg to {handling.weight_kg:.0f}",
    )


@check(
    id="mold/flange-bears-its-bolts",
    why="A flange of sand that bends too far at its bolts cracks, and the cope comes up.",
    source="beam formula, Gere & Timoshenko, Mechanics of Materials; a third of the bend strength",
    limit=1.0 / 3.0,
    miss=Verdict.WARN,
)
def flange_bears_its_bolts(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the bending stress at the worst bolt against the printed sand's strength."""
    handling, strength = results.need(Handling), results.need(Sand).bend_strength_mpa
    if handling.bolt_bend_mpa <= 0.0:
        yield passed_over("no bolts have to hold the cope down")
        return
    ratio = handling.bolt_bend_mpa / strength
    yield judged(
        ratio <= limit,
        f"the flange bends with {handling.bolt_bend_mpa:.2f} MPa of {strength:.1f} MPa",
        value=ratio,
        part="cope",
        at_mm=handling.bolt_at_mm,
        remedy=f"put {handling.weight_kg:.0f} kg on the cope instead, or clamp beams across it",
    )


@check(
    id="mold/sand-is-thick-enough",
    why="A thin web of printed sand breaks when it is dusted out, or washes away.",
    source="3 mm short, 5 mm safe; " + PRACTICE,
    limit=5.0,
    unit="mm",
)
def sand_is_thick_enough(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the thinnest place of each piece against the smallest safe wall."""
    for piece in results.need(Handling).pieces:
        yield judged(
            piece.thinnest_mm >= limit,
            f"{piece.name} is {piece.thinnest_mm:.1f} mm at its thinnest",
            value=piece.thinnest_mm,
            part=piece.name,
            at_mm=piece.thinnest_at_mm,
            remedy="move the bodies apart, cast a narrow bore solid (casting.drill_below_mm), "
            "close the slot in the casting, or make it an insert",
        )


@check(
    id="mold/walls-bear-the-head",
    why="A wall of sand too thin for the head of metal behind it cracks, and the metal runs out.",
    source="clamped square plate, W. C. Young, R. G. Budynas, Roark's Formulas for Stress and "
    "Strain, 7th ed., table 11.4 case 8a (from memory); a third of the bend strength",
    limit=1.0 / 3.0,
    miss=Verdict.WARN,
)
def walls_bear_the_head(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the bending stress in each piece's weakest wall against the printed sand's strength."""
    strength = results.need(Sand).bend_strength_mpa
    for piece in results.need(Handling).pieces:
        ratio = piece.wall_stress_mpa / strength
        wall = (
            f"a wall of {piece.wall_mm:.0f} mm of {piece.name}, {piece.wall_span_mm:.0f} mm wide, "
            f"is bent to {piece.wall_stress_mpa:.2f} MPa of {strength:.1f} MPa"
            if piece.wall_mm > 0.0
            else f"no wall of {piece.name} stands free"
        )
        yield judged(
            ratio <= limit,
            wall,
            value=ratio,
            part=piece.name,
            at_mm=piece.wall_at_mm,
            remedy=f"make it {piece.wall_mm * (ratio / limit) ** 0.5:.0f} mm thick there "
            "(mold.wall_mm, top_mm), or bed the mold in a flask of rammed sand; weights spread "
            "over a cope hold its top",
        )


@check(
    id="mold/mating-faces-clear",
    why="Faces closer than the clearance rub when the mold is put together: sand falls in.",
    source="mold.clearance_mm, cores.clearance_mm and mold.coating_mm of the job, glue 0.2 mm; "
    "5 % for facets; " + PRACTICE,
    limit=0.95,
)
def mating_faces_clear(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the clearance measured between each pair of pieces against what the job asks."""
    job, handling = results.need(Job), results.need(Handling)
    roles = {piece.name: piece.role for piece in handling.pieces}
    n = 0
    for gap in handling.gaps:
        is_core = "core" in (roles.get(gap.a), roles.get(gap.b))
        asked = _clearance_mm(job, gap, is_core=is_core)
        least = 0.0 if is_core and gap.touching_mm2 > RUBS_MM2 else gap.clearance_mm
        if asked <= 0.0 or least == float("inf"):
            continue
        n += 1
        yield judged(
            least >= limit * asked,
            f"{gap.b} clears {gap.a} by {least:.2f} mm of {asked:.2f} mm",
            value=least / asked,
            part=gap.b,
            at_mm=gap.at_mm,
            remedy="rub or file the face there before closing, or widen "
            + ("cores.clearance_mm" if is_core else "mold.clearance_mm"),
        )
    if not n:
        yield passed_over("no faces mate with a clearance")


def _clearance_mm(job: Job, gap: Gap, *, is_core: bool) -> float:
    """Return the clearance a job asks for between two pieces."""
    if is_core:
        return job.cores.clearance_mm + job.mold.coating_mm
    (whole, _, part), (other, _, letter) = gap.a.rpartition("-"), gap.b.rpartition("-")
    is_glued = whole == other != "" and (part + letter).islower()
    return min(GLUE_MM, job.mold.clearance_mm) if is_glued else job.mold.clearance_mm


@check(
    id="mold/fingers-are-stout",
    why="A slender finger of sand snaps in handling.",
    source="length to thickness 5:1; " + PRACTICE,
    limit=5.0,
    miss=Verdict.WARN,
)
def fingers_are_stout(results: Results, limit: float) -> Iterator[Finding]:
    """Hold length over thickness of each piece's weakest finger against the limit."""
    for piece in results.need(Handling).pieces:
        yield judged(
            piece.slenderness <= limit,
            f"the weakest finger of {piece.name} is {piece.slenderness:.1f} x as long as thick",
            value=piece.slenderness,
            part=piece.name,
            at_mm=piece.bend_at_mm,
            remedy="support its end with a print, or print it with a rod in it",
        )


@check(
    id="mold/fingers-bear-their-load",
    why="Sand that bends beyond its strength breaks under its weight or the metal's lift.",
    source="beam formula, Gere & Timoshenko, Mechanics of Materials; a third of the bend strength",
    limit=1.0 / 3.0,
)
def fingers_bear_their_load(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the bending stress against the printed sand's strength."""
    strength = results.need(Sand).bend_strength_mpa
    for piece in results.need(Handling).pieces:
        ratio = piece.bend_stress_mpa / strength
        yield judged(
            ratio <= limit,
            f"{piece.name} is bent to {piece.bend_stress_mpa:.3f} MPa of {strength:.1f} MPa",
            value=ratio,
            part=piece.name,
            at_mm=piece.bend_at_mm,
            remedy="thicken or support the finger",
        )


@check(
    id="mold/no-loose-sand-stays",
    why="Sand that cannot be blown or brushed out ends up in the casting.",
    source="opening 10 to 15 mm or 1/5 of the passage, no blind pockets; " + PRACTICE,
    limit=100.0,
    unit="mm³",
)
def no_loose_sand_stays(results: Results, limit: float) -> Iterator[Finding]:
    """Read the loose sand that stays in each piece."""
    for piece in results.need(Handling).pieces:
        yield judged(
            piece.loose_sand_mm3 <= limit,
            f"{piece.name} keeps {piece.loose_sand_mm3:.0f} mm³ of loose sand",
            value=piece.loose_sand_mm3,
            part=piece.name,
            at_mm=piece.loose_at_mm,
            remedy=f"{_part_there(piece, results)}, or open the void at both ends, 12 mm or more; "
            "silica dust: wear breathing protection",
        )


def _part_there(piece: PieceFacts, results: Results) -> str:
    """Return how to open a piece at its loose sand: with one more joint, if a half holds it."""
    if piece.role not in ("drag", "cheek", "cope") or Parting not in results:
        return "split the piece there"
    above = piece.loose_at_mm[2] - float(results.need(Parting).casting.bounds[0, 2])
    heights = sorted({*results.need(Job).mold.cheeks_at_mm, round(above)})
    listed = ", ".join(f"{height:g}" for height in heights)
    return f"part the mold there too (mold.cheeks_at_mm = [{listed}], or a height near it)"


@check(
    id="mold/faces-can-be-coated",
    why="A cavity face that cannot be seen from outside stays bare of coating.",
    source=PRACTICE,
    limit=500.0,
    unit="mm²",
    miss=Verdict.WARN,
)
def faces_can_be_coated(results: Results, limit: float) -> Iterator[Finding]:
    """Read the hidden cavity area of each piece."""
    for piece in results.need(Handling).pieces:
        yield judged(
            piece.hidden_mm2 <= limit,
            f"{piece.name} hides {piece.hidden_mm2:.0f} mm² of cavity face",
            value=piece.hidden_mm2,
            part=piece.name,
            at_mm=piece.hidden_at_mm,
            remedy="dip the piece, or split it there",
        )


@check(
    id="mold/piece-can-be-lifted",
    why="A piece over the shop's limit needs a crane that is not there.",
    source="the printer file's lift_kg; a shop setting",
    limit=1.0,
)
def piece_can_be_lifted(results: Results, limit: float) -> Iterator[Finding]:
    """Hold each piece's mass against the lifting gear."""
    most = results.need(Printer).lift_kg
    for piece in results.need(Handling).pieces:
        yield judged(
            piece.mass_kg <= limit * most,
            f"{piece.name} is {piece.mass_kg:.1f} kg of {most:.0f} kg",
            value=piece.mass_kg / most,
            part=piece.name,
            at_mm=piece.center_of_mass_mm,
            remedy="take mold.form = 'contour', or split the piece",
        )


@check(
    id="mold/piece-lifts-by-hand",
    why="Heavier pieces hurt backs: a core is set by hand, halves hang on a hoist.",
    source="15 to 25 kg by hand, lifting guides; local rules come first",
    limit=1.0,
    miss=Verdict.WARN,
)
def piece_lifts_by_hand(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the mass of what has no lifting points against what one person lifts."""
    most = results.need(Printer).hand_kg
    cut_out = [name for name, _ in results.need(Mold).clearances]
    for piece in results.need(Handling).pieces:
        is_light, has_points = piece.mass_kg <= limit * most, _hangs(piece, cut_out)
        how = "; on a hoist, at its lifting points" if has_points and not is_light else ""
        yield judged(
            is_light or has_points,
            f"{piece.name} is {piece.mass_kg:.1f} kg; {most:.0f} kg by hand{how}",
            value=piece.mass_kg / most,
            part=piece.name,
            at_mm=piece.center_of_mass_mm,
            remedy="sling it from below, tested gear only; or give it room for holes: mold.lifting "
            "= 'holes', thicker walls, or a parting that leaves it higher",
        )


def _hangs(piece: PieceFacts, cut_out: list[str]) -> bool:
    """Return whether holes or pockets were cut to lift a piece by."""
    is_half = piece.role in ("drag", "cheek", "cope")
    return any(
        name.startswith(f"{piece.name} lifting ") or (is_half and name.startswith("bolt hole "))
        for name in cut_out
    )


@check(
    id="mold/joint-keeps-metal-in",
    why="Metal under head runs into an open joint as a fin, or through it.",
    source="capillary law 2 gamma cos(theta) / (rho g s); contact angle from memory",
    limit=1.0,
    miss=Verdict.WARN,
)
def joint_keeps_metal_in(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the head at the joint against what surface tension keeps out of its gap."""
    handling = results.need(Handling)
    if results.need(Job).cores.process == "only":
        yield passed_over("the cores alone are made: the joint is in another mold")
        return
    ratio = handling.joint_head_mm / handling.joint_holds_mm
    rope = "; the rope in the seal groove keeps it in" if handling.joint_is_sealed else ""
    yield judged(
        ratio <= limit or handling.joint_is_sealed,
        f"{handling.joint_head_mm:.0f} mm of head on gaps that hold {handling.joint_holds_mm:.0f} "
        f"mm{rope}",
        value=ratio,
        remedy="set mold.seal = 'groove', or lay rope or paste on the joint; expect fins at prints",
    )
