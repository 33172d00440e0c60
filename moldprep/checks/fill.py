"""Does the cavity fill without falls, cold meetings and trapped air?"""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import (
    AirPocket,
    Alloy,
    Body,
    CavityRise,
    CoreVentPlan,
    Fall,
    Fill,
    FlowGraph,
    Job,
    Metal,
    Parting,
    Rigging,
    RiggingPlan,
)
from moldprep.results import Results
from moldprep.rigging.feeders import AIR_CORE_CM3
from moldprep.rigging.gate_limits import critical_fall_mm
from moldprep.rigging.gating import falling_speed_m_s

CAMPBELL = "J. Campbell, Complete Casting Handbook, rules of casting (from memory)"
PRACTICE = "common practice, no source"

MOST_FALLS = 5
"""Lower falls of one body that are named besides the highest."""


@check(
    id="fill/everything-fills",
    why="Metal that never comes leaves the casting short.",
    source="flood of the cavity from its inlets under the head of the basin",
    limit=0.1,
    unit="%",
)
def everything_fills(results: Results, limit: float) -> Iterator[Finding]:
    """Compare what stays empty with the whole metal."""
    fill, metal = results.need(Fill), results.need(Metal)
    share = 100.0 * fill.unfilled_mm3 / metal.solid.volume_mm3
    yield judged(
        share <= limit,
        f"{fill.unfilled_mm3 / 1000.0:.1f} cm³ stay empty, {share:.2f} % of the metal",
        value=share,
        remedy="join every casting to an ingate, and raise the basin over its top",
    )


BORE_NEAR_MM = 15.0
"""How far from a high point a core vent may be planned that takes its air: both lie amid its top,
each found on its own grid. [mm]"""


@check(
    id="fill/no-trapped-air",
    why="Air caught under a high point leaves a hole, or a bubble that rises later.",
    source=PRACTICE + "; so is that up to 100 cm³ leave a blind feeder through its air core",
    limit=0.5,
    unit="cm³",
)
def no_trapped_air(results: Results, limit: float) -> Iterator[Finding]:
    """Ask every high point of the cavities for a way out: vent, open feeder, sprue.

    A blind feeder without a vent is none; a small one with an air core lets out its own air, and
    so does a core with a bore over the high point.
    """
    pockets, flow = results.need(Fill).pockets, results.need(FlowGraph)
    bores = results.need(RiggingPlan).core_vents
    for pocket in pockets:
        volume = pocket.volume_mm3 / 1000.0
        node = flow.graph.nodes[pocket.part] if pocket.part in flow.graph else {}
        is_cored = not pocket.vent and node.get("role") == "feeder" and node["has_air_core"]
        bore = "" if pocket.vent else _bore_over(pocket, bores)
        lets_out = bool(pocket.vent) or (bool(is_cored or bore) and volume <= AIR_CORE_CM3)
        yield judged(
            lets_out or volume <= limit,
            _air(pocket, bore if lets_out else "", is_cored=is_cored and lets_out),
            value=0.0 if lets_out else volume,
            part=pocket.vent or pocket.part,
            at_mm=pocket.at_mm,
            remedy=f"set a vent of 5 to 8 mm on {pocket.part}, into the open"
            if node.get("role") == "feeder"
            else "set a vent there, or lead one out through the core's print",
        )
    if not pockets:
        yield passed_over("no cavity was filled")


def _bore_over(pocket: AirPocket, bores: Sequence[CoreVentPlan]) -> str:
    """Return the name of the core vent planned over a high point, empty for none."""
    near = (bore for bore in bores if math.dist(bore.at_mm, pocket.at_mm) <= BORE_NEAR_MM)
    return next((bore.name for bore in near), "")


def _air(pocket: AirPocket, bore: str, *, is_cored: bool) -> str:
    """Return how the air of a high point leaves, or how much is caught."""
    where = f"high point of {pocket.part}" if pocket.part else "high point"
    volume = f"{pocket.volume_mm3 / 1000.0:.2f} cm³ of air"
    if pocket.vent:
        area = f"{pocket.vent_area_mm2:.0f} mm²"
        return f"{where}: the air of this part of the mold leaves by {pocket.vent} ({area})"
    if bore:
        return f"{where}: its {volume} leave through the sand of the core over it, by {bore}"
    if is_cored:
        return f"{where}: its {volume} leave through the sand core in its top"
    return f"{where} catches {volume}"


