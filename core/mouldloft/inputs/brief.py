"""What the workshop wants: one frozen record a stage, read from `brief.toml` and checked by schema."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from ..base.errors import BriefRefused
from ..base.figures import First
from ..base.files import in_plain_words, read_toml

# no workshop's figure is a million, and past it sums overflow and loops do not end
Positive = Annotated[float, msgspec.Meta(gt=0, le=1e6)]
NotNegative = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
Offset = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]
Tilt = Annotated[float, msgspec.Meta(ge=-90, le=90)]
Text = Annotated[str, msgspec.Meta(max_length=1000)]
Fraction = Annotated[float, msgspec.Meta(ge=0, le=1)]
Vector = tuple[Offset, Offset, Offset]
Pieces = Literal[2, 3, 4, 5, 6, 7, 8, "as proposed"]
SeamKind = Literal["cheapest", "plane", "relief", "free"]
Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"]


@dataclass(frozen=True)
class MasterBrief:
    """How the digital master is read: unit, size, which way is up and front, carving still to come."""

    finished_height_mm: Annotated[float, msgspec.Meta(ge=50, le=20_000)] | None = None
    unit: Literal["auto", "mm", "cm", "m", "in", "ft"] = "auto"
    up: Axis | None = None  # None: the file's own, else +z
    front: Axis | None = None  # None: the file's own, else -y (+z where y is up)
    base: Literal["open", "closed"] = "open"
    detail_allowance: Annotated[float, msgspec.Meta(ge=1, le=3)] = 1.0
    detail_allowance_uncertainty: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.05


@dataclass(frozen=True)
class OpeningBrief:
    """Limits of the direction search, or the user's own direction (`direction`, master axes)."""

    direction: Vector | None = None
    directions: Annotated[int, msgspec.Meta(ge=32, le=20_000)] = 512
    refine: Annotated[int, msgspec.Meta(ge=0, le=100)] = 12
    seams: Annotated[int, msgspec.Meta(ge=1, le=40)] = 12  # directions that are priced with their seam


@dataclass(frozen=True)
class SeamBrief:
    """Which seam, and the user's own plane, offset or closed line. What seams are weighed by stands in `RatesBrief`."""

    kind: SeamKind = "cheapest"  # relief: a plane that follows an edge where it pays
    plane_offset_mm: Offset | None = None
    own_line: Text | None = None  # path of a .json/.csv/.txt of points, snapped to the surface; .npy: carried over
    find_features: bool = True  # eyes, nose, mouth, fingers are kept clear of where nothing is painted
    keep_clear: Text | None = None  # path of a per-vertex weight file (.npy or .csv): 0 free, 1 keep clear
    eye_height_mm: Positive = 1600.0
    viewer_distance_mm: Positive = 3000.0
    seen_from: Literal["all round", "front", "left", "right", "back"] = "all round"
    smooth_mm: NotNegative = 6.0
    # how many the mould is planned in; "as proposed": in as many as are proposed (up to 4, or to max_pieces where that
    # is more) where the table of ways recommends them, else in two
    pieces: Pieces = 2
    max_pieces: Annotated[int, msgspec.Meta(ge=1, le=8)] = 2
    # when two pieces cost too much, more are proposed, up to max_pieces (invented starting values)
    most_fill_share: Fraction = 0.08  # undercut fill of two pieces over the master's volume
    deepest_fill_skins: Positive = 20.0  # deepest undercut fill of two pieces, in thicknesses of the skin


@dataclass(frozen=True)
class RubberBrief:
    """Own thicknesses override the thickness rule; None means: by rule from casts and size."""

    skin_thickness_mm: Annotated[float, msgspec.Meta(ge=1, le=60)] | None = None
    edge_thickness_mm: Annotated[float, msgspec.Meta(ge=1, le=80)] | None = None
    edge_band_mm: Annotated[float, msgspec.Meta(ge=0, le=1000)] | None = None
    draft_deg: Annotated[float, msgspec.Meta(ge=0.5, le=30)] = 3.0
    flange_width_mm: Annotated[float, msgspec.Meta(ge=10, le=300)] | None = None
    flange_thickness_mm: Annotated[float, msgspec.Meta(ge=1, le=60)] | None = None
    pixel_mm: Annotated[float, msgspec.Meta(ge=0.2, le=20)] | None = None
    brushing_variation: Fraction = 0.10
    handling_points_mm: Annotated[tuple[Vector, ...], msgspec.Meta(max_length=1000)] = ()
    handling_radius_mm: Positive = 80.0
    loose_pieces: Literal["where they pay", "none"] = "where they pay"  # rigid inserts in place of deep or heavy fill


