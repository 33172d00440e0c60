"""What can hurt someone, said on every pouring sheet."""

from dataclasses import dataclass
from typing import Final

from moldprep.records import Alloy, Sand


@dataclass(frozen=True)
class Caution:
    """One hazard, what to do, and who says so."""

    title: str
    text: str
    source: str


FIRST: Final = Caution(
    "Local rules and licensed practice come first",
    "These numbers are computed from a model and handbook figures. A competent foundry engineer "
    "checks them before metal is melted; national and local codes, the safety data sheets of "
    "sand, binder, coating and alloy, and the shop's own permits decide wherever they say more.",
    "common practice, no source",
)

ALWAYS: Final = (
    Caution(
        "No moisture near liquid metal",
        "Water under metal explodes. Dry and warm molds, coatings, chills, ladles, tools and "
        "charge; keep the pit, the run-out bed and the floor under the mold dry.",
        "common practice, no source",
    ),
    Caution(
        "The mold lifts when it fills",
        "Metal pushes the cope and the cores up. Put on the stated weight or clamp load before "
        "pouring, spread over the cope, and leave it until the metal is solid.",
        "hydrostatics; factor 1.3 to 1.5 for the surge at the end of pouring, common practice",
    ),
    Caution(
        "Radiant heat and run-outs",
        "Face shield, metal-resistant jacket, gaiters and boots for everyone near the metal; a "
        "clear way out; dry sand and a run-out bed at hand; nobody in front of the joint.",
        "common practice, no source",
    ),
    Caution(
        "Metal spits, and gas pops",
        "Keep faces away from vents and open feeders while they fill: metal spits out of them as "
        "the mold becomes full. Light the gas early; gas that gathers and is lit late goes off.",
        "common practice, no source",
    ),
    Caution(
        "A mold takes up water",
        "Keep printed pieces dry and close the mold shortly before pouring; dry it again if it "
        "has stood, above all with chills in it, which sweat.",
        "common practice, no source",
    ),
    Caution(
        "Printed sand is brittle and heavy",
        "Lift pieces only at their lifting points, on bars or slings of known capacity, with "
        "nobody under them. Do not lift a cracked piece.",
        "common practice, no source",
    ),
)


def cautions(alloy: Alloy, sand: Sand) -> tuple[Caution, ...]:
    """Return every caution for a metal in a sand, the general one first."""
    dust = Caution(
        "Dust of sand",
        _dust(sand),
        "29 CFR 1910.1053 (value as quoted, from memory of the citation)",
    )
    fumes = Caution(
        "Fumes of the binder",
        f"{sand.binder.name}: {sand.binder.fumes}. Draw fumes off while printing, curing, pouring, "
        "cooling and at shake-out; light the gas at the vents; carbon monoxide has no smell.",
        "foundry texts (from memory); the binder's safety data sheet decides",
    )
    hot = Caution(
        "Hot after pouring",
        f"Leave the mold closed until the metal is below {alloy.knock_out_c:.0f} °C, and treat "
        "every casting as hot until it is measured.",
        alloy.source.get("knock_out_c", "common practice, no source"),
    )
    return (FIRST, *ALWAYS, dust, fumes, hot)


def _dust(sand: Sand) -> str:
    what = (
        "Silica sand"
        if sand.is_silica
        else "Most foundry sands, this one perhaps, hold some quartz; it"
    )
    return (
        f"{what} gives respirable crystalline silica when it is dusted out, blown, knocked out "
        "or swept. US limit 50 µg/m³ over 8 hours, action level 25 µg/m³; other countries differ. "
        "Suck, do not blow, where that can be done; clean wet or by vacuum; fit-test respirators."
    )
