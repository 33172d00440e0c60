"""Is there sand enough beside the channels? Castings, feeders, filters, cores, locators, edge."""

from collections.abc import Iterator
from typing import Final

from moldprep.checks import check, judged, passed_over
from moldprep.findings import Finding, Verdict
from moldprep.geometry.solid import Solid
from moldprep.records import FlowGraph, Mold, Rigging, Role, Rules, SandWall
from moldprep.results import Results

PRACTICE = "common practice, no source"
SHOP = "common practice, no source; a shop setting"

USUAL_WALL_MM: Final = 25.0
"""Where the rule set has no channel_wall_mm. [mm]"""

SAFE_MM: Final = 5.0
"""Sand that stands by itself: 3 mm short, 5 mm safe (common practice, no source). [mm]"""

HOT: Final = ("casting", "feeder")
"""What the metal of a channel must not heat, nor be heated by."""

GATING: Final = (Role.BASIN, Role.SPRUE, Role.WELL, Role.RUNNER, Role.FILTER, Role.INGATE)


@check(
    id="gating/channels-keep-off-castings",
    why="Too little sand between a channel and a casting or feeder heats both, and may wash away.",
    source="channel_wall_mm of the rule set, 20 to 25 mm small, 40 to 60 large: " + SHOP,
    limit=0.95,
    miss=Verdict.WARN,
)
def channels_keep_off_castings(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the sand between channels and castings or feeders with the shop's wall."""
    wanted = results.need(Rules).settings.get("channel_wall_mm", USUAL_WALL_MM)
    yield from _walls(results, limit, HOT, wanted)


@check(
    id="gating/channels-keep-their-sand",
    why="Sand thinner than this between a channel and its neighbor breaks into the metal.",
    source="3 mm short, 5 mm safe: " + PRACTICE,
    limit=0.95,
)
def channels_keep_their_sand(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the sand beside channels with what stands: other channels, filters, vents, prints."""
    kinds = (*HOT, "channel", "filter", "vent", "insert", "print")
    yield from _walls(results, limit, kinds, SAFE_MM)


@check(
    id="gating/vents-keep-their-sand",
    why="A vent too near another, a feeder or a sleeve leaves a fin of sand that falls in.",
    source="3 mm short, 5 mm safe: " + PRACTICE,
    limit=0.95,
    miss=Verdict.WARN,
)
def vents_keep_their_sand(results: Results, limit: float) -> Iterator[Finding]:
    """Compare the sand between vents and what they do not come up from with what stands."""
    yield from _walls(results, limit, ("beside a vent",), SAFE_MM)


@check(
    id="gating/castings-stand-apart",
    why="Castings that touch come out of the mold as one; thin sand between them breaks in.",
    source="3 mm short, 5 mm safe: " + PRACTICE,
    limit=0.95,
)
def castings_stand_apart(results: Results, limit: float) -> Iterator[Finding]:
    """Look for castings joined to each other, and for too little sand between them."""
    names = {body.name for body in results.need(Rigging).castings}
    if len(names) < 2:
        yield passed_over("one casting")
        return
    grown = [one for one in results.need(FlowGraph).contacts if {one.a, one.b} <= names]
    for one in grown:
        yield judged(
            False,
            f"{one.a} and {one.b} have grown together over {one.area_mm2:.0f} mm²",
            value=0.0,
            part=one.a,
            at_mm=one.at_mm,
            remedy="place them farther apart ([[rigging.placements]], mold.spacing_mm)",
        )
    if not grown:
        yield from _walls(results, limit, ("beside a casting",), SAFE_MM, "any casting")


def _without_feeder(wall: SandWall, rigging: Rigging) -> str:
    """Return what else to do where a channel finds no room beside the feeder of a tiny casting."""
    pair = (wall.body, wall.other)
    feeders = [body for body in rigging.of_role(Role.FEEDER) if body.name in pair]
    least = min((body.solid.volume_mm3 for body in rigging.castings), default=0.0)
    if not any(body.solid.volume_mm3 > least for body in feeders):
        return ""
    return (
        ". The casting is smaller than its feeder: several round one sprue (mold.count = 8), each"
        ' fed through its gate (rigging.auto = ["gating", "chills", "vents"]), is how such castings'
        " are poured"
    )


def _walls(
    results: Results,
    limit: float,
    kinds: tuple[str, ...],
    wanted_mm: float,
    what: str = "any channel",
) -> Iterator[Finding]:
    """Judge the thin walls one by one, the others together."""
    walls = [wall for wall in results.need(FlowGraph).sand_walls if wall.kind in kinds]
    thin = [wall for wall in walls if wall.gap_mm < limit * wanted_mm]
    for wall in sorted(thin, key=lambda wall: wall.gap_mm):
        yield judged(
            False,
            f"{wall.gap_mm:.1f} mm of sand between {wall.body} and {wall.other}, wanted"
            f" {wanted_mm:.0f} mm",
            value=wall.gap_mm / wanted_mm,
            part=wall.body,
            at_mm=wall.at_mm,
            remedy=f"move {wall.body} away from {wall.other} by {wanted_mm - wall.gap_mm:.1f} mm"
            + _without_feeder(wall, results.need(Rigging)),
        )
    if not thin and walls:
        least = min(walls, key=lambda wall: wall.gap_mm)
        yield judged(
            True,
            f"{least.gap_mm:.1f} mm of sand at least, between {least.body} and {least.other}",
            value=least.gap_mm / wanted_mm,
        )
    if not walls:
        yield passed_over(f"nothing near {what}")


@check(
    id="gating/channels-keep-off-locators",
    why="A locator close to a channel breaks into it, or lets metal out along its gap.",
    source="5 mm of sand stand safely: " + PRACTICE,
    limit=SAFE_MM,
    unit="mm",
)
def channels_keep_off_locators(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the sand between every channel and every locator's gap."""
    mold, rigging = results.need(Mold), results.need(Rigging)
    gaps = [(name, solid) for name, solid in mold.clearances if name.startswith("locator")]
    for name, solid in gaps:
        for body in rigging.of_role(*GATING):
            far = body.solid.gap_mm(solid, 2.0 * limit)
            if far < limit:
                yield judged(
                    False, f"{far:.1f} mm of sand between {body.name} and a locator ({name})",
                    value=far, part=body.name, at_mm=tuple(solid.centroid_mm),
                    remedy="a larger block (mold.wall_mm), or the channel moved inward",
                )  # fmt: skip
                return
    if gaps:
        yield judged(True, f"over {limit:.0f} mm of sand between channels and locators")
    else:
        yield passed_over("no locators")


@check(
    id="gating/channels-keep-off-the-edge",
    why="Thin sand at the mold's side bursts under the metal's pressure and runs out.",
    source="wall to the outside from 20 mm on small molds: " + PRACTICE,
    limit=20.0,
    unit="mm",
    miss=Verdict.WARN,
)
def channels_keep_off_the_edge(results: Results, limit: float) -> Iterator[Finding]:
    """Measure the sand between each channel and the sides of the block."""
    mold, bodies = results.need(Mold), results.need(Rigging).of_role(*GATING)
    if not bodies:
        yield passed_over("no channel")
        return
    low, high = mold.block.bounds
    beyond = Solid.box((*(low - 2.0 * limit)[:2], low[2]), (*(high + 2.0 * limit)[:2], high[2]))
    sides = beyond - mold.block
    found = [(body.solid.gap_mm(sides, 4.0 * limit), body) for body in bodies]
    far, body = min(found, key=lambda pair: (pair[0], pair[1].name))
    yield judged(
        far >= limit,
        f"{far:.0f} mm of sand between {body.name} and the mold's side, the least of any channel",
        value=far, part=body.name, at_mm=tuple(body.solid.centroid_mm),
        remedy="a thicker wall (mold.wall_mm)",
    )  # fmt: skip