@dataclass(frozen=True)
class JointBrief:
    """The joint between two pieces past the rubber flange (which stands under [rubber]); None means: by size."""

    jacket_flange_mm: Annotated[float, msgspec.Meta(ge=15, le=300)] | None = None
    bevel_deg: Annotated[float, msgspec.Meta(ge=30, le=45)] = 45.0
    registration: Literal["bead", "domes", "none"] = "bead"
    bead_width_mm: Annotated[float, msgspec.Meta(ge=4, le=60)] | None = None
    bead_height_mm: Annotated[float, msgspec.Meta(ge=2, le=30)] | None = None
    bolt: Literal["M6", "M8", "M10", "M12"] | None = None
    bolt_pitch_mm: Annotated[float, msgspec.Meta(ge=40, le=400)] | None = None
    fitted_bolts: Literal[2, 3] = 2
    reinforced_edges: bool = False


@dataclass(frozen=True)
class KeysBrief:
    """Own keys (points in plan coordinates, with a piece name) replace the placed ones."""

    own_keys: Annotated[tuple[tuple[Text, Offset, Offset, Offset], ...], msgspec.Meta(max_length=1000)] = ()
    edge_spacing_mm: Annotated[float, msgspec.Meta(ge=10, le=10_000)] = 180.0
    middle_spacing_mm: Annotated[float, msgspec.Meta(ge=10, le=10_000)] = 260.0
    height_mm: Annotated[float, msgspec.Meta(ge=1, le=200)] = 12.0
    base_diameter_mm: Annotated[float, msgspec.Meta(ge=2, le=500)] = 40.0
    taper_deg: Annotated[float, msgspec.Meta(ge=3, le=60)] = 20.0
    sag_limit_mm: Positive = 3.0
    tilt_deg: Annotated[float, msgspec.Meta(ge=0, le=90)] = 10.0  # most a half is tipped in its cradle while laid up
    least_stiffness: Annotated[float, msgspec.Meta(gt=0, lt=1)] = 0.05


@dataclass(frozen=True)
class JacketBrief:
    """Glass on the rubber, loads it is checked under, and who lifts it."""

    mat_oz: Annotated[float, msgspec.Meta(ge=1, le=24)] = 4.0
    edge_extra_oz: NotNegative = 2.0
    glass_fraction: Annotated[float, msgspec.Meta(ge=0.15, le=0.6)] = 0.30
    leaning_load_n: NotNegative = 300.0
    deflection_limit_ratio: Positive = 100.0  # span over this is the limit
    lifters: Annotated[int, msgspec.Meta(ge=1, le=8)] = 2
    lift_limit_per_person_kg: Positive | None = None
    lift_from_mm: NotNegative = 700.0
    lift_to_mm: NotNegative = 1000.0
    reach_mm: Positive = 300.0
    rope_rail: bool = True  # a rail or post fixed to the building, which takes a turn of the rope that lowers a mould


@dataclass(frozen=True)
class PeelBrief:
    """The glove peeled off its cast by mechanics: whether, by whom, and how many ways are tried."""

    run: bool = False
    people: Literal[1, 2] = 2
    person_n: Annotated[float, msgspec.Meta(ge=20, le=400)] = 400.0  # both hands, for a moment
    frictions: Annotated[tuple[Fraction, ...], msgspec.Meta(min_length=1, max_length=4)] = (0.0, 0.3)
    ways: Literal["straight", "all"] = "all"  # straight and coarse is a first answer
    average_mm: Annotated[float, msgspec.Meta(ge=5, le=200)] = 20.0  # stretch is a mean over so much rubber
    pitch_mm: Annotated[float, msgspec.Meta(ge=2, le=60)] | None = None  # of the coarse lattice; None: by the skin

    @property
    def hands_n(self) -> float:
        """What all pull together at most, N."""
        return self.people * self.person_n


@dataclass(frozen=True)
class CradleBrief:
    """Whether one is made, its boards, and the tilts the piece is worked at."""

    made: Literal["as needed", "always", "none"] = "as needed"  # small pieces lie on a bag of sand
    board_thickness_mm: Annotated[float, msgspec.Meta(ge=3, le=200)] = 18.0
    working_tilts_deg: Annotated[tuple[Tilt, ...], msgspec.Meta(max_length=20)] = (0.0, 10.0)
    margin_limit_mm: NotNegative = 50.0


