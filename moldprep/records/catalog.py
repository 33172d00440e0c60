"""Alloy, Sand, Printer, Rules: what configs/ says. One TOML file a thing, a source a figure.

Every figure has a plausible range here: wide enough for any foundry, too narrow for a lost
decimal point. Figures that belong together are held against each other: a solidus under its
liquidus, a curve over rising temperatures. All of it guards a user's own files too.
"""

from itertools import pairwise
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from moldprep.records.job import Number, Table

Curve = tuple[tuple[float, float], ...]


def _between(low: float, high: float) -> object:
    return Field(ge=low, le=high)


def _rising(curve: Curve) -> Curve:
    """Return a curve whose temperatures rise; else say where they do not."""
    for (one, _), (other, _) in pairwise(curve):
        if not one < other:
            raise ValueError(f"temperatures must rise: {other:g} °C stands after {one:g} °C")
    return curve


def _to_solid(curve: Curve) -> Curve:
    """Return a table of solid fraction that falls from 1 to 0 as it gets hotter."""
    shares = [share for _, share in _rising(curve)]
    if shares[0] != 1.0 or shares[-1] != 0.0 or shares != sorted(shares, reverse=True):
        raise ValueError("must fall from 1 at the coldest temperature to 0 at the hottest")
    return curve


Celsius = Annotated[Number, _between(100.0, 3000.0)]
AnyCelsius = Annotated[Number, _between(-100.0, 3000.0)]
Density = Annotated[Number, _between(1000.0, 20000.0)]
Conductivity = Annotated[Number, _between(0.05, 500.0)]
Heat = Annotated[Number, _between(50.0, 5000.0)]
Share = Annotated[Number, _between(0.0, 1.0)]
Part = Annotated[Number, _between(0.1, 20.0)]
Reach = Annotated[Number, _between(0.5, 30.0)]
Percent = Annotated[Number, _between(1.0, 100.0)]
Wall = Annotated[Number, _between(5.0, 300.0)]
BoxEdge = Annotated[Number, _between(50.0, 10000.0)]
ConductivityCurve = Annotated[
    tuple[tuple[AnyCelsius, Conductivity], ...], Field(min_length=1), AfterValidator(_rising)
]
HeatCurve = Annotated[
    tuple[tuple[AnyCelsius, Heat], ...], Field(min_length=1), AfterValidator(_rising)
]
SolidCurve = Annotated[
    tuple[tuple[Celsius, Share], ...], Field(min_length=2), AfterValidator(_to_solid)
]


class Sourced(Table):
    """A thing of the catalog: an id (the file's stem), a title, a source for every figure."""

    id: str = ""
    title: str
    source: dict[str, str]


class Alloy(Sourced):
    """A casting alloy in its foundry state.

    conductivity_w_mk, heat_j_kgk : curves ((°C, value), …), heat without latent heat
    solid_fraction                : "linear", "lever", "scheil", or the table ((°C, share), …)
    contraction_pct               : volume change on freezing (negative: expansion)
    liquid_contraction_pct_100k   : per 100 K of superheat
    constant_s_mm2                : Chvorinov C of plates in silica sand
    reach_t                       : feeding distance of a plate without end effect, with, in T
    filter_material               : what a filter for it is made of, "" if not stated
    melt_care                     : what the melter sees to before it is poured, "" if not stated
    """

    family: Literal["steel", "grey-iron", "ductile-iron", "aluminium", "copper"]
    liquidus_c: Celsius
    solidus_c: Celsius
    pour_low_c: Celsius
    pour_high_c: Celsius
    knock_out_c: Annotated[Number, _between(50.0, 1200.0)]
    latent_j_kg: Annotated[Number, _between(2e4, 8e5)]
    density_kg_m3: Density
    density_liquid_kg_m3: Density
    conductivity_w_mk: ConductivityCurve
    heat_j_kgk: HeatCurve
    solid_fraction: Literal["linear", "lever", "scheil"] | SolidCurve = "linear"
    partition: Annotated[Number, _between(0.01, 0.99)] = 0.3
    contact_m2k_w: Annotated[Number, _between(0.0, 0.05)]
    viscosity_pa_s: Annotated[Number, _between(1e-4, 0.05)]
    surface_tension_n_m: Annotated[Number, _between(0.1, 3.0)]
    critical_speed_m_s: Annotated[Number, _between(0.1, 3.0)]
    shrink_pct: Annotated[Number, _between(0.0, 4.0)]
    contraction_pct: Annotated[Number, _between(-4.0, 9.0)]
    liquid_contraction_pct_100k: Annotated[Number, _between(0.0, 4.0)]
    constant_s_mm2: Annotated[Number, _between(0.2, 10.0)]
    ratio: tuple[Part, Part, Part]
    pour_time_rule: Literal["steel", "grey-iron", "ductile-iron", "copper", "light"]
    modulus_factor: Annotated[Number, _between(0.5, 2.0)]
    neck_factor: Annotated[Number, _between(0.3, 1.5)]
    reach_t: tuple[Reach, Reach]
    end_chill_mm: Annotated[Number, _between(0.0, 300.0)]
    smallest_wall_mm: Annotated[Number, _between(1.0, 30.0)]
    yield_pct: tuple[Percent, Percent]
    filter_kg_cm2: Annotated[Number, _between(0.1, 20.0)]
    filter_kg_s_cm2: Annotated[Number, _between(0.01, 2.0)]
    filter_choke_ratio: Annotated[Number, _between(1.0, 20.0)]
    filter_material: str = ""
    melt_care: str = ""
    coating_mm: Annotated[Number, _between(0.0, 2.0)]
    mold_wall_mm: tuple[Wall, Wall]
    wants_gates: Literal["thin", "feeder"]
    niyama_limit: Annotated[Number, _between(0.0, 5.0)]

    @property
    def expands(self) -> bool:
        """Whether its graphite swells while it freezes."""
        return self.family in ("grey-iron", "ductile-iron")

    @property
    def feed_time_share(self) -> float:
        """Share of its freezing time for which a section takes feed metal from outside. [-]

        All of it, but for irons: what comes after their neck_factor² the graphite's swelling
        feeds. Thin: it wants a rigid mold, good inoculation, and carbon enough.
        """
        return self.neck_factor**2 if self.expands else 1.0

    @property
    def pour_c(self) -> float:
        """Middle of the pouring window."""
        return 0.5 * (self.pour_low_c + self.pour_high_c)

    def poured_at(self, pour_c: float) -> Self:
        """Return the alloy with one temperature as all of its pouring window."""
        return self.model_copy(update={"pour_low_c": pour_c, "pour_high_c": pour_c})

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        """Refuse figures that cannot be true of one alloy."""
        if self.solid_fraction in {"lever", "scheil"} and "partition" not in self.model_fields_set:
            raise ValueError(f"solid_fraction {self.solid_fraction!r} needs partition")
        rising = (
            ("knock_out_c", self.knock_out_c, "solidus_c", self.solidus_c),
            ("solidus_c", self.solidus_c, "liquidus_c", self.liquidus_c),
            ("liquidus_c", self.liquidus_c, "pour_low_c", self.pour_low_c),
            ("pour_low_c", self.pour_low_c, "pour_high_c", self.pour_high_c),
            (
                "density_liquid_kg_m3", self.density_liquid_kg_m3,
                "density_kg_m3", self.density_kg_m3,
            ),
            ("reach_t[0]", self.reach_t[0], "reach_t[1]", self.reach_t[1]),
            ("yield_pct[0]", self.yield_pct[0], "yield_pct[1]", self.yield_pct[1]),
            ("mold_wall_mm[0]", self.mold_wall_mm[0], "mold_wall_mm[1]", self.mold_wall_mm[1]),
        )  # fmt: skip
        for low_key, low, high_key, high in rising:
            if not low < high:
                raise ValueError(f"{low_key} {low:g} should be under {high_key} {high:g}")
        return self


