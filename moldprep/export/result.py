"""Results + Review -> result.json, and its JSON Schema."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from moldprep.export import metal_schema as of
from moldprep.export import schema as to
from moldprep.export.fields import Part
from moldprep.export.sheet import pouring_sheet
from moldprep.findings import Review, Verdict
from moldprep.geometry.solid import Solid
from moldprep.inputs import packed
from moldprep.records import (
    BoxPlan,
    Casting,
    CavityRise,
    Feeding,
    Fill,
    FlowGraph,
    Freezing,
    Handling,
    Job,
    Metal,
    Mold,
    Parting,
    Pattern,
    Printer,
    PullChoice,
    Rigging,
    RiggingPlan,
    Role,
    Sand,
    Survey,
)
from moldprep.results import Results, Timings
from moldprep.units import mass_kg

SCHEMA_FILE: Final = Path(__file__).parent / "result.schema.json"


def result_json(results: Results, review: Review, sha256: str) -> dict[str, Any]:
    """Return the content of result.json; sections not made are left out.

    Parameters
    ----------
    results
        What has been made.
    review
        What the checks say of it.
    sha256
        Fingerprint of the job.
    """
    sections = {name: make(results) for name, (kind, make) in SECTIONS.items() if kind in results}
    timings = dict(results.need(Timings).seconds) if Timings in results else {}
    whole = to.ResultFile.model_validate(
        {
            "schema": to.SCHEMA,
            "verdict": worst(review),
            "job": _job(results.need(Job), sha256),
            "findings": review.findings,
            "timings": {stage: round(seconds, 3) for stage, seconds in timings.items()},
            **sections,
        }
    )
    table = whole.model_dump(mode="json", by_alias=True)
    return {key: _finite(value) for key, value in table.items() if value is not None}


def worst(review: Review) -> Verdict:
    """Return the gravest verdict of a review; a check passed over counts as fine."""
    counts = review.counts()
    return next((v for v in (Verdict.FAIL, Verdict.WARN) if counts[v]), Verdict.PASS)


def result_schema() -> dict[str, Any]:
    """Return the JSON Schema of result.json; records of the stages without their docstrings."""
    schema = to.ResultFile.model_json_schema(by_alias=True, mode="serialization")
    ours = {part.__name__ for part in Part.__subclasses__()}
    for name, part in schema["$defs"].items():
        if name not in ours:
            part.pop("description", None)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def dumps(table: Any) -> str:
    """Return a table as JSON text; same table, same bytes."""
    return json.dumps(table, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


PIECES: Final = "pieces"
"""Folder of the print files in the package."""


def piece_file(name: str) -> str:
    """Return the path of a piece's print file in the package."""
    return f"{PIECES}/{name}.stl"