@dataclass(frozen=True)
class CastBrief:
    """The hollow cast and what tries to tip it."""

    gelcoat_wet_mm: Annotated[float, msgspec.Meta(ge=0.1, le=3)] = 0.55
    mat_oz: Annotated[float, msgspec.Meta(ge=1, le=24)] = 5.0
    glass_fraction: Annotated[float, msgspec.Meta(ge=0.15, le=0.6)] = 0.30
    push_n: NotNegative = 300.0
    push_height_mm: Positive | None = None  # None: at nine tenths of the height
    basic_wind_m_s: NotNegative = 25.0
    wind_force_coefficient: Positive = 1.3
    terrain_roughness_m: Positive = 0.05
    safety_factor: Positive = 1.5
    section: Literal["", "carried", "carries"] = ""  # of a sectioned master: over another's spigot, or under others


@dataclass(frozen=True)
class RunBrief:
    """How many casts, and how the calendar runs."""

    casts: Annotated[int, msgspec.Meta(ge=1, le=500)] = 1
    start_date: Text | None = None  # ISO date, in TOML with or without quotes; None: days are numbered from 1
    hands: Annotated[int, msgspec.Meta(ge=1, le=20)] = 2
    hours_per_day: Annotated[float, msgspec.Meta(gt=0, le=24)] = 8.0
    workshop_temperature_c: Annotated[float, msgspec.Meta(ge=0, le=45)] = 20.0
    work_weekends: bool = False
    day_starts_h: Annotated[float, msgspec.Meta(ge=0, lt=24)] = 8.0  # by the workshop's clock
    days_off: Annotated[tuple[Text, ...], msgspec.Meta(max_length=400)] = ()  # ISO dates on which nobody works
    trial_cast: Literal["first", "extra", "none"] = "first"  # the first of the run, one more, or none
    people_names: Annotated[tuple[Text, ...], msgspec.Meta(max_length=20)] = ()  # for the sheets; else numbers

    @property
    def numbers(self) -> range:
        """The number of each cast taken from the mould: from 1, and 0 for a trial cast made beside the run."""
        return range(0 if self.trial_cast == "extra" else 1, self.casts + 1)


@dataclass(frozen=True)
class FinishBrief:
    """What is done to a cast when it is out: coats of paint, and which cast has which colours."""

    paint: bool = True
    primer_coats: Annotated[int, msgspec.Meta(ge=0, le=10)] = 1
    colour_coats: Annotated[int, msgspec.Meta(ge=0, le=20)] = 2
    lacquer_coats: Annotated[int, msgspec.Meta(ge=0, le=10)] = 2
    lacquer: Literal["two-pack", "one-pack"] = "two-pack"
    overspray: Annotated[float, msgspec.Meta(ge=0, le=0.9)] = 0.3  # share of the paint that misses
    colourways: Annotated[tuple[Text, ...], msgspec.Meta(max_length=500)] = ()  # by cast, again where there are fewer
    painted_together: Annotated[int, msgspec.Meta(ge=1, le=50)] = 3  # casts in the booth at once
    crates: bool = True  # one for each cast; else it goes in blankets


@dataclass(frozen=True)
class MoneyBrief:
    """What is put on labour and material for an offer. Shares: 0.15 is 15 %. The hourly rate stands under [rates]."""

    overhead: NotNegative = 0.0  # rent, power, tools, over labour and material
    margin: NotNegative = 0.0  # over all of that
    offer_valid_days: Annotated[int, msgspec.Meta(ge=1, le=365)] = 30


@dataclass(frozen=True)
class MaterialsBrief:
    """Which catalogue entries are used; None means the catalogue's first of that kind."""

    rubber: Text | None = None
    thickener: Text | None = None
    gelcoat: Text | None = None
    resin: Text | None = None
    glass: Text | None = None
    waste_fraction: Fraction = 0.10


@dataclass(frozen=True)
class RatesBrief:
    """What work costs, for weighing one seam, direction or number of pieces against another. Money is in the
    catalogue's currency. Marks stand in `trade.price.rate_assumptions`."""

    hourly_rate: NotNegative = 38.0
    cleanup_shown_h_m: NotNegative = 0.5  # on every cast: the joint ground, filled and textured
    cleanup_hidden_h_m: NotNegative = 0.25
    wall_h_m: NotNegative = 1.2
    wall_bent_share: NotNegative = 0.5  # a bent wall beside a flat one
    wall_line_h: NotNegative = 0.75  # setting up for a further line
    root_h_m: NotNegative = 2.4  # the wall's root turned square in clay where the skin faces the pull
    joint_h_m: NotNegative = 0.67  # on every cast: the halves taped together from the inside
    joint_tape_cost_m: NotNegative = 2.0
    reach_mm: Positive = 650.0  # an arm and a shoulder
    past_reach_factor: Annotated[float, msgspec.Meta(ge=1, le=100)] = 3.0
    risk_shown_h_m: NotNegative = 0.1  # on every cast: that a joint on show has to be done again
    facing_h_m: NotNegative = 2.0  # on every cast: a joint across a flat, where no edge hides it
    keep_clear_h_m: NotNegative = 10.0  # on every cast: over a face or lettering
    carry_h_kg: NotNegative = 0.02  # on every cast: fill makes a glove heavier to peel, carry and set home
    peel_h_m2: NotNegative = 0.5  # on every cast: the glove worked off skin its pull does not free
    overhang_h_m2: NotNegative = (
        2.0  # on every cast: gelcoat and mat laid up under the same skin, more than in the open
    )
    solid_h_l: NotNegative = 0.5  # on every cast: a limb nobody can lay up filled with resin in thin lifts, or cored
    solid_cost_l: NotNegative = 6.0
    piece_h: NotNegative = 8.0  # a further glove piece with its jacket and cradle


