"""Why the automatic gating is as it is, item by item."""

from typing import Final

from moldprep.records import Alloy
from moldprep.records.plan import Reason
from moldprep.rigging.gate_limits import critical_fall_mm
from moldprep.rigging.gates.gate_sites import FREE_WAY
from moldprep.rigging.gates.rows import RowSide
from moldprep.rigging.gates.sides import Gate, Side
from moldprep.rigging.gates.sizing import CAMPBELL, PRACTICE, RAO, Shop, Sizes
from moldprep.rigging.gates.tree import is_even
from moldprep.rigging.layout import FILTERS_MM, Layout

LEAST_UNLIKE_MM: Final = 0.1
"""Difference of gates' widths that is worth a word. [mm]"""


def layout_reasons(
    layout: Layout, side: Side, sizes: Sizes, alloy: Alloy, shop: Shop, wanted_mm: float,
    floor_mm: float,
) -> tuple[Reason, ...]:  # fmt: skip
    """Return one reason for each kind of channel.

    `wanted_mm` is the level that was asked for the gates, `floor_mm` that of the casting's floor.
    """
    return (
        *_place_reasons(layout, side, shop, wanted_mm),
        _level_reason(side, alloy, floor_mm),
        _runner_reason(side, sizes),
        *_gate_reasons(layout, side, alloy),
        *_pouring_reasons(),
        *_sized_reasons(layout, sizes, alloy),
    )


def sizing_reasons(layout: Layout, sizes: Sizes, alloy: Alloy) -> tuple[Reason, ...]:
    """Return the reasons that speak of areas: they change where the gating is sized anew."""
    return (*sizes.reasons, *_sized_reasons(layout, sizes, alloy))


def _place_reasons(layout: Layout, side: Side, shop: Shop, wanted_mm: float) -> list[Reason]:
    reasons = []
    count = len(layout.placements)
    if isinstance(side, RowSide):
        runners = "one straight runner" if side.n_lanes == 1 else (
            f"{side.n_lanes} straight runners on one trunk")  # fmt: skip
        why = f"{count} castings where the job places them, gated from {runners}"
        reasons.append(Reason(item="placements", why=why, source="job"))
    elif count > 1:
        even = "mirrored, so that every gate has the same way" if is_even(count) else (
            "as even as an odd number allows; 2, 4, 8 or 16 would branch evenly")  # fmt: skip
        reasons.append(
            Reason(item="placements", why=f"{count} castings round one sprue, {even}",
                   source=PRACTICE)
        )  # fmt: skip
    if abs(side.level_mm - wanted_mm) > 0.5:
        reasons.append(
            Reason(
                item="ingate-1",
                why=f"at {side.level_mm:.1f} mm, the nearest level to the parting, or to"
                f" the height asked for ({wanted_mm:.1f} mm), where the casting has a wall for a"
                " gate",
                source=PRACTICE,
            )
        )
    reasons.append(
        Reason(item="runner-1", source="rule set",
               why=f"{shop.channel_wall_mm:.0f} mm of sand kept from castings and feeders")
    )  # fmt: skip
    if side.way.sand_mm < shop.channel_wall_mm:
        why = (
            f"only {side.way.sand_mm:.0f} mm of sand kept from feeders that stand beside the gate:"
        )
        why += " no place offers more"
        reasons.append(Reason(item="ingate-1", why=why, source=PRACTICE))
    return reasons


def _level_reason(side: Side, alloy: Alloy, floor_mm: float) -> Reason:
    """Return why the gates lie as high as they do: what metal falls, and what would help."""
    bears = critical_fall_mm(alloy.surface_tension_n_m, alloy.density_liquid_kg_m3)
    low, _ = side.way.gate_band_mm(side.gates[0].height_mm)
    fall = low - floor_mm
    if fall <= bears:
        why = (
            f"metal falls {max(fall, 0.0):.0f} mm to the casting's floor; {bears:.0f} mm do no harm"
        )
    else:
        why = (
            f"metal falls {fall:.0f} mm to the casting's floor, {bears:.0f} mm do no harm. Gates"
            " lie where the mold opens, so that channels can be seen, cleaned and coated, unless a"
            " lower wall saves more fall than that is worth"
            ' (rigging.gate_level_mm = "bottom" takes the lowest wall in any case); a lower'
            " parting.z_mm or the casting turned over saves both"
        )
    return Reason(item="ingate-1", why=why, source=f"{CAMPBELL}; height 2 sqrt(gamma / (rho g))")


