"""Short tables for people: what result.json says, a few rows at a time. Nothing is computed."""

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from moldprep.wording import amount, duration, place, size

if TYPE_CHECKING:  # the modules themselves take long to load
    from moldprep.checks import Check
    from moldprep.records.catalog import Sourced
    from moldprep.verify import Proof
    from moldprep.week import Summary

STYLE: Final = {"pass": "green", "skip": "dim", "warn": "yellow", "fail": "bold red"}

VERDICTS: Final = ("fail", "warn", "pass", "skip")
"""In the order they are shown."""

Row = Sequence[str | Text]


def _table(title: str, heads: str, rows: Iterable[Row]) -> Table:
    """Return a table; a head that starts with > is set to the right."""
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for head in heads.split("|"):
        justify = "right" if head.startswith(">") else "left"
        table.add_column(Text(head.lstrip(">")), justify=justify, overflow="fold")  # type: ignore[arg-type]
    for row in rows:
        table.add_row(*(Text(cell) if isinstance(cell, str) else cell for cell in row))
    return table


def overview(result: dict[str, Any]) -> Table:
    """Return the main numbers of a job."""
    rows: list[Row] = []
    if casting := result.get("casting"):
        facets = f"{casting['n_triangles']:,} facets"
        rows.append(("casting", f"{size(casting['bounds_mm'])} mm, {facets}"))
        rows += [("  mended", f"{one['what']}: {one['count']}") for one in casting["repairs"]]
        if drilled := casting["drilled"]:
            rows.append(("  cast solid", f"{len(drilled)} bores, to be drilled"))
        if casting["deviation_mm"] > 0.0:
            off = f"off the model by up to {casting['deviation_mm']:.2f} mm"
            rows.append(("  REBUILT", Text(off, style="bold red")))
    if parting := result.get("parting"):
        rows.append(("parting", parting["reason"]))
    if metal := result.get("metal"):
        yield_pct = f"yield {metal['yield_pct']:.0f} %"
        rows.append(("metal", f"{metal['mass_kg']:.2f} kg poured, {yield_pct}"))
    if flow := result.get("flow"):
        rows.append(("pouring", f"{amount(flow['pour_time_s'], 's')} to fill"))
    if freezing := result.get("freezing"):
        rows.append(("freezing", f"{duration(freezing['time_all_solid_s'])} until all is solid"))
    if mold := result.get("mold"):
        rows.append(("mold", f"{len(mold['pieces'])} pieces"))
    if box := result.get("box"):
        run = f"{box['n_layers']:,} layers, {duration(box['print_time_s'])}"
        rows.append(("printing", f"{box['n_boxes']} x {box['printer']}, {run}"))
    return _table(f"{result['job']['name']} · {result['job']['alloy']}", "|", rows)


def findings(result: dict[str, Any], *, all_of_them: bool = False) -> RenderableType:
    """Return what failed or warned, with place, limit and remedy; the rest as counts."""
    found = result["findings"]
    tally = Text("checks: ")
    for verdict in VERDICTS:
        n = sum(one["verdict"] == verdict for one in found)
        tally.append(f"{n} {verdict}  ", style=STYLE[verdict])
    shown = VERDICTS if all_of_them else VERDICTS[:2]
    return Group(
        *(_finding(one) for verdict in shown for one in found if one["verdict"] == verdict), tally
    )


def _finding(one: dict[str, Any]) -> RenderableType:
    """Return one finding in two or three lines."""
    head = Text(f"{one['verdict']:<5}", style=STYLE[one["verdict"]])
    head.append(one["id"], style="bold")
    if one["part"]:
        head.append(f"  {one['part']}", style="default")
    if one["at_mm"]:
        head.append(f"  at {place(one['at_mm'])}", style="dim")
    said = Text(one["message"])
    if one["limit"] is not None and one["value"] is not None:
        said.append(f"  (limit {amount(one['limit'], one['unit'])})", style="dim")
    if one["remedy"]:
        said.append(f"\n→ {one['remedy']}", style="italic")
    return Group(head, Padding(said, (0, 0, 0, 5)))


def pieces(result: dict[str, Any]) -> Table:
    """Return the pieces of the mold."""
    rows = [
        (piece["name"], size(piece["bounds_mm"]), f"{piece['mass_kg']:.1f}", piece["file"])
        for piece in result["mold"]["pieces"]
    ]
    return _table("Pieces", "piece|>size [mm]|>mass [kg]|file", rows)


def feeding(result: dict[str, Any]) -> RenderableType:
    """Return sections, hot spots and feeders."""
    sections = [
        (
            section["name"],
            section["shape"],
            amount(section["modulus_mm"]),
            duration(section["freezing_time_s"]),
            str(section["order"]),
            place(section["at_mm"]),
        )
        for section in result["survey"]["sections"]
    ]
    parts: list[RenderableType] = [
        _table(
            "Sections of the bare pattern",
            "section|shape|>modulus [mm]|>freezes in|>order|at [mm]",
            sections,
        )
    ]
    if "feeding" in result:
        spots = [
            (
                spot["name"],
                spot["part"],
                amount(spot["modulus_mm"]),
                duration(spot["freezing_time_s"]),
                Text(spot["fed_by"] or "nothing", style="green" if spot["fed_by"] else "bold red"),
                amount(spot["isolated_volume_mm3"]),
                place(spot["at_mm"]),
            )
            for spot in result["feeding"]["hot_spots"]
        ]
        heads = "hot spot|in|>modulus [mm]|>freezes in|last fed by|>cut off [mm³]|at [mm]"
        parts.append(_table("Hot spots", heads, spots))
    return Group(*parts, _feeders(result["plan"]["feeders"]))


