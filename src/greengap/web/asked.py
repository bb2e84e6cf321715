"""What the page may ask for, and the one shape in which a refusal is told: the bodies of the API."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Corner = Annotated[list[float], Field(min_length=2, max_length=3)]
Ring = Annotated[list[Corner], Field(max_length=5_000)]
Rings = Annotated[list[Ring], Field(max_length=200)]
Name = Annotated[str, Field(max_length=200)]
Day = Annotated[str, Field(max_length=10)]


class _Asked(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Place(_Asked):
    """Where a new farm lies."""

    lat: float = Field(ge=-90, le=90)
    lon: float = Field(ge=-180, le=180)


class OpenFarm(_Asked):
    """Open a farm file of the farms folder, the sample, or a new farm."""

    kind: Literal["file", "sample", "new"]
    name: Name = ""
    place: Place | None = None
    units: Literal["metric", "us"] = "metric"


class CropRow(_Asked):
    """A row of the crop calendar; dates as YYYY-MM-DD, soft ends may be empty."""

    block: Name
    crop: Name
    establishment: Name
    start: Day
    end: Day
    start_early: Day = ""
    start_late: Day = ""
    end_early: Day = ""
    end_late: Day = ""


class Draw(_Asked):
    """A new block."""

    kind: Literal["draw"]
    rings: Rings
    name: Name = ""
    field: Name = ""


class NewOutline(_Asked):
    """Another outline for a block: polygons of rings."""

    block: Name
    parts: Annotated[list[Rings], Field(max_length=100)]


class Reshape(NewOutline):
    """Another outline for a block, and for neighbours whose shared corners move along."""

    kind: Literal["reshape"]
    also: Annotated[list[NewOutline], Field(max_length=100)] = []


class Rename(_Asked):
    """Another name for a block."""

    kind: Literal["rename"]
    block: Name
    name: Name
    field: Name = ""


class SownShare(_Asked):
    """How much of a block is sown: the rest is wheel tracks, paths, buffer."""

    kind: Literal["sown_share"]
    block: Name
    share: float = Field(gt=0, le=1)


class Remove(_Asked):
    """Take a block out."""

    kind: Literal["remove"]
    block: Name


class Split(_Asked):
    """Split a block along a line."""

    kind: Literal["split"]
    block: Name
    line: Ring


class Beds(_Asked):
    """Beds from one line, pitch, width and count: blocks of their own, or only the sown share of the block."""

    kind: Literal["beds"]
    block: Name
    line: Ring
    pitch_m: float = Field(gt=0.1, le=100)
    width_m: float = Field(gt=0.1, le=100)
    count: int = Field(ge=1, le=200)
    as_blocks: bool = False


class Buffer(_Asked):
    """A buffer along the edge of a block; kept as a block of its own if wanted."""

    kind: Literal["buffer"]
    block: Name
    width_m: float = Field(gt=0.1, le=500)
    open_only: bool = True
    keep: bool = True


class CutOut(_Asked):
    """Take a ring of ground out of a block."""

    kind: Literal["cut_out"]
    block: Name
    ring: Ring
    reason: Literal["", "wet", "stones", "pond", "tree", "other"] = ""
    note: Name = ""


class HoleReason(_Asked):
    """Why a hole is left out: the hole that a place lies in."""

    kind: Literal["hole_reason"]
    block: Name
    lon: float = Field(ge=-180, le=180)
    lat: float = Field(ge=-90, le=90)
    reason: Literal["", "wet", "stones", "pond", "tree", "other"]
    note: Name = ""


class Merge(_Asked):
    """Make neighbours one block."""

    kind: Literal["merge"]
    blocks: Annotated[list[Name], Field(max_length=100)]
    name: Name = ""


class SetCrop(_Asked):
    """Set a row of the crop calendar, or add one without a key."""

    kind: Literal["set_crop"]
    key: Name | None = None
    row: CropRow


class RemoveCrop(_Asked):
    """Take a row out of the crop calendar."""

    kind: Literal["remove_crop"]
    key: Name


class CopyCrops(_Asked):
    """Give other blocks the crops of one."""

    kind: Literal["copy_crops"]
    block: Name
    to: Annotated[list[Name], Field(max_length=2_000)]


class NextYear(_Asked):
    """Repeat the last year of the calendar."""

    kind: Literal["next_year"]
    blocks: Annotated[list[Name], Field(max_length=2_000)] = []


class SetSettings(_Asked):
    """Settings of the farm, as in farm.toml."""

    kind: Literal["settings"]
    values: dict[
        Literal[
            "name", "note", "units", "organic", "animals_eat_cover", "irrigation", "wanted_odds", "not_wanted",
            "purposes", "equipment", "days", "waiting", "seed_lots", "cold_offset_degc", "diseases", "tile_drained",
            "growers_word", "irrigation_set", "underlay",
        ],
        Any,
    ]  # fmt: skip


class Answer(_Asked):
    """Choose, lock or refuse a cover for a gap; "none" takes it back."""

    kind: Literal["answer"]
    gap: Name
    cover: Name
    given: Literal["choose", "lock", "no", "none"]
    sow_date: Day | None = None
    cautions_read: bool = False
    read_by: Name = ""


class SprayRow(_Asked):
    """A planned spray, on a block or on a neighbour's ground; days as YYYY-MM-DD."""

    block: Name = ""
    neighbour: Name = ""
    distance_m: float | None = Field(default=None, ge=0, le=10_000)
    distance_ft: float | None = Field(default=None, ge=0, le=10_000)
    first: Day
    last: Day = ""
    product: Name = ""
    label_on_bees: Annotated[str, Field(max_length=500)] = ""
    harms_bees: Literal["yes", "no", "not known"] = "not known"
    call: Name = ""


