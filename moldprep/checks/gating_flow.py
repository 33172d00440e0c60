"""Does the metal run as it should? Speeds, shares, times, heads; from the flow network."""

import math
from collections.abc import Iterator

import numpy as np

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.records import Alloy, FlowGraph, Rigging, RiggingPlan, Survey
from moldprep.results import Results

CAMPBELL = "J. Campbell, Complete Casting Handbook, rule 2 (from memory)"
KALPAKJIAN = (
    "S. Kalpakjian, S. Schmid, Manufacturing Engineering and Technology, gating (from memory)"
)
PRACTICE = "common practice, no source"
SHOP = "common practice, no source; a shop setting"


def _gates(results: Results) -> list[str]:
    """Return the bodies metal enters castings by, that carry flow."""
    return sorted({name for course in results.need(FlowGraph).cavities for name in course.inlets})


@check(
    id="gating/flow-is-conserved",
    why="What enters a joint must leave it; otherwise the flow was not solved.",
    source="continuity",
    limit=1e-9,
)
def flow_is_conserved(results: Results, limit: float) -> Iterator[Finding]:
    """Look at the largest imbalance of any joint."""
    flow = results.need(FlowGraph)
    if not flow.cavities:
        yield passed_over("no metal flows")
        return
    yield judged(
        flow.imbalance <= limit,
        f"largest imbalance at a joint {flow.imbalance:.1e} of the flow",
        value=flow.imbalance,
        remedy="report this",
    )