def _feeders(planned: list[dict[str, Any]]) -> Table:
    rows = [
        (
            feeder["name"],
            "open " * feeder["is_open"] + feeder["kind"],
            amount(feeder["diameter_mm"]),
            amount(feeder["height_mm"]),
            ", ".join(feeder["serves"]),
            place(feeder["at_mm"]),
        )
        for feeder in planned
    ]
    return _table("Feeders", "feeder|kind|>diameter [mm]|>height [mm]|serves|foot at [mm]", rows)


def plan(result: dict[str, Any]) -> RenderableType:
    """Return what was planned, with the reasons."""
    planned = result["plan"]
    names = ("basin", "sprue", "well")
    rows = [(name, "", place(planned[name].get("at_mm", ()))) for name in names if planned[name]]
    for kind in ("runners", "ingates", "filters", "feeders", "chills", "vents"):
        for one in planned[kind]:
            at_mm = one["at_mm"] if "at_mm" in one else one["path_mm"][0]
            rows.append((kind[:-1], one.get("name", ""), place(at_mm)))
    reasons = [(one["item"], one["why"], one["source"]) for one in planned["reasons"]]
    return Group(
        _table("Planned", "item|name|at [mm]", rows), _table("Why", "item|why|source", reasons)
    )


def gating(result: dict[str, Any]) -> RenderableType:
    """Return channels with their flow, and pouring times."""
    nodes = [
        (
            node["name"],
            node["role"],
            "yes" if node["is_reached"] else Text("NO", style="bold red"),
            amount(node["share"] and 100.0 * node["share"], "%"),
            amount(node["speed_m_s"]),
        )
        for node in result["flow"]["nodes"]
    ]
    times = [("this system", amount(result["flow"]["pour_time_s"]), "integrated over the fill")]
    times += [
        (one["name"], amount(one["time_s"]), one["source"])
        for one in result["flow"]["formula_times"]
    ]
    return Group(
        _table("Metal on its way", "body|role|reached|>share|>speed [m/s]", nodes),
        _table("Pouring time", "by|>time [s]|source", times),
    )


def proofs(found: "Sequence[Proof]") -> Table:
    """Return what `verify` proved."""
    rows = [
        (
            Text("pass", style="green") if proof.is_proved else Text("fail", style="bold red"),
            proof.what,
            proof.found,
        )
        for proof in found
    ]
    return _table("Proved again from the files", "|what|found", rows)


def week(summaries: "Sequence[Summary]") -> Group:
    """Return one row for each job, and under the table why jobs failed."""
    rows, notes = [], []
    for one in summaries:
        state = one.verdict if one.state != "failed" else "fail"
        outcome = one.state if one.state == "failed" else f"{one.state}, {one.verdict}"
        name = one.job or one.file
        note = one.message or ", ".join(f"{piece} too large" for piece in one.too_large)
        line = note if note.startswith(name) else f"{name}: {note}"
        notes += [Text(line, style=STYLE[state])] if note else []
        rows.append(
            (
                name,
                Text(outcome, style=STYLE[state]),
                str(one.exit_code),
                amount(one.metal_kg),
                amount(one.yield_pct and round(one.yield_pct)),
                str(one.n_pieces),
                str(one.n_boxes),
                duration(one.print_time_s),
            )
        )
    heads = "job|outcome|>exit|>metal [kg]|>yield [%]|>pieces|>boxes|>print"
    return Group(_table("Week", heads, rows), *notes)


def catalog(title: str, things: "Sequence[Sourced]") -> Table:
    """Return every figure of a kind of thing with its source."""
    rows: list[Row] = []
    for thing in things:
        rows.append((Text(thing.id, style="bold"), "", "", thing.title))
        table = thing.model_dump(exclude={"id", "title", "source"}, mode="json")
        flat = {**table, **table.pop("settings", {})} if "settings" in table else table
        rows += [
            ("", key, str(value), thing.source.get(key, ""))
            for key, value in flat.items()
            if value not in ({}, None) and key != "settings"
        ]
    return _table(title, "id|figure|value|source", rows)


def reasons(check: "Check") -> Table:
    """Return why a check is there."""
    rows = [
        ("check", check.id),
        ("why", check.why),
        ("limit", amount(check.limit, check.unit)),
        ("a miss is", str(check.miss)),
        ("source", check.source),
    ]
    return _table("", "|", rows)


def reasons_json(check: "Check") -> dict[str, Any]:
    """Return the same for machines."""
    limit = None if math.isnan(check.limit) else check.limit
    return {
        "id": check.id,
        "why": check.why,
        "limit": limit,
        "unit": check.unit,
        "miss": str(check.miss),
        "source": check.source,
    }