@dataclass(frozen=True)
class SectionsBrief:
    """A master moulded in sections: what forces a cut, and how its joint locates. Marks stand in
    `trade.sectioning.sectioning_assumptions`."""

    most: Annotated[int, msgspec.Meta(ge=2, le=24)] = 8  # parts in all
    van_mm: tuple[Positive, Positive, Positive] = (3000.0, 1250.0, 1650.0)  # hold's length, door's width and height
    least_width_mm: Positive = 40.0  # a thinner neck is not cut: nothing locates on it
    spigot_draft_deg: Annotated[float, msgspec.Meta(ge=1, le=30)] = 5.0
    spigot_gap_mm: Annotated[float, msgspec.Meta(ge=0.2, le=20)] = 2.0  # for the bond, past the laminate
    cut_h: NotNegative = 3.0  # once each: sawn, faced, spigot and socket made


Factor = Annotated[float, msgspec.Meta(ge=0.2, le=5)]
Entries = Annotated[int, msgspec.Meta(ge=0, le=100_000)]


@dataclass(frozen=True)
class ObservedBrief:
    """What earlier runs used over what was planned, as `mouldloft log` finds it: factors on amounts and hours, the
    half-width of each (None: the plan's own causes stand) and how many entries it was found from. Amounts are as
    weighed out, so what stays in the pots is in them."""

    rubber: Factor = 1.0
    rubber_uncertainty: Fraction | None = None
    rubber_entries: Entries = 0
    gelcoat: Factor = 1.0
    gelcoat_uncertainty: Fraction | None = None
    gelcoat_entries: Entries = 0
    resin: Factor = 1.0
    resin_uncertainty: Fraction | None = None
    resin_entries: Entries = 0
    glass: Factor = 1.0
    glass_uncertainty: Fraction | None = None
    glass_entries: Entries = 0
    coat_hours: Factor = 1.0
    coat_hours_uncertainty: Fraction | None = None
    coat_hours_entries: Entries = 0
    cast_hours: Factor = 1.0
    cast_hours_uncertainty: Fraction | None = None
    cast_hours_entries: Entries = 0


@dataclass(frozen=True)
class SculptBrief:
    """The full-size sculpt before the mould: how it is made; of clay over foam how thick, and the foam's blocks as
    sold. made : in sections it stands for every part."""

    made: Literal["clay over foam", "printed", "milled"] = "clay over foam"
    clay_mm: Annotated[float, msgspec.Meta(ge=3, le=200)] = 25.0
    block_mm: tuple[Positive, Positive, Positive] = (1250.0, 600.0, 100.0)
    cutting_waste: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.15


@dataclass(frozen=True)
class JobBrief:
    """What the sheets are filed under. date : as it is to be printed; what is empty leaves a line to write on. paper :
    of the sheets. units : which stand first where sizes and weights are given in both. logo : path of a PNG or JPEG,
    drawn at the head of each sheet. signed_by, signed_on : the client who signed this seam, and when: printed where it
    is signed."""

    studio: Annotated[str, msgspec.Meta(max_length=80)] = ""
    number: Annotated[str, msgspec.Meta(max_length=40)] = ""
    revision: Annotated[str, msgspec.Meta(max_length=20)] = ""
    date: Annotated[str, msgspec.Meta(max_length=40)] = ""
    paper: Literal["A4", "letter"] = "A4"
    units: First = "metric"
    logo: Annotated[str, msgspec.Meta(max_length=1000)] = ""
    signed_by: Annotated[str, msgspec.Meta(max_length=80)] = ""
    signed_on: Annotated[str, msgspec.Meta(max_length=40)] = ""