@check(
    id="gating/gate-speed-below-critical",
    why="Metal that enters faster folds its skin of oxide into itself.",
    source=CAMPBELL + "; alloy file",
    limit=1.0,
    miss=Verdict.WARN,
)
def gate_speed_below_critical(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the highest speed in each gate with the alloy's critical speed."""
    yield from _speed(results, limit)


@check(
    id="gating/gate-does-not-jet",
    why="A jet wears the sand away and breaks up on the wall it hits.",
    source=PRACTICE,
    limit=4.0,
)
def gate_does_not_jet(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the highest speed in each gate with several times the critical speed."""
    yield from _speed(results, limit)


def _speed(results: Results, limit: float) -> Iterator[Finding]:
    flow, alloy = results.need(FlowGraph), results.need(Alloy)
    gates = _gates(results)
    critical = alloy.critical_speed_m_s
    for channel in flow.channels:
        if channel.body in gates:
            times = channel.speed_m_s / critical
            wanted = channel.smallest_mm2 * channel.speed_m_s / (limit * critical)
            yield judged(
                times <= limit,
                f"{channel.body}: {channel.speed_m_s:.2f} m/s at {channel.smallest_mm2:.0f} mm², "
                f"{times:.2f} x the critical {critical:.2f} m/s",
                value=times,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy=f"widen it to {wanted:.0f} mm², add gates, or take the choke smaller",
            )
    if not gates:
        yield passed_over("no metal enters any casting")


@check(
    id="gating/gates-share-the-flow",
    why="A gate that takes twice its share overheats one place while others run cold.",
    source=PRACTICE,
    limit=2.0,
)
def gates_share_the_flow(results: Results, limit: float) -> Iterator[Finding]:
    """Compare each gate's flow with an even share of what its casting takes of the metal."""
    flow, gates = results.need(FlowGraph), _gates(results)
    if len(gates) < 2:
        yield passed_over("fewer than two gates")
        return
    even, passes = _even_shares(flow), _passes(flow)
    for channel in flow.channels:
        if channel.body in gates:
            share = passes[channel.body]
            times = share / even.get(channel.body, 1.0 / len(gates))
            yield judged(
                times <= limit,
                f"{channel.body} takes {100.0 * share:.0f} % of the flow, "
                f"{times:.2f} x the mean for what it fills",
                value=times,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy=f"narrow {channel.body}, or step the runner down before it",
            )


@check(
    id="gating/every-gate-works",
    why="A gate that takes next to nothing chills and misruns around it.",
    source=PRACTICE,
    limit=0.4,
    miss=Verdict.WARN,
)
def every_gate_works(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the most each gate takes at any time with the mean of gates for what it fills."""
    flow, gates = results.need(FlowGraph), _gates(results)
    whole = sum(float(course.shares[0].sum()) for course in flow.cavities)
    if len(gates) < 2 or whole <= 0.0:
        yield passed_over("fewer than two gates")
        return
    even = _even_shares(flow)
    for course in flow.cavities:
        for name, most in zip(course.inlets, course.shares.max(axis=0), strict=True):
            times = float(most) / (even.get(name, 1.0 / len(gates)) * whole)
            yield judged(
                times >= limit,
                f"{name} takes {times:.2f} x the mean of gates, for what it fills, at most",
                value=times,
                part=name,
                at_mm=_place(flow, name),
                remedy=f"lower {name}, widen it, or take it out",
            )


def _passes(flow: FlowGraph) -> dict[str, float]:
    """Return what each gate passes into castings at first, of the whole. [-]"""
    first: dict[str, float] = {}
    for course in flow.cavities:
        for name, mm3_s in zip(course.inlets, course.shares[0].tolist(), strict=True):
            first[name] = first.get(name, 0.0) + mm3_s
    whole = max(sum(first.values()), 1e-30)
    return {name: mm3_s / whole for name, mm3_s in first.items()}


def _even_shares(flow: FlowGraph) -> dict[str, float]:
    """Return what each gate would take of the flow: the volume it fills, evenly among its gates."""
    whole = sum(float(course.volume_mm3[-1]) for course in flow.cavities)
    even: dict[str, float] = {}
    for course in flow.cavities:
        for name in course.inlets:
            each = float(course.volume_mm3[-1]) / len(course.inlets) / max(whole, 1e-9)
            even[name] = even.get(name, 0.0) + each
    return {name: share for name, share in even.items() if share > 0.0}


def _place(flow: FlowGraph, name: str) -> tuple[float, ...]:
    return next((mouth.at_mm for mouth in flow.mouths if mouth.body == name), ())


@check(
    id="gating/castings-fill-alike",
    why="Castings of one mold that fill at different times get different metal.",
    source=PRACTICE,
    limit=0.1,
    miss=Verdict.WARN,
)
def castings_fill_alike(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the flow into each cavity with the mean, for its volume."""
    cavities = results.need(FlowGraph).cavities
    if len(cavities) < 2:
        yield passed_over("one casting")
        return
    rates = np.array([c.flow_mm3_s[0] / max(c.volume_mm3[-1], 1e-9) for c in cavities])
    for course, rate in zip(cavities, rates, strict=True):
        off = float(rate / rates.mean() - 1.0)
        yield judged(
            abs(off) <= limit,
            f"{course.parts[0]} fills at {100.0 * off:+.0f} % of the mean rate for its volume",
            value=abs(off),
            part=course.parts[0],
            at_mm=_place(results.need(FlowGraph), course.inlets[0]),
            remedy="make the ways to all castings alike: same lengths, same sections",
        )


@check(
    id="gating/reynolds-in-gates",
    why="Very turbulent metal in a gate carries air and oxide into the casting.",
    source=KALPAKJIAN + ": 2000 to 20 000 is tolerated",
    limit=20_000.0,
    miss=Verdict.WARN,
)
def reynolds_in_gates(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the Reynolds number of each gate with what is tolerated."""
    flow, gates = results.need(FlowGraph), _gates(results)
    for channel in flow.channels:
        if channel.body in gates:
            yield judged(
                channel.reynolds <= limit,
                f"Re {channel.reynolds:.0f} in {channel.body}",
                value=channel.reynolds,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy="more and smaller gates, or a slower pour",
            )
    if not gates:
        yield passed_over("no metal enters any casting")


# ---- times and heads ----------------------------------------------------------------------


@check(
    id="gating/head-fills-the-mold",
    why="Metal does not rise over the level in the basin, and hardly near it.",
    source="Bernoulli; the margin: " + SHOP,
    limit=20.0,
    unit="mm",
)
def head_fills_the_mold(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the level in the basin with the highest point of each casting."""
    flow, rigging = results.need(FlowGraph), results.need(Rigging)
    if not math.isfinite(flow.source_mm):
        yield judged(False, "there is no basin and no sprue", remedy="add a sprue and a basin")
        return
    for body in rigging.castings:
        points, _ = body.solid.mesh()
        top = points[int(np.argmax(points[:, 2]))]
        head = flow.source_mm - float(top[2])
        yield judged(
            head >= limit,
            f"{head:.0f} mm of head over the top of {body.name}",
            value=head,
            part=body.name,
            at_mm=tuple(top),
            remedy=f"raise the cope and the basin by {limit - head:.0f} mm",
        )


@check(
    id="gating/pour-time-as-planned",
    why="The measured system should pour in the time it was drawn for.",
    source="quasi-steady Bernoulli with losses, over the rising level",
    limit=0.4,
    miss=Verdict.WARN,
)
def pour_time_as_planned(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the integrated pouring time with the plan's."""
    flow, plan = results.need(FlowGraph), results.need(RiggingPlan)
    if not math.isfinite(flow.pour_time_s):
        yield judged(
            False, "the mold does not fill", value=math.inf,
            remedy="join every casting and give it head enough",
        )  # fmt: skip
        return
    cavity = flow.pour_time_s - flow.prime_s
    off = cavity / plan.pour_time_s - 1.0
    yield judged(
        abs(off) <= limit,
        f"cavities fill in {cavity:.1f} s ({flow.prime_s:.1f} s before it for the channels), "
        f"planned {plan.pour_time_s:.1f} s",
        value=abs(off),
        remedy="change the choke in proportion",
    )


@check(
    id="gating/pour-time-near-handbook",
    why="Far quicker washes the sand, far slower runs cold; the handbooks hold what worked.",
    source="the formula named in the message",
    limit=2.0,
    miss=Verdict.WARN,
)
def pour_time_near_handbook(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the filling of the cavities with the handbook formula for this alloy."""
    flow = results.need(FlowGraph)
    if not math.isfinite(flow.pour_time_s) or not flow.formula_times:
        yield passed_over("the mold does not fill")
        return
    cavity = flow.pour_time_s - flow.prime_s
    for name, seconds, source in flow.formula_times[:1]:
        times = max(cavity / seconds, seconds / cavity)
        yield judged(
            times <= limit,
            f"cavities fill in {cavity:.1f} s, {name}: {seconds:.1f} s ({source})",
            value=times,
            remedy="change the choke in proportion",
        )


@check(
    id="gating/fills-before-thin-wall-freezes",
    why="A thin wall must be full well before metal of its thickness freezes.",
    source="half the freezing time of the thinnest wall: " + PRACTICE,
    limit=0.5,
)
def fills_before_thin_wall_freezes(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the filling of the cavities with the freezing time of the thinnest wall."""
    flow, survey, alloy = results.need(FlowGraph), results.need(Survey), results.need(Alloy)
    if not math.isfinite(flow.pour_time_s):
        yield passed_over("the mold does not fill")
        return
    freeze = alloy.constant_s_mm2 * (0.5 * survey.run_wall_mm) ** 2
    cavity = flow.pour_time_s - flow.prime_s
    yield judged(
        cavity / freeze <= limit,
        f"cavities fill in {cavity:.1f} s; walls of {survey.run_wall_mm:.1f} mm freeze in "
        f"{freeze:.1f} s",
        value=cavity / freeze,
        remedy=f"pour in {limit * freeze:.1f} s: choke x {cavity / (limit * freeze):.1f}, or"
        " thicken the wall",
    )


@check(
    id="gating/superheat-reaches-castings",
    why="Metal that arrives near its liquidus has no heat left to run with.",
    source="contact resistance and sand in series, after M. C. Flemings, Solidification"
    " Processing, ch. 1; the share: " + SHOP,
    limit=0.6,
    miss=Verdict.WARN,
)
def superheat_reaches_castings(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the heat the first metal loses on the way with its superheat."""
    flow, alloy, gates = results.need(FlowGraph), results.need(Alloy), _gates(results)
    superheat = max(flow.pour_c - alloy.liquidus_c, 1.0)
    for channel in flow.channels:
        if channel.body in gates and math.isfinite(channel.cooled_k):
            share = channel.cooled_k / superheat
            yield judged(
                share <= limit,
                f"the first metal has lost {channel.cooled_k:.0f} K of {superheat:.0f} K superheat"
                f" at the end of {channel.body}",
                value=share,
                part=channel.body,
                at_mm=channel.at_mm,
                remedy="shorter or thicker channels, a quicker pour, or hotter metal",
            )
    if not gates:
        yield passed_over("no metal enters any casting")