class PlanSpray(_Asked):
    """Plan a spray, or change the one at a place in the list of the farm."""

    kind: Literal["plan_spray"]
    at: int | None = None
    row: SprayRow


class RemoveSpray(_Asked):
    """Take a planned spray out of that list."""

    kind: Literal["remove_spray"]
    at: int


class DropList(_Asked):
    """Take a list out of the farm file."""

    kind: Literal["drop_list"]
    name: Literal[
        "seed_stock",
        "seed_prices",
        "herbicides",
        "noxious_names",
        "planned_sprays",
        "catalogue",
        "learned",
        "history",
        "this_season",
    ]


class KeepPlan(_Asked):
    """Keep the plan as it is now, under a name, to compare with later."""

    kind: Literal["keep_plan"]
    name: Name


class DropPlan(_Asked):
    """Let go of a kept plan."""

    kind: Literal["drop_plan"]
    name: Name


AnyEdit = Annotated[
    Draw | Reshape | Rename | Remove | Split | CutOut | Merge | Beds | Buffer | SownShare | SetCrop | RemoveCrop
    | CopyCrops | NextYear | SetSettings | Answer | KeepPlan | DropPlan | DropList | HoleReason | PlanSpray
    | RemoveSpray,
    Field(discriminator="kind"),
]  # fmt: skip


class EditFor(_Asked):
    """An edit, with the farm and the version that it was made for."""

    farm: Name
    version: int = Field(ge=0, le=2**53)
    edit: AnyEdit


class StepFor(_Asked):
    """Undo or redo."""

    farm: Name
    version: int = Field(ge=0, le=2**53)
    back: bool


class Outline(_Asked):
    """An outline as it is being drawn; `block` is the one being reshaped."""

    rings: Rings
    block: Name | None = None
    also: Annotated[list[NewOutline], Field(max_length=100)] = []


class CalendarTry(_Asked):
    """The crops of a block as they are being dragged."""

    block: Name
    crops: Annotated[list[CropRow], Field(max_length=200)]


class Weights(_Asked):
    """Weights of purposes to try on one gap; 0 leaves a purpose out."""

    gap: Name
    weights: dict[Name, Annotated[float, Field(ge=0, le=100)]]


class FarmWeights(_Asked):
    """Weights of purposes to plan the whole farm under; 0 leaves a purpose out."""

    weights: dict[Name, Annotated[float, Field(ge=0, le=100)]]


class Problem(BaseModel):
    """Why something could not be done."""

    kind: str
    sentence: str = ""
    key: str = ""
    field: str = ""
    words: dict[str, Any] = {}
    lon: float | None = None
    lat: float | None = None
    version: int | None = None