class Binder(Table):
    """The glue of a printed sand."""

    name: str
    pct_of_sand: Annotated[Number, _between(0.1, 10.0)]
    gas_ml_g: Annotated[Number, _between(0.5, 60.0)]
    fumes: str


class Sand(Sourced):
    """A printed mold sand, as printed and cured.

    is_silica : whether it is quartz sand, whose dust is the worst for lungs
    """

    density_kg_m3: Annotated[Number, _between(800.0, 4000.0)]
    conductivity_w_mk: ConductivityCurve
    heat_j_kgk: HeatCurve
    bend_strength_mpa: Annotated[Number, _between(0.2, 15.0)]
    permeability_m2: Annotated[Number, _between(1e-13, 1e-8)]
    grain_mm: Annotated[Number, _between(0.03, 1.0)]
    smallest_wall_mm: Annotated[Number, _between(0.5, 30.0)]
    slenderness: Annotated[Number, _between(1.0, 30.0)]
    smallest_opening_mm: Annotated[Number, _between(1.0, 60.0)]
    sinter_c: Celsius
    is_silica: bool = False
    binder: Binder


class Printer(Sourced):
    """A binder-jet sand printer: an invented, generic box."""

    box_mm: tuple[BoxEdge, BoxEdge, BoxEdge]
    wall_gap_mm: Annotated[Number, _between(0.0, 100.0)]
    layer_mm: Annotated[Number, _between(0.05, 1.0)]
    layer_s: Annotated[Number, _between(1.0, 300.0)]
    set_up_s: Annotated[Number, _between(0.0, 86400.0)]
    accuracy_mm: Annotated[Number, _between(0.01, 5.0)]
    hand_kg: Annotated[Number, _between(1.0, 100.0)]
    lift_kg: Annotated[Number, _between(10.0, 20000.0)]


class RuleChange(Table):
    """How a rule set changes one check."""

    limit: float | None = None
    soften: bool = False  # a FAIL counts as WARN
    off: bool = False
    why: str = ""


SETTINGS: Final = {
    "channel_wall_mm": (2.0, 500.0),
    "feeder_wall_mm": (2.0, 500.0),
    "head_mm": (10.0, 5000.0),
    "min_head_mm": (1.0, 5000.0),
    "cope_weight_factor": (1.0, 5.0),
    "spacing_mm": (2.0, 1000.0),
    "tap_extra_pct": (0.0, 100.0),
}
"""Shop settings a rule set may hold, each with its plausible range."""


class Rules(Sourced):
    """A rule set: limits or verdicts changed by check id; shop settings with their source.

    settings : numbers that stages use where the job says "auto", by name; see `SETTINGS`
    """

    checks: dict[str, RuleChange] = Field(default_factory=dict)
    settings: dict[str, Number] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _known_settings(self) -> Self:
        """Refuse a setting that nothing reads, or one out of range."""
        for name, value in self.settings.items():
            if name not in SETTINGS:
                raise ValueError(f"no setting {name}; known: {', '.join(SETTINGS)}")
            low, high = SETTINGS[name]
            if not low <= value <= high:
                raise ValueError(f"{name} should be {low:g} to {high:g}, got {value:g}")
        return self
