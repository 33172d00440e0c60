"""Job: what the job file says, with defaults filled in. Every key, its meaning and its unit.

Selectors of faces and regions speak in the model's own frame, in mm; `[rigging]` and `[cores]`
speak in the part frame (turned, z up), in mm.
"""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from moldprep.records.casting import Role
from moldprep.records.plan import (
    BasinPlan,
    ChillPlan,
    CoreVentPlan,
    FeederPlan,
    FilterPlan,
    IngatePlan,
    Placement,
    RunnerPlan,
    SpruePlan,
    VentPlan,
    WellPlan,
)
from moldprep.units import ROOM_C

Number = Annotated[float, Field(strict=True)]
Whole = Annotated[int, Field(strict=True)]
Switch = Annotated[bool, Field(strict=True)]
Vector = tuple[Number, Number, Number]
Positive = Annotated[Number, Field(gt=0.0)]
NotNegative = Annotated[Number, Field(ge=0.0)]
Shrink = Annotated[Number, Field(ge=0.0, le=10.0)]
Color = Annotated[str, Field(pattern="^#[0-9a-fA-F]{6}$")]
Auto = Literal["auto"]
Unit = Literal["mm", "cm", "m", "in", "ft", "um"]


class Table(BaseModel):
    """One table of the job file: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FaceSelector(Table):
    """Which faces of the casting are meant; all given conditions must hold together."""

    toward: Vector | None = Field(None, description="faces whose normal points this way")
    within_deg: Annotated[Number, Field(gt=0.0, le=90.0)] = Field(
        5.0, description="how far a normal may be off `toward` [deg]"
    )
    plane_at: Vector | None = Field(
        None, description="a point of the plane the faces lie in, normal as `toward` [mm]"
    )
    plane_off_mm: Positive = Field(0.5, description="how far off that plane counts [mm]")
    box: tuple[Vector, Vector] | None = Field(
        None, description="faces wholly inside this box, lowest and highest corner [mm]"
    )
    cylinder: tuple[Vector, Vector] | None = Field(
        None, description="faces on a cylinder with this axis, two points [mm]"
    )
    cylinder_radius_mm: Positive | None = Field(None, description="its radius [mm]")
    color: Color | None = Field(None, description="face color in the file, #rrggbb")

    @model_validator(mode="after")
    def _means_something(self) -> "FaceSelector":
        if (self.toward, self.plane_at, self.box, self.cylinder, self.color) == (None,) * 5:
            raise ValueError("needs one of: toward, plane_at, box, cylinder, color")
        if self.toward is not None and not any(self.toward):
            raise ValueError("toward = [0, 0, 0] has no direction")
        if self.cylinder is not None and self.cylinder[0] == self.cylinder[1]:
            raise ValueError("cylinder: the two points of its axis are one")
        if self.cylinder_radius_mm is not None and self.cylinder is None:
            raise ValueError("cylinder_radius_mm needs cylinder, two points of its axis")
        return self


class OwnBody(Table):
    """A body that comes in the model, or in a file of its own, and is not casting."""

    role: Role = Field(description="what it is: sprue, runner, ingate, feeder…")
    object: str | None = Field(None, description="its object name in the casting's file")
    file: Path | None = Field(None, description="or a file of its own, same frame and unit")
    at_mm: Vector | None = Field(None, description="or a point inside it [mm]")
    color: Color | None = Field(None, description="or its color in the file, #rrggbb")
    name: str | None = Field(None, description="name to carry; made from the role if missing")


class CastingKeys(Table):
    """[casting]: the model, its unit, and what may be mended."""

    file: Path = Field(description="model file, relative to the job file")
    unit: Unit | None = Field(
        None, description="unit of the file's numbers; needed where the format carries none"
    )
    bodies: Literal["unite", "apart"] = Field(
        "unite", description="several bodies in the file: one casting, or one each"
    )
    repair: Literal["safe", "rebuild"] = Field(
        "safe", description="rebuild: remake an open model on a grid, with a stated deviation"
    )
    rebuild_pitch_mm: Positive | Auto = Field("auto", description="grid of the rebuild [mm]")
    chord_mm: Positive = Field(0.1, description="how far facets may be off a STEP surface [mm]")
    own: tuple[OwnBody, ...] = Field((), description="bodies of the model that are rigging")
    drill_below_mm: NotNegative | Auto = Field(
        "auto",
        description="narrower bores are cast solid, to be drilled; auto: what sand does not stand"
        " in; 0: none [mm]",
    )


class PartingKeys(Table):
    """[parting]: how the casting lies and where the mold opens."""

    pull: Vector | Auto = Field(
        "auto", description="direction in the model's frame that is up when poured"
    )
    z_mm: Number | Auto = Field(
        "auto", description="height of the parting plane above the turned casting's lowest point"
    )
    weight_undercut: NotNegative = Field(4.0, description="score weight: undercut over area")
    weight_height: NotNegative = Field(1.0, description="score weight: height over longest side")
    weight_machined: NotNegative = Field(1.0, description="score weight: machined faces up")
    weight_draw: NotNegative = Field(0.5, description="score weight: depth of draw")
    weight_skin: NotNegative = Field(
        0.2, description="score of a plane so close to a level face that the sand between breaks"
    )


class StockKeys(Table):
    """[[pattern.stock]]: machining stock on chosen faces."""

    faces: FaceSelector = Field(description="which faces")
    mm: NotNegative | None = Field(None, description="stock, measured on the casting [mm]")
    grade: Literal["A", "B", "C", "D", "E", "F", "G", "H", "J", "K"] | None = Field(
        None, description="or an ISO 8062-3 RMA grade, by largest dimension"
    )
    cope_extra_mm: NotNegative = Field(0.0, description="more on faces that lie up [mm]")


class DraftKeys(Table):
    """[pattern.draft]: taper along the pull; 0 is legal, nothing is drawn from printed sand."""

    deg: Annotated[Number, Field(ge=0.0, le=15.0)] = Field(0.0, description="draft [deg]")
    table: Literal["", "wood", "metal"] = Field(
        "", description="or by height and kind of face, from the table of this pattern material"
    )
    direction: Literal["plus", "minus", "middle"] = Field(
        "plus",
        description="plus: only adds metal, the edge far from the parting keeps its place; minus: "
        "only takes metal, the edge near the parting does; middle: half of each",
    )
    hinge: Literal["parting", "far"] = Field(
        "parting",
        description="a wall that goes through the parting: parting: its two halves share one edge "
        "there; far: each half is turned about its own edge, a ledge may stay at the parting",
    )
    steepest_deg: Positive = Field(
        3.0, description="faces within this of the pull get draft; others have it [deg]"
    )
    exempt: tuple[FaceSelector, ...] = Field((), description="faces that get none")


class PatternKeys(Table):
    """[pattern]: allowances."""

    shrink_pct: Shrink | tuple[Shrink, Shrink, Shrink] | Auto = Field(
        "auto", description="shrink allowance, one or along model x, y, z; auto: the alloy's [%]"
    )
    shrink_rule: Literal["on-casting", "on-pattern"] = Field(
        "on-casting",
        description="on-casting: x (1 + s), mm per m of casting; on-pattern: / (1 - s)",
    )
    stock: tuple[StockKeys, ...] = Field((), description="machining stock")
    keep_clear: tuple[FaceSelector, ...] = Field((), description="no gate or feeder here")
    draft: DraftKeys = Field(default_factory=DraftKeys, description="draft")


class SurveyKeys(Table):
    """[survey]: first look at the bare pattern."""

    pitch_mm: Positive | Auto = Field("auto", description="edge of one cube [mm]")
    max_cells: Whole = Field(3_000_000, ge=1000, description="cells of the grid at most")


class LadleKeys(Table):
    """[ladle]: a bottom-pour ladle, to see whether it keeps the basin full. All three or none."""

    nozzle_mm: Positive | None = Field(None, description="diameter of the nozzle [mm]")
    diameter_mm: Positive | None = Field(None, description="inner diameter of the ladle [mm]")
    level_mm: Positive | None = Field(
        None, description="metal over the nozzle when this mold is poured [mm]"
    )

    @model_validator(mode="after")
    def _whole(self) -> "LadleKeys":
        """Refuse half a ladle."""
        given = [key for key in type(self).model_fields if getattr(self, key) is not None]
        if given and len(given) < len(type(self).model_fields):
            missing = [key for key in type(self).model_fields if key not in given]
            raise ValueError(f"a ladle needs {' and '.join(missing)} too")
        return self


class RiggingKeys(Table):
    """[rigging]: what hangs on the pattern; part frame [mm]. What is given is kept as it is."""

    auto: tuple[Literal["gating", "feeders", "chills", "vents"], ...] = Field(
        ("gating", "feeders", "chills", "vents"),
        description="what is planned automatically where no table is given",
    )
    ratio: tuple[Positive, Positive, Positive] | Auto = Field(
        "auto", description="sprue foot : runners : ingates; auto: the alloy's"
    )
    channels: Literal["printed", "hand"] = Field(
        "printed",
        description="printed: stream-shaped sprue, curved bends; hand: cone, square corners",
    )
    pour_time_s: Positive | Auto = Field("auto", description="intended pouring time [s]")
    head_mm: Positive | Auto = Field(
        "auto",
        description="sprue height over the parting; auto: what casting, filter and pouring time "
        "need, up to the rule set's usual one for the time alone [mm]",
    )
    gate_level_mm: Number | Literal["auto", "parting", "bottom"] = Field(
        "auto",
        description="height of ingates and runner; parting: where the mold opens; bottom: at the"
        " casting's lowest wall, inside the drag; auto: parting, or bottom where that saves metal"
        " a long fall [mm]",
    )
    placements: tuple[Placement, ...] = Field(
        (),
        description="where each casting sits; automatic gating wants rows, with room for a runner"
        " beside each",
    )
    basin: BasinPlan | None = Field(None, description="pouring basin")
    sprue: SpruePlan | None = Field(None, description="sprue")
    well: WellPlan | None = Field(None, description="sprue well")
    runner: tuple[RunnerPlan, ...] = Field((), description="runners")
    ingate: tuple[IngatePlan, ...] = Field((), description="ingates")
    filter: tuple[FilterPlan, ...] = Field((), description="filter prints")
    feeder: tuple[FeederPlan, ...] = Field((), description="feeders")
    chill: tuple[ChillPlan, ...] = Field((), description="chills")
    vent: tuple[VentPlan, ...] = Field((), description="vents")
    core_vent: tuple[CoreVentPlan, ...] = Field(
        (), description="bores in cores, over high points under the casting itself"
    )


class FreezingKeys(Table):
    """[freezing]: the heat solve."""

    pour_c: Positive | Auto = Field("auto", description="temperature of the filled metal [°C]")
    sand_c: Number = Field(ROOM_C, description="sand before pouring [°C]")
    pitch_mm: Positive | Auto = Field("auto", description="edge of one cube [mm]")
    max_cells: Whole = Field(3_000_000, ge=1000, description="cells of the grid at most")
    max_updates: Positive = Field(
        5e8,
        description="cells times steps of one heat solve at most, some 2 s; cells at the metal's"
        " skin count four times; more is finer",
    )
    contact_m2k_w: NotNegative | Auto = Field(
        "auto", description="metal/sand contact resistance; auto: the alloy's [m²K/W]"
    )
    shake_out: Switch = Field(True, description="go on until the alloy's knock-out temperature")


class FeedingKeys(Table):
    """[feeding]: how hard to look for a sound casting."""

    rounds: Whole = Field(4, ge=0, le=20, description="trial rounds of automatic feeding at most")
    left_pct: Positive = Field(
        0.5, description="isolated liquid a section may keep, of the section's volume [%]"
    )
    modulus_factor: Positive | Auto = Field("auto", description="feeder over section modulus [-]")
    sleeves: Literal["auto", "none"] = Field(
        "auto", description="insulating sleeves on planned feeders where they pay; none: plain only"
    )


class MoldKeys(Table):
    """[mold]: the sand around the metal."""

    count: Whole = Field(1, ge=1, le=64, description="castings in one mold")
    spacing_mm: Positive | Auto = Field("auto", description="sand between castings [mm]")
    form: Literal["block", "contour"] = Field("block", description="outer shape")
    wall_mm: Positive | Auto = Field("auto", description="sand beside the metal [mm]")
    top_mm: Positive | Auto = Field("auto", description="sand above the metal [mm]")
    bottom_mm: Positive | Auto = Field("auto", description="sand below the metal [mm]")
    clearance_mm: NotNegative = Field(0.3, description="gap at joints, each face [mm]")
    coating_mm: NotNegative = Field(0.0, description="dry coating, added to core-print gaps [mm]")
    seal: Literal["auto", "groove", "none"] = Field(
        "auto",
        description="groove for a rope round the cavity at the joint; auto: where metal would leak",
    )
    cheeks_at_mm: tuple[Number, ...] = Field(
        (), description="heights above the turned casting's lowest point of more partings [mm]"
    )
    locators: Switch = Field(True, description="cones and sockets that fit one way only")
    lifting: Literal["auto", "none", "holes", "pockets"] = Field("auto", description="lifting")
    weight_kg: NotNegative | Auto = Field(
        "auto", description="weights or clamp force on the cope; auto: the sheet asks for it [kg]"
    )
    marks: Switch = Field(True, description="piece name, job and weight on an outside face")
    split_too_large: Switch = Field(True, description="cut pieces that the box cannot hold")
    split_joint: Literal["pins", "tongue"] = Field(
        "pins", description="what locates the parts of a cut piece: pins, or tongue and groove"
    )


class CoreDeclared(Table):
    """[[cores.declared]]: a core the job insists on."""

    name: str = Field(description="its name")
    box: tuple[Vector, Vector] | None = Field(None, description="sand in this region, part frame")
    file: Path | None = Field(None, description="or a model of its own, casting's frame and unit")


class CoreKeys(Table):
    """[cores]: sand the pull cannot form."""

    process: Literal["pieces", "with-half", "only"] = Field(
        "pieces",
        description="pieces: cores apart; with-half: printed in their half; only: cores alone",
    )
    print_mm: Positive | Auto = Field("auto", description="length of a print [mm]")
    taper_deg: NotNegative = Field(3.0, description="taper of a print, each side [deg]")
    clearance_mm: NotNegative = Field(0.3, description="print gap, each face [mm]")
    declared: tuple[CoreDeclared, ...] = Field((), description="cores the job insists on")


class BoxKeys(Table):
    """[box]: the printer's job boxes."""

    gap_mm: NotNegative = Field(10.0, description="piece to piece [mm]")