@dataclass(frozen=True)
class Brief:
    """All that the workshop wants. `Brief()` is a usable default; a TOML table overrides a stage's part."""

    piece: Text = ""
    job: JobBrief = field(default_factory=JobBrief)
    sculpt: SculptBrief = field(default_factory=SculptBrief)
    master: MasterBrief = field(default_factory=MasterBrief)
    run: RunBrief = field(default_factory=RunBrief)
    opening: OpeningBrief = field(default_factory=OpeningBrief)
    seam: SeamBrief = field(default_factory=SeamBrief)
    rubber: RubberBrief = field(default_factory=RubberBrief)
    joint: JointBrief = field(default_factory=JointBrief)
    keys: KeysBrief = field(default_factory=KeysBrief)
    jacket: JacketBrief = field(default_factory=JacketBrief)
    peel: PeelBrief = field(default_factory=PeelBrief)
    cradle: CradleBrief = field(default_factory=CradleBrief)
    cast: CastBrief = field(default_factory=CastBrief)
    finish: FinishBrief = field(default_factory=FinishBrief)
    sections: SectionsBrief = field(default_factory=SectionsBrief)
    money: MoneyBrief = field(default_factory=MoneyBrief)
    materials: MaterialsBrief = field(default_factory=MaterialsBrief)
    rates: RatesBrief = field(default_factory=RatesBrief)
    observed: ObservedBrief = field(default_factory=ObservedBrief)


def _check_names(given: dict, known: type, where: str) -> None:
    """Refuse a misspelt key: msgspec ignores unknown keys of a dataclass, and a silent typo costs a mould."""
    names = known.__dataclass_fields__  # type: ignore[attr-defined]
    for key, value in given.items():
        if key not in names:
            known_ones = ", ".join(sorted(names))
            raise BriefRefused(f"The brief has {str(key)[:60]!r} in {where}, which is not known; use: {known_ones}.")
        if known is Brief and key != "piece" and isinstance(value, dict):
            _check_names(value, type(getattr(Brief(), key)), f"[{key}]")


def _check_finite(given: object, where: str) -> None:
    if isinstance(given, float) and not math.isfinite(given):
        raise BriefRefused(f"The brief's {where} is {given}, which is no size; give a plain number.")
    inner = given.items() if isinstance(given, dict) else enumerate(given) if isinstance(given, list) else ()
    for key, value in inner:
        _check_finite(value, f"{where}.{key}".lstrip("."))


def brief_from_dict(given: dict) -> Brief:
    """Check a nested dict against the schema. Raises `BriefRefused` with the offending key named."""
    _check_names(given, Brief, "its top level")
    _check_finite(given, "")
    run = given.get("run")
    if isinstance(run, dict) and type(run.get("start_date")) is date:
        given = given | {"run": run | {"start_date": run["start_date"].isoformat()}}
    try:
        brief = msgspec.convert(given, Brief, strict=True)
    except msgspec.ValidationError as error:
        complaint = in_plain_words(str(error))
        raise BriefRefused(f"The brief is not right: {complaint}; correct that value and run again.") from None
    day_one(brief.run)
    days_off(brief.run)
    return brief


def day_one(run: RunBrief) -> date | None:
    """The start date as a date. Raises `BriefRefused` for one that is none, or past any calendar."""
    if run.start_date is None:
        return None
    try:
        start = date.fromisoformat(run.start_date)
    except ValueError:
        raise BriefRefused(
            f"The brief's run.start_date '{run.start_date}' is no date; write it as year-month-day, such as 2027-03-01."
        ) from None
    if start.year > 9000:
        raise BriefRefused(f"The brief's run.start_date '{run.start_date}' lies past any calendar; give a nearer one.")
    return start


def days_off(run: RunBrief) -> tuple[date, ...]:
    """Dates on which nobody works. Raises `BriefRefused` for one that is none, or where no start date is given."""
    if run.days_off and run.start_date is None:
        raise BriefRefused("The brief gives run.days_off without a run.start_date; give the day work starts on.")
    found = []
    for words in run.days_off:
        try:
            found.append(date.fromisoformat(words))
        except ValueError:
            raise BriefRefused(
                f"The brief's run.days_off '{words}' is no date; write it as year-month-day, such as 2027-04-02."
            ) from None
    return tuple(sorted(found))


def read_brief(path: str | Path) -> Brief:
    """Read a `brief.toml`. Raises `BriefRefused` for a missing, unreadable, malformed or misspelt one."""
    try:
        given = read_toml(path)
    except (OSError, ValueError) as error:
        raise BriefRefused(f"The brief {path} cannot be read ({error}); correct it and run again.") from None
    return brief_from_dict(given)
