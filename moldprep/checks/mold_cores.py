"""Checks of cores: are they held, do they stand until the mold is closed, can gas leave them."""

from collections.abc import Iterator
from math import isfinite

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import CoreFacts, Handling, Mold, RiggingPlan
from moldprep.results import Results

BEARS_MPA = 0.35
"""Pressure a core print bears, as in `mold/core-print-bears`."""

CHAPLET_MM2_N = 29.0
"""Area of chaplets for each newton; same source."""


@check(
    id="mold/core-print-bears",
    why="A print too short crushes, and the core floats up into the casting.",
    source="35 N/cm² on a core print; P. N. Rao, Manufacturing Technology vol. 1 (from memory)",
    limit=0.35,
    unit="MPa",
)
def core_print_bears(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the pressure on each core's prints against what sand bears."""
    for core in results.need(Handling).cores:
        way = "lifts" if core.lift_n > 0.0 else "rests"
        if core.bearing_mm2 <= 0.0:
            area = "and nothing bears it"
        elif isfinite(core.bearing_mpa):
            area = f"on {core.bearing_mm2:.0f} mm² of print"
        else:
            area = f"aside of its {core.bearing_mm2:.0f} mm² of print: it turns out of them"
        yield judged(
            core.bearing_mpa <= limit,
            f"{core.name} {way} with {abs(core.lift_n):.0f} N {area}",
            value=_number(core.bearing_mpa),
            part=core.name,
            at_mm=core.at_mm,
            remedy="lengthen cores.print_mm, or set chaplets of the alloy "
            f"({CHAPLET_MM2_N * abs(core.lift_n):.0f} mm² in all, at the end without a print)",
        )
    if not results.need(Handling).cores:
        yield passed_over("no cores")


@check(
    id="mold/core-stands-when-set",
    why="A core must lie still on its prints before the cope comes down on it.",
    source="35 N/cm² on a core print; P. N. Rao, Manufacturing Technology vol. 1 (from memory); "
    "center of mass over what carries it: statics",
    limit=BEARS_MPA,
    unit="MPa",
)
def core_stands_when_set(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the pressure of each core's own weight on what lies under it against what sand bears."""
    for core in results.need(Handling).cores:
        yield judged(
            core.rest_mpa <= limit,
            f"{core.name}, {core.weight_n:.1f} N, {_stand(core)}",
            value=_number(core.rest_mpa),
            part=core.name,
            at_mm=core.at_mm,
            remedy="turn the casting over (parting.pull) so that openings look down or level, "
            "lengthen cores.print_mm until the print outweighs what hangs free, set chaplets of "
            f"{CHAPLET_MM2_N * core.weight_n:.0f} mm² under it, or paste and wire it into the cope",
        )
    if not results.need(Handling).cores:
        yield passed_over("no cores")


def _stand(core: CoreFacts) -> str:
    """Return how a core stands before the cope is on."""
    if core.rest_mm2 <= 0.0:
        return "has nothing under it when it is set: it falls"
    if core.overhang_mm > 0.0 or not isfinite(core.rest_mpa):
        return f"tips when it is set: its middle lies {core.overhang_mm:.0f} mm beyond its prints"
    return f"stands on {core.rest_mm2:.0f} mm² when it is set"


def _number(value: float) -> float:
    """Return a value for a finding: NaN where nothing finite was measured."""
    return value if isfinite(value) else float("nan")


@check(
    id="mold/core-has-a-print",
    why="A core that nothing holds falls, or floats up into the casting.",
    source="35 N/cm² on a core print, 29 mm² of chaplet a newton; P. N. Rao, Manufacturing "
    "Technology vol. 1 (from memory)",
    limit=1.0,
)
def core_has_a_print(results: Results, limit: float) -> Iterator[Finding]:
    """Count the prints of each core; say how large one must be where there is none."""
    mold = results.need(Mold)
    for core in results.need(Handling).cores:
        n = sum(name.startswith(f"{core.name} print") for name, _ in mold.prints)
        force = abs(core.lift_n)
        yield judged(
            n >= limit,
            f"{core.name} has {n} prints" if n else f"all mouths of {core.name} are blocked",
            value=n,
            part=core.name,
            at_mm=core.at_mm,
            remedy="move feeders, gates or chills off its mouths, or open the casting there for "
            f"a print of {force / BEARS_MPA:.0f} mm²; else set chaplets of "
            f"{CHAPLET_MM2_N * force:.0f} mm² in all",
        )
    if not results.need(Handling).cores:
        yield passed_over("no cores")


@check(
    id="mold/core-gas-gets-out",
    why="Gas that cannot leave by the print blows into the metal.",
    source="Campbell, Complete Casting Handbook, rule on core blows (from memory); Darcy's law",
    limit=1.0,
    miss=Verdict.WARN,
)
def core_gas_gets_out(results: Results, limit: float) -> Iterator[Finding]:
    """Hold the gas pressure in each core against the metal's at its highest face."""
    for core in results.need(Handling).cores:
        metal = max(core.metal_pressure_pa, 1.0)
        ratio = core.gas_pressure_pa / metal
        vented = f", with {core.vented_mm:.0f} mm of vents in it" if core.vented_mm > 0.0 else ""
        yield judged(
            ratio <= limit,
            f"gas of {core.name} needs {core.gas_pressure_pa:.0f} Pa to leave{vented}; the metal "
            f"holds {core.metal_pressure_pa:.0f} Pa",
            value=ratio,
            part=core.name,
            at_mm=core.at_mm,
            remedy="vent the core right through its heart, or print it hollow or with less binder; "
            "lead its gas out by the prints, away from the joint",
        )
    if not results.need(Handling).cores:
        yield passed_over("no cores")


@check(
    id="mold/core-vents-lead-out",
    why="Air under a core, with the casting over it, has no other way out than through the core.",
    source="common practice, no source",
    miss=Verdict.WARN,
)
def core_vents_lead_out(results: Results, limit: float) -> Iterator[Finding]:
    """Look for the bore of every planned core vent among what was cut out of the cores."""
    planned, mold = results.need(RiggingPlan).core_vents, results.need(Mold)
    bored = {name for name, body in mold.clearances if not body.is_empty}
    for vent in planned:
        yield judged(
            vent.name in bored,
            f"{vent.name} leads from over the high point through a print"
            if vent.name in bored
            else f"{vent.name}: the core over this high point has no room for a bore to a print",
            value=float(vent.name not in bored),
            part=vent.into,
            at_mm=vent.at_mm,
            remedy="give the core a print there (cores.declared) or a thicker body, or turn the"
            " casting so that the high point lies under the cope",
        )
    if not planned:
        yield passed_over("no high point lies under the casting itself")