class OutputKeys(Table):
    """[output]: what is written."""

    pictures: Switch = Field(True, description="render pictures")
    layers: Switch = Field(False, description="write the layers too")


class SheetKeys(Table):
    """[sheet]: lines for the head of the pouring sheet."""

    part_no: str = Field("", description="pattern or part number")
    revision: str = Field("", description="drawing revision")
    customer: str = Field("", description="who it is for")
    quantity: Whole = Field(1, ge=1, description="castings wanted")
    remarks: str = Field("", description="anything the crew should know")


class Job(Table):
    """A whole job file.

    `folder` is where the job file lies; paths inside it are relative to it. Not a key.
    """

    name: str = Field("", description="name of the job and of its output; default: the file's")
    alloy: str = Field(description="id of an alloy, see `moldprep tables`")
    sand: str = Field("silica-furan", description="id of a sand")
    printer: str = Field("box-m", description="id of a printer")
    rules: str = Field("usual", description="id of a rule set")
    configs: Path | None = Field(None, description="folder of your own alloys, sands, printers")
    folder: Path = Field(Path(), exclude=True, description="set by the loader")
    sheet: SheetKeys = Field(default_factory=SheetKeys)
    casting: CastingKeys
    parting: PartingKeys = Field(default_factory=PartingKeys)
    pattern: PatternKeys = Field(default_factory=PatternKeys)
    survey: SurveyKeys = Field(default_factory=SurveyKeys)
    rigging: RiggingKeys = Field(default_factory=RiggingKeys)
    ladle: LadleKeys = Field(default_factory=LadleKeys)
    freezing: FreezingKeys = Field(default_factory=FreezingKeys)
    feeding: FeedingKeys = Field(default_factory=FeedingKeys)
    mold: MoldKeys = Field(default_factory=MoldKeys)
    cores: CoreKeys = Field(default_factory=CoreKeys)
    box: BoxKeys = Field(default_factory=BoxKeys)
    output: OutputKeys = Field(default_factory=OutputKeys)