def _runner_reason(side: Side, sizes: Sizes) -> Reason:
    if side.gates_above:
        why = "runner below the joint, gates above it: the runner fills before the gates run"
    elif sizes.ingate_mm2 <= sizes.foot_mm2:
        why = "runner above the joint, gates below it: the gates are the choke and keep it full, "
        why += "slag floats up and stays in it"
    else:
        why = "runner above the joint, gates below it: the only walls with room for gates lie "
        why += "there; the gates drain the runner, so it does not run full"
    return Reason(
        item="runner-1",
        why=f"{why}; goes on past the last gate for the first, cold metal",
        source=f"{RAO}; AFS habit (from memory)",
    )


def _gate_reasons(layout: Layout, side: Side, alloy: Alloy) -> list[Reason]:
    gate = side.gates[0]
    into = "the casting" if gate.into == "casting" else "its side feeders, hot metal last"
    return [
        Reason(
            item="ingate-1",
            why=f"{len(side.gates)} straight gate(s) a casting into {into}, from the side that"
            f" keeps them short; {_wanted(gate, alloy)}",
            source=PRACTICE,
        ),
        Reason(
            item="ingate-1",
            why=f"{gate.height_mm:g} mm thick, at most {side.way.thinness:g} of the"
            f" {side.wall_mm:.1f} mm wall, notched {gate.notch_mm:g} mm: breaks in the gate, not in"
            " the casting",
            source=PRACTICE,
        ),
        *_share_reason(layout, side),
        *_strike_reason(side),
    ]


def _share_reason(layout: Layout, side: Side) -> list[Reason]:
    """Return why gates are of unlike width, where they are."""
    widths = [gate.width_mm for gate in layout.ingates]
    if max(widths) - min(widths) < LEAST_UNLIKE_MM:
        return []
    bodies = len({gate.piece for gate in side.gates})
    why = "gates of unlike width, by a trial pour with all losses, so that all castings are full"
    why += " at the same time"
    if bodies > 1:
        metal = " : ".join(f"{100.0 * gate.metal:.0f}" for gate in side.gates)
        why += f": the {bodies} bodies of the model take {metal} % of the metal"
    return [Reason(item="ingate-1", why=why, source=PRACTICE)]


def _strike_reason(side: Side) -> list[Reason]:
    """Return why gates lie where their jet strikes something close by, if they do."""
    if side.free_way >= FREE_WAY:
        return []
    why = (
        f"{side.free_way:.1f} x their thickness free before the gates, {FREE_WAY:g} wanted: no"
        " wall that a runner reaches has more behind it and room for gates of this area"
    )
    return [Reason(item="ingate-1", why=why, source=PRACTICE)]


def _wanted(gate: Gate, alloy: Alloy) -> str:
    """Return where the alloy wants its gates, and where they are not there, why."""
    if alloy.wants_gates != "feeder":
        return f"{alloy.title} wants them at the thin sections"
    if gate.into != "casting":
        return f"{alloy.title} wants them at the feeders"
    return (
        f"{alloy.title} wants them at the feeders, but no side feeder stands where a runner"
        " reaches it with a gate of this area: set one there (rigging.feeder) to have them so"
    )


def _pouring_reasons() -> list[Reason]:
    return [
        Reason(item="well", why="five times the foot's area, twice the runner's depth",
               source=RAO),
        Reason(item="basin", why="offset with a step: the stream settles before the sprue and slag"
               " stays behind", source=PRACTICE),
    ]  # fmt: skip


def _sized_reasons(layout: Layout, sizes: Sizes, alloy: Alloy) -> list[Reason]:
    kind = (
        "follows the falling stream, so that it stays full" if layout.sprue.kind == "stream"
        else "straight taper for hand-made molds; wider than the stream midway"
    )  # fmt: skip
    why = f"{kind}; foot passes at most {sizes.flow_mm3_s / 1e6:.2f} l/s"
    return [
        Reason(item="sprue", why=why, source="continuity and Bernoulli"),
        _filter_reason(layout, sizes, alloy),
    ]


def _filter_reason(layout: Layout, sizes: Sizes, alloy: Alloy) -> Reason:
    if not layout.filters:
        why = f"none: {sizes.poured_kg:.0f} kg needs more than {FILTERS_MM[-1]:.0f} mm square"
        return Reason(item="filter", why=why, source=PRACTICE)
    one = layout.filters[0]
    why = (
        f"{len(layout.filters)} of {one.length_mm:g} mm square: the largest of"
        f" {alloy.filter_kg_cm2:g} kg/cm², {alloy.filter_kg_s_cm2:g} kg/(s cm²) and"
        f" {alloy.filter_choke_ratio:g} x the choke"
    )
    up_mm = layout.runners[1].path_mm[0][2] - layout.runners[0].path_mm[0][2]
    if up_mm:
        why += f"; at the joint, where it is set in, {up_mm:.0f} mm of slope under the runner"
    return Reason(item="filter", why=why, source=PRACTICE)