def _finite(node: Any) -> Any:
    """Return a tree with null for every number that was not measured."""
    if isinstance(node, dict):
        return {key: _finite(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_finite(value) for value in node]
    return None if isinstance(node, float) and not math.isfinite(node) else node


def _shape(solid: Solid) -> dict[str, Any]:
    return {"volume_mm3": solid.volume_mm3, "bounds_mm": solid.bounds.tolist()}


def _job(job: Job, sha256: str) -> dict[str, Any]:
    keys = packed(job)[0].model_dump(mode="json", exclude_none=True)
    named = {key: keys[key] for key in ("name", "alloy", "sand", "printer", "rules")}
    return {**named, "sha256": sha256, "keys": keys}


def _casting(results: Results) -> to.CastingPart:
    casting = results.need(Casting)
    solid = casting.solid
    return to.CastingPart(
        file=Path(casting.file).name,
        sha256=casting.sha256,
        unit=casting.unit,
        **_shape(solid),
        area_mm2=solid.area_mm2,
        n_bodies=sum(body.role is Role.CASTING for body in casting.bodies),
        n_triangles=solid.n_triangles,
        repairs=casting.repairs,
        deviation_mm=casting.deviation_mm,
        drilled=casting.drilled,
    )


def _pull(choice: PullChoice) -> to.PullPart:
    return to.PullPart(
        pull=choice.pull, z_mm=choice.z_mm, score=choice.score, terms=dict(choice.terms)
    )


def _parting(results: Results) -> to.PartingPart:
    parting = results.need(Parting)
    return to.PartingPart(
        z_mm=parting.z_mm,
        turn=parting.turn.tolist(),
        chosen=_pull(parting.chosen),
        runners_up=tuple(_pull(choice) for choice in parting.runners_up),
        undercuts=parting.undercuts,
        reason=parting.reason,
    )


def _pattern(results: Results) -> to.PatternPart:
    pattern = results.need(Pattern)
    return to.PatternPart(
        shrink=pattern.shrink.tolist(),
        **_shape(pattern.solid),
        area_mm2=pattern.solid.area_mm2,
        stock_mm3=pattern.stock_mm3,
        draft_mm3=pattern.draft_mm3,
        draft=pattern.draft,
        undercuts=pattern.undercuts,
    )


def _plan(results: Results) -> RiggingPlan:
    """Return the plan, with what building it added to its reasons."""
    plan = results.need(RiggingPlan)
    built = results.need(Rigging).reasons if Rigging in results else ()
    return replace(plan, reasons=(*plan.reasons, *built))


def _rigging(results: Results) -> of.RiggingPart:
    rigging = results.need(Rigging)
    return of.RiggingPart(
        bodies=tuple(
            of.BodyPart(name=body.name, role=body.role, **_shape(body.solid))
            for body in rigging.metal
        ),
        inserts=tuple(
            of.InsertPart(name=insert.name, material=insert.material, **_shape(insert.solid))
            for insert in rigging.inserts
        ),
    )


def _flow(results: Results) -> of.FlowPart:
    flow = results.need(FlowGraph)
    return of.FlowPart(
        nodes=_nodes(flow),
        edges=tuple(of.EdgePart.model_validate(contact) for contact in flow.contacts),
        near_misses=flow.near_misses,
        sand_walls=flow.sand_walls,
        stations=tuple(of.StationPart.model_validate(station) for station in flow.stations),
        lost=tuple(of.LostPart(body=body, at_mm=at_mm) for body, at_mm in flow.lost),
        dangling=flow.dangling,
        unfiltered=flow.unfiltered,
        bottleneck=flow.bottleneck,
        bottleneck_mm2=flow.bottleneck_mm2,
        bottleneck_at_mm=flow.bottleneck_at_mm,
        loops=flow.loops,
        cavities=tuple(_cavity(cavity) for cavity in flow.cavities),
        runners=tuple(of.RunnerFactsPart.model_validate(one) for one in flow.runners),
        mouths=tuple(of.MouthPart.model_validate(mouth) for mouth in flow.mouths),
        ratio_mm2=flow.ratio_mm2,
        source_mm=flow.source_mm,
        prime_s=flow.prime_s,
        imbalance=flow.imbalance,
        pour_time_s=flow.pour_time_s,
        formula_times=tuple(
            of.FormulaTime(name=name, time_s=seconds, source=source)
            for name, seconds, source in flow.formula_times
        ),
        pour_c=flow.pour_c,
    )


def _nodes(flow: FlowGraph) -> tuple[of.NodePart, ...]:
    """Return every body of the graph with the flow it carries."""
    carried = {channel.body: channel for channel in flow.channels}
    keys = ("flow_mm3_s", "speed_m_s", "share", "reynolds", "smallest_mm2", "cooled_k")
    return tuple(
        of.NodePart(
            name=name,
            role=str(data.get("role", "")),
            is_reached=name in flow.reached,
            **({key: getattr(carried[name], key) for key in keys} if name in carried else {}),
        )
        for name, data in sorted(flow.graph.nodes(data=True))
    )


def _cavity(cavity: CavityRise) -> of.CavityPart:
    keys = ("time_s", "level_mm", "volume_mm3", "flow_mm3_s")
    return of.CavityPart(
        parts=cavity.parts,
        inlets=cavity.inlets,
        is_full=cavity.is_full,
        rise=tuple(
            of.RisePart(**dict(zip(keys, row, strict=True)), inlets_mm3_s=tuple(shares))
            for row, shares in zip(cavity.course.tolist(), cavity.shares.tolist(), strict=True)
        ),
    )


def _metal(results: Results) -> of.MetalPart:
    metal = results.need(Metal)
    return of.MetalPart(
        volume_mm3=metal.solid.volume_mm3,
        mass_kg=metal.mass_kg,
        casting_kg=metal.casting_kg,
        yield_pct=metal.yield_pct,
        parts=metal.parts,
    )


def _fill(results: Results) -> of.FillPart:
    fill = results.need(Fill)
    return of.FillPart(
        level=tuple(
            of.LevelPart(time_s=time, height_mm=height, gate_speed_m_s=speed)
            for time, height, speed in fill.level.tolist()
        ),
        falls=fill.falls,
        meetings=fill.meetings,
        pockets=fill.pockets,
        unfilled_mm3=fill.unfilled_mm3,
    )


def _feeding(results: Results) -> of.FeedingPart:
    feeding = results.need(Feeding)
    return of.FeedingPart(
        sections=tuple(of.FeedSection.model_validate(section) for section in feeding.sections),
        hot_spots=tuple(of.HotSpotPart.model_validate(spot) for spot in feeding.hot_spots),
        pairs=tuple(of.FeedPairPart.model_validate(pair) for pair in feeding.pairs),
        paths=tuple(
            of.FeedPath(a=min(a, b), b=max(a, b), time_s=data.get("time_s"))
            for a, b, data in sorted(
                feeding.graph.edges(data=True), key=lambda edge: sorted(edge[:2])
            )
        ),
    )


def _mold(results: Results) -> to.MoldPart:
    mold = results.need(Mold)
    density = results.need(Sand).density_kg_m3
    clearances = tuple(
        to.ClearancePart(name=name, volume_mm3=solid.volume_mm3) for name, solid in mold.clearances
    )
    return to.MoldPart(
        block_volume_mm3=mold.block.volume_mm3,
        cavity_volume_mm3=mold.metal.volume_mm3,
        inserts_volume_mm3=mold.inserts_mm3,
        clearance_volume_mm3=sum(clearance.volume_mm3 for clearance in clearances),
        bounds_mm=mold.block.bounds.tolist(),
        z_mm=mold.z_mm,
        pieces=tuple(
            to.PiecePart(
                name=piece.name,
                role=piece.role,
                **_shape(piece.solid),
                mass_kg=mass_kg(piece.solid.volume_mm3, density),
                file=piece_file(piece.name),
            )
            for piece in mold.pieces
        ),
        clearances=clearances,
        notes=mold.notes,
    )


def _handling(results: Results) -> to.HandlingPart:
    handling = results.need(Handling)
    plain = (
        "level_mm", "cope_lift_n", "cope_kg", "weight_factor", "weight_kg", "sand_kg",
        "sand_to_metal", "joint_head_mm", "joint_holds_mm", "joint_is_sealed", "bolt_bend_mpa",
        "lifted",
    )  # fmt: skip
    return to.HandlingPart(
        pieces=tuple(to.PieceFactsPart.model_validate(one) for one in handling.pieces),
        cores=tuple(to.CoreFactsPart.model_validate(one) for one in handling.cores),
        steps=handling.steps,
        inserts=tuple(to.InsertFactsPart.model_validate(one) for one in handling.inserts),
        gaps=tuple(to.GapPart.model_validate(one) for one in handling.gaps),
        **{key: getattr(handling, key) for key in plain},
    )


def _box(results: Results) -> to.BoxPart:
    plan = results.need(BoxPlan)
    return to.BoxPart(
        printer=results.need(Printer).id,
        items=plan.items,
        too_large=tuple(
            to.TooLarge(name=name, over_mm=over.tolist()) for name, over in plan.too_large
        ),
        n_boxes=plan.n_boxes,
        heights_mm=plan.heights_mm,
        n_layers=plan.n_layers,
        print_time_s=plan.print_time_s,
        sand_kg=plan.sand_kg,
        printed_kg=plan.printed_kg,
        binder_kg=plan.binder_kg,
        fill_pct=plan.fill_pct,
    )


SECTIONS: Final[dict[str, tuple[type[object], Callable[[Results], object]]]] = {
    "casting": (Casting, _casting),
    "parting": (Parting, _parting),
    "pattern": (Pattern, _pattern),
    "survey": (Survey, lambda r: to.SurveyPart.model_validate(r.need(Survey))),
    "plan": (RiggingPlan, _plan),
    "rigging": (Rigging, _rigging),
    "flow": (FlowGraph, _flow),
    "metal": (Metal, _metal),
    "fill": (Fill, _fill),
    "freezing": (Freezing, lambda r: of.FreezingPart.model_validate(r.need(Freezing))),
    "feeding": (Feeding, _feeding),
    "mold": (Mold, _mold),
    "handling": (Handling, _handling),
    "box": (BoxPlan, _box),
    "sheet": (Handling, pouring_sheet),
}
"""Name in the file, record it is made from, maker; in flow order."""