@check(
    id="fill/no-falls",
    why="Metal that drops further than a sessile drop is high breaks its skin and rolls it in.",
    source=CAMPBELL + "; height 2 sqrt(gamma / (rho g))",
    limit=1.0,
    unit="critical falls",
    miss=Verdict.WARN,
)
def no_falls(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the highest drop within each body with the critical one; say where the others are."""
    falls, alloy = results.need(Fill).falls, results.need(Alloy)
    critical = critical_fall_mm(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    for part in sorted({fall.part for fall in falls}):
        first, *others = [fall for fall in falls if fall.part == part]
        more = "".join(
            f"; {fall.height_mm:.0f} mm at ({fall.from_mm[0]:.0f}, {fall.from_mm[1]:.0f})"
            for fall in others[:MOST_FALLS]
        )
        yield judged(
            first.height_mm <= limit * critical,
            f"metal falls {first.height_mm:.0f} mm in {part} and lands with "
            f"{falling_speed_m_s(first.height_mm):.1f} m/s; its skin bears {critical:.1f} mm, "
            f"{falling_speed_m_s(critical):.2f} m/s{more}",
            value=first.height_mm / critical,
            part=part,
            at_mm=first.from_mm,
            remedy=f"let the metal in where it lands{_landing(first, results)}: "
            f"{_lower(results)}, or the parting there, or turn the casting",
        )
    if not falls:
        yield judged(True, "no fall over the alloy's critical height", value=0.0)


def _lower(results: Results) -> str:
    """Return how to gate lower; an automatic plan has looked at the bottom by itself."""
    tried = Job in results and results.need(Job).rigging.gate_level_mm in ("auto", "bottom")
    if tried and not results.need(Job).rigging.ingate:
        return (
            "the automatic plan found no lower gates that save enough of it: give their height in"
            " rigging.gate_level_mm, or [[rigging.ingate]] tables"
        )
    return 'set rigging.gate_level_mm = "bottom"'


def _landing(fall: Fall, results: Results) -> str:
    """Return the height metal lands at, as the job file counts it where that is known."""
    z = fall.to_mm[2]
    if Parting not in results:
        return f", at {z:.0f} mm"
    above = max(z - float(results.need(Parting).casting.bounds[0, 2]), 0.0)
    return f", {above:.0f} mm above the lowest point (parting.z_mm = {above:.0f})"


@check(
    id="fill/level-keeps-rising",
    why="A level that nearly stands still skins over and laps.",
    source="25, 18, 12, 8, 6 mm/s for sections to 4, 8, 15, 40 mm and above: " + PRACTICE,
    limit=0.5,
    miss=Verdict.WARN,
)
def level_keeps_rising(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the slowest rise within each casting with what its mean section asks for."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    bodies = {body.name: body for body in rigging.castings}
    found = False
    for course in flow.cavities:
        for name in course.parts:
            rise = _slowest_rise(course, bodies[name]) if name in bodies else None
            if rise is None:
                continue
            found = True
            section = 2.0 * bodies[name].solid.volume_mm3 / bodies[name].solid.area_mm2
            wanted = next(speed for top, speed in RISE_MM_S if section <= top)
            speed, level = rise
            x, y, _ = bodies[name].solid.centroid_mm
            yield judged(
                speed / wanted >= limit,
                f"the level in {name} rises by {speed:.1f} mm/s at its slowest, at {level:.0f} mm;"
                f" usual {wanted:.0f} mm/s for a mean section of {section:.1f} mm",
                value=speed / wanted,
                part=name,
                at_mm=(x, y, level),
                remedy="a larger choke, or the casting turned so that no level is so wide",
            )
    if not found:
        yield passed_over("no casting fills")


RISE_MM_S = ((4.0, 25.0), (8.0, 18.0), (15.0, 12.0), (40.0, 8.0), (math.inf, 6.0))


def _slowest_rise(course: CavityRise, body: Body) -> tuple[float, float] | None:
    """Return (slowest rise [mm/s], its level [mm]) within the middle of a casting's height."""
    low, high = (float(v) for v in body.solid.bounds[:, 2])
    time, level = course.time_s, course.level_mm
    edge = 0.05 * (high - low)
    grid = np.linspace(low + edge, high - edge, 13)
    inside = level <= level[-1]
    if level[-1] < high - edge or len(time) < 3:
        return None
    moments = np.interp(grid, level[inside], time[inside])
    speed = np.diff(grid) / np.maximum(np.diff(moments), 1e-9)
    slow = int(np.argmin(speed))
    return float(speed[slow]), float(0.5 * (grid[slow] + grid[slow + 1]))


@check(
    id="fill/fronts-meet-hot",
    why="Fronts that meet below the liquidus do not knit: a cold shut.",
    source="estimate by contact resistance and sand in series, after M. C. Flemings,"
    " Solidification Processing, ch. 1",
    limit=0.0,
    unit="K",
    miss=Verdict.WARN,
)
def fronts_meet_hot(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the temperature where fronts meet with the liquidus."""
    fill, alloy = results.need(Fill), results.need(Alloy)
    for meeting in fill.meetings:
        above = meeting.temperature_c - alloy.liquidus_c
        yield judged(
            above >= limit,
            f"fronts meet after {meeting.time_s:.1f} s at about {meeting.temperature_c:.0f} °C, "
            f"{above:+.0f} K from the liquidus",
            value=above,
            at_mm=meeting.at_mm,
            remedy="a gate nearer to that place, a quicker pour, or hotter metal",
        )
    if not fill.meetings:
        yield passed_over("no two fronts meet")


@check(
    id="fill/thin-walls-run-full",
    why="A thin wall stops the metal once half of its freezing time is over.",
    source="fluidity of long-freezing-range metal, 0.2 to 0.5 v t: J. Campbell, R. A. Harding,"
    " TALAT lecture 3205 (from memory)",
    limit=0.5,
)
def thin_walls_run_full(results: Results, limit: float) -> Iterator[Finding]:
    """Compare how long each thin wall takes to fill with its freezing time."""
    runs = results.need(Fill).thin_runs
    for run in runs:
        share = run.time_s / run.freeze_s
        yield judged(
            share <= limit,
            f"{run.part}: wall of {run.wall_mm:.1f} mm, {run.run_mm:.0f} mm long, fills in "
            f"{run.time_s:.1f} s and freezes in {run.freeze_s:.1f} s",
            value=share,
            part=run.part,
            at_mm=run.at_mm,
            remedy="a gate into that wall, a quicker pour, or a thicker wall",
        )
    if not runs:
        yield passed_over("no wall thin enough to stop the metal")
