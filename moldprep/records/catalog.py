"""Alloy, Sand, Printer, Rules: what configs/ says. One TOML file a thing, a source a figure.

Every float field has a plausible range here: wide enough for any foundry, too narrow for a lost
decimal point. The ranges guard a user's own files too.
"""

from typing import Annotated, Literal

from pydantic import Field

from moldprep.records.job import Table


def _between(low: float, high: float) -> object:
    return Field(ge=low, le=high)


Celsius = Annotated[float, _between(100.0, 3000.0)]
Density = Annotated[float, _between(1000.0, 20000.0)]
Conductivity = Annotated[float, _between(0.05, 500.0)]
Heat = Annotated[float, _between(50.0, 5000.0)]
Curve = tuple[tuple[float, float], ...]


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
    constant_s_mm2                : Chvorinov C by shape in silica sand
    reach_t                       : feeding distance of a plate without end effect, with, in T
    """

    family: Literal["steel", "grey-iron", "ductile-iron", "aluminium", "copper"]
    liquidus_c: Celsius
    solidus_c: Celsius
    pour_low_c: Celsius
    pour_high_c: Celsius
    knock_out_c: Annotated[float, _between(50.0, 1200.0)]
    latent_j_kg: Annotated[float, _between(2e4, 8e5)]
    density_kg_m3: Density
    density_liquid_kg_m3: Density
    conductivity_w_mk: Curve
    heat_j_kgk: Curve
    solid_fraction: Literal["linear", "lever", "scheil"] | Curve = "linear"
    partition: Annotated[float, _between(0.01, 0.99)] = 0.3
    contact_m2k_w: Annotated[float, _between(0.0, 0.05)]
    viscosity_pa_s: Annotated[float, _between(1e-4, 0.05)]
    surface_tension_n_m: Annotated[float, _between(0.1, 3.0)]
    critical_speed_m_s: Annotated[float, _between(0.1, 3.0)]
    shrink_pct: Annotated[float, _between(0.0, 4.0)]
    contraction_pct: Annotated[float, _between(-4.0, 9.0)]
    liquid_contraction_pct_100k: Annotated[float, _between(0.0, 4.0)]
    constant_s_mm2: Annotated[float, _between(0.2, 10.0)]
    ratio: tuple[float, float, float]
    pour_time_rule: Literal["steel", "grey-iron", "ductile-iron", "copper", "light"]
    modulus_factor: Annotated[float, _between(0.5, 2.0)]
    neck_factor: Annotated[float, _between(0.3, 1.5)]
    reach_t: tuple[float, float]
    end_chill_mm: Annotated[float, _between(0.0, 300.0)]
    smallest_wall_mm: Annotated[float, _between(1.0, 30.0)]
    yield_pct: tuple[float, float]
    filter_kg_cm2: Annotated[float, _between(0.1, 20.0)]
    filter_kg_s_cm2: Annotated[float, _between(0.01, 2.0)]
    filter_choke_ratio: Annotated[float, _between(1.0, 20.0)]
    coating_mm: Annotated[float, _between(0.0, 2.0)]
    mold_wall_mm: tuple[float, float]
    wants_gates: Literal["thin", "feeder"]
    niyama_limit: Annotated[float, _between(0.0, 5.0)]


class Binder(Table):
    """The glue of a printed sand."""

    name: str
    pct_of_sand: Annotated[float, _between(0.1, 10.0)]
    gas_ml_g: Annotated[float, _between(0.5, 60.0)]
    fumes: str


class Sand(Sourced):
    """A printed mold sand, as printed and cured."""

    density_kg_m3: Annotated[float, _between(800.0, 4000.0)]
    conductivity_w_mk: Curve
    heat_j_kgk: Curve
    bend_strength_mpa: Annotated[float, _between(0.2, 15.0)]
    permeability_m2: Annotated[float, _between(1e-13, 1e-8)]
    grain_mm: Annotated[float, _between(0.03, 1.0)]
    smallest_wall_mm: Annotated[float, _between(0.5, 30.0)]
    slenderness: Annotated[float, _between(1.0, 30.0)]
    smallest_opening_mm: Annotated[float, _between(1.0, 60.0)]
    sinter_c: Celsius
    binder: Binder


class Printer(Sourced):
    """A binder-jet sand printer: an invented, generic box."""

    box_mm: tuple[float, float, float]
    wall_gap_mm: Annotated[float, _between(0.0, 100.0)]
    layer_mm: Annotated[float, _between(0.05, 1.0)]
    layer_s: Annotated[float, _between(1.0, 300.0)]
    set_up_s: Annotated[float, _between(0.0, 86400.0)]
    accuracy_mm: Annotated[float, _between(0.01, 5.0)]
    hand_kg: Annotated[float, _between(1.0, 100.0)]
    lift_kg: Annotated[float, _between(10.0, 20000.0)]


class RuleChange(Table):
    """How a rule set changes one check."""

    limit: float | None = None
    soften: bool = False  # a FAIL counts as WARN
    off: bool = False
    why: str = ""


class Rules(Sourced):
    """A rule set: limits or verdicts changed by check id; shop settings with their source.

    settings : numbers that stages use where the job says "auto", by name
    """

    checks: dict[str, RuleChange] = Field(default_factory=dict)
    settings: dict[str, float] = Field(default_factory=dict)
