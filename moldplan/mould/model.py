"""The mould of one half as a value: rubber, coats, wall, board and jacket."""

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from shapely import MultiPolygon, Polygon

from moldplan.columns.grid import Grid
from moldplan.half.model import HalfName

Point3 = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Share:
    """What is weighed out of one can for one mix: its name, grams and millilitres."""

    name: str
    mass_g: float
    volume_ml: float


@dataclass(frozen=True, kw_only=True)
class Mixes:
    """How one coat (all its passes) is mixed: so many pots alike, and what goes into each.

    `pot_life_min` is at the shop's temperature; `brush_min` is how long the hands at it take to lay one pot.
    """

    count: int
    each_kg: float
    shares: tuple[Share, ...]
    pot_life_min: float
    brush_min: float


@dataclass(frozen=True, kw_only=True)
class Coat:
    """One coat of rubber. `region` names the undercut an extra pass belongs to, else None.

    `thickness_mm` is the mean of one pass, `least_mm` the least anywhere (a crown), `volume_mm3` and
    `mass_kg` what stays
    on in all passes together. `brushed_kg` is what is mixed and brushed on: with what runs off into the moat.
    """

    name: str
    thickness_mm: float
    area_mm2: float
    volume_mm3: float
    mass_kg: float
    next_after_min: float
    next_before_min: float
    region: int | None = None
    passes: int = 1
    least_mm: float = 0.0
    brushed_kg: float = 0.0
    tint: str = ""
    mixes: Mixes | None = None
    crumb_kg: float = 0.0
    """Most of the mass that may be cured crumb of the same family instead of new rubber."""


@dataclass(frozen=True, kw_only=True)
class Thickness:
    """How thick the rubber stands over the pattern: the true distance from its surface to the outer face.

    At places spread over the half's surface, off the board, each standing for `area_mm2` of it; and as seen
    from above
    (`map_mm` (ny, nx) on the rubber's grid, at the highest surface of each column, NaN where there is none).
    """

    places_mm: NDArray[np.float64]
    thickness_mm: NDArray[np.float64]
    area_mm2: NDArray[np.float64]
    map_mm: NDArray[np.float64]

    @property
    def least_mm(self) -> float:
        """Least thickness at any place."""
        return float(self.thickness_mm.min(initial=np.inf))

    @property
    def mean_mm(self) -> float:
        """Mean over the surface."""
        return float(np.average(self.thickness_mm, weights=self.area_mm2))


@dataclass(frozen=True, kw_only=True)
class Key:
    """A cone of rubber on the outer face that registers it in the jacket: a frustum along the pull.

    `centre_mm` is the middle of its top; `base_mm` the diameter that its sides have where they meet the
    face at the middle.
    """

    centre_mm: Point3
    base_mm: float
    height_mm: float
    side_deg: float


@dataclass(frozen=True, kw_only=True)
class Button:
    """A stud of rubber through a hole in the jacket that holds steep rubber; out before the jacket lifts."""

    place_mm: Point3
    normal: Point3
    diameter_mm: float
    mass_kg: float


@dataclass(frozen=True, kw_only=True)
class PeelPlace:
    """One place where the rubber has to stretch or bend to come off the cast.

    `model` says which: a closed "band" that passes over a bulge, or an open "lip" that bends round its root.
    `strain` 0.5 is 50 %. `thickness_mm` is the filled thickness that was counted. `region` is the undercut
    it belongs to,
    if one does.
    """

    place_mm: Point3
    strain: float
    model: Literal["band", "lip"]
    thickness_mm: float
    region: int | None = None


@dataclass(frozen=True, kw_only=True)
class PeelStep:
    """One step of taking the rubber off, in order, in words for the brief."""

    number: int
    place_mm: Point3
    text: str
    region: int | None = None


@dataclass(frozen=True, kw_only=True)
class ThinPart:
    """A slender part of the cast that may break before the rubber gives: where, how thin, how long."""

    place_mm: Point3
    thickness_mm: float
    length_mm: float
    strain: float
    text: str


@dataclass(frozen=True, kw_only=True)
class Peel:
    """How the rubber comes off the cast: the worst stretch, every place, the order, what may snap."""

    strain: float
    allowed: float
    place_mm: Point3 | None
    places: tuple[PeelPlace, ...]
    """Worst first."""
    order: tuple[PeelStep, ...]
    thin: tuple[ThinPart, ...]


@dataclass(frozen=True, kw_only=True)
class Softening:
    """One undercut that filler or carving on the pattern would take away.

    `way` "fill" fills the gap, "carve" takes away what hangs over it. `thickest_mm` is how thick the
    filler gets, or how deep the carving goes; `amount_mm3` how much there is of it.
    """

    half: HalfName
    region: int
    """The undercut's number in its half (`Region.id`)."""
    way: Literal["fill", "carve"]
    thickest_mm: float
    amount_mm3: float
    saves_mm3: float
    """Undercut that is gone."""
    saves_kg: float
    """Rubber fill saved."""
    centre_mm: tuple[float, float, float]
    """In the half's frame."""
    needs_approval: bool
    """More than the shop's own limit: only with the client's approval."""
    words: str = ""
    """The same in one shop sentence."""


RemedyKind = Literal["fill", "loose piece", "plug", "soften", "another split"]


@dataclass(frozen=True, kw_only=True)
class Remedy:
    """One way to deal with an undercut, in the shop's own numbers.

    `rubber_kg` is the rubber that the undercut then still takes beyond the skin; `cost` is rubber, other
    stuff and hours in the
    shop's money. `pull` is a loose piece's own direction of leaving (unit, half's frame). `possible` is
    False when the shape
    forbids it; `text` then says why.
    """

    kind: RemedyKind
    possible: bool
    rubber_kg: float
    cost: float
    hours: float
    text: str
    pull: Point3 | None = None
    cleared: float | None = None
    """Share of the undercut's filling, 0 to 1, that leaves with a loose piece along `pull` without meeting
    the pattern.
    """
    size_mm: Point3 | None = None
    pulls: tuple[Point3, ...] = ()
    """Every piece's own direction where several loose pieces share the undercut, `pull` first."""
    volume_mm3: float = 0.0
    """What is made or moved: of the pieces or the plug, of filler, or of carving."""


@dataclass(frozen=True, kw_only=True)
class OtherSplit:
    """Another plane for the same figure, and what it leaves of this plan's undercuts.

    `called` names its halves. `undercut_mm3` is what it locks in both halves together, `now_mm3` what the
    planned split locks. `still` is the share (0 to 1) of each undercut's volume that is an undercut under it
    as well, by half and region id.
    """

    called: tuple[str, str]
    normal: Point3
    offset_mm: float
    undercut_mm3: float
    now_mm3: float
    still: dict[tuple[HalfName, int], float]
    text: str


@dataclass(frozen=True, kw_only=True)
class RegionAdvice:
    """What to do about one undercut: the remedy the plan recommends, and all it weighed, cheapest first."""

    region: int
    solid_mm: float
    """How thick solid rubber would stand on the pattern there."""
    chosen: Remedy
    weighed: tuple[Remedy, ...]


@dataclass(frozen=True, kw_only=True)
class Web:
    """A web or plug that closes an opening of the pattern so that the rubber makes no loop through it.

    It stands at `place_mm`, square to `normal` (unit), `size_mm` (width, height) large, in the middle of
    the narrowest part.
    """

    region: int | None
    place_mm: Point3
    normal: Point3
    size_mm: tuple[float, float]
    area_mm2: float
    text: str


@dataclass(frozen=True, kw_only=True)
class ReleaseStep:
    """One pair of surfaces that must part (or stick), and what goes between them."""

    surface: str
    against: str
    agent: str
    coats: int
    dry_min: float
    text: str
    stop: bool = False
    """Whether work stops until it is done and tried: rubber on cured rubber, a test patch under addition
    cure.
    """


@dataclass(frozen=True, kw_only=True)
class ReachPlace:
    """A part of the inner surface that the hand does not get to: where, how large, and why."""

    place_mm: Point3
    area_mm2: float
    why: Literal["narrow", "deep"]
    text: str


@dataclass(frozen=True, kw_only=True)
class Reach:
    """What a gloved hand with a roller gets to in the half-mould, turned up and emptied.

    `points_mm` (n, 3) are places of the surface not reached, in the half's frame, each standing for about
    `cell_mm` squared.
    """

    surface_mm2: float
    unreached_mm2: float
    cell_mm: float
    points_mm: NDArray[np.float64]
    places: tuple[ReachPlace, ...]
    """Largest first."""


FeatureKind = Literal["blind tip", "cup", "slot", "tight corner", "thin section"]


@dataclass(frozen=True, kw_only=True)
class Feature:
    """A small shape that traps air or wants special laying up: its width or radius, its length or depth."""

    kind: FeatureKind
    place_mm: Point3
    width_mm: float
    extent_mm: float
    text: str


class LaidRubber(Protocol):
    """What wall, board, jacket and turning read of a rubber: its line on the board, its areas, its mass."""

    @property
    def edge_line(self) -> MultiPolygon:
        """Outline of the rubber on the board."""

    @property
    def outer_area_mm2(self) -> float:
        """Area of the outer face."""

    @property
    def inner_area_mm2(self) -> float:
        """Area of the half that rubber lies on."""

    @property
    def mass_kg(self) -> float:
        """Mass of the rubber."""


@dataclass(frozen=True, kw_only=True)
class BriefRubber:
    """The rubber over one half by its amount alone, without its coats and its face: a `LaidRubber`."""

    edge_line: MultiPolygon
    volume_mm3: float
    mass_kg: float
    outer_area_mm2: float
    inner_area_mm2: float


@dataclass(frozen=True, kw_only=True)
class Rubber:
    """The rubber over one half.

    `outer_mm` (ny, nx) on `grid` is the height of its outer face above the board, 0 where there is none.
    The four parts add up to `volume_mm3`; `measured_mm3` is the same volume by a second way (triangulated
    outer face less the half's solid).
    """

    skin_mm: float
    draft_deg: float
    grid: Grid
    outer_mm: NDArray[np.float64]
    top_mm: NDArray[np.float64]
    """Height of the half itself over the same grid (0 where there is none)."""
    edge_line: MultiPolygon
    """Outline of the rubber on the board (inner line of the moat)."""
    volume_mm3: float
    skin_mm3: float
    fill_mm3: float
    draft_mm3: float
    edge_mm3: float
    measured_mm3: float
    mass_kg: float
    order_kg: float
    outer_area_mm2: float
    inner_area_mm2: float
    coats: tuple[Coat, ...]
    region_coats: dict[int, int]
    """Extra passes by region id."""
    thickness: Thickness | None = None
    keys: tuple[Key, ...] = ()
    buttons: tuple[Button, ...] = ()
    keys_mm3: float = 0.0
    """What keys hold, part of `edge_mm3`."""
    run_off_mm3: float = 0.0
    """What runs off the detail coat into the moat before it gels."""
    draft_kg_per_deg: float = 0.0
    """How much more rubber one more degree of draft takes."""
    advised_kg: float = 0.0
    """Mass when every undercut is dealt with as advised (`Mould.advice`)."""
    order_low_kg: float = 0.0
    order_high_kg: float = 0.0
    """What may be used in the end, the stated uncertainty about all that is brushed on, run-off as well."""


@dataclass(frozen=True, kw_only=True)
class Wall:
    """The clay wall: `inner` is its line towards the rubber, beyond the moat; `outer` its back."""

    inner: Polygon
    outer: Polygon
    inner_perimeter_mm: float
    height_mm: float
    thickness_mm: float
    clay_kg: float
    moat_mm3: float
    inner_walls: tuple[Polygon, ...] = ()
    """Rings of clay inside large openings of the rubber's edge: each the wall's own ground, with its hole
    if it has one.
    """
    buttress_places_mm: tuple[tuple[float, float], ...] = ()
    """Where buttresses stand along the back of `outer`."""
    buttress_kg: float = 0.0
    """Clay of all buttresses, on top of `clay_kg`."""
    points_mm: tuple[tuple[float, float], ...] = ()
    """Corner points of the inner line for setting out, in order round it, in the half's frame."""
    points_off_mm: float = 0.0
    """How far the inner line strays from the straight lines between them."""
    pressure_pa: float = 0.0
    """Of the fluid that stands in the moat, at its foot."""
    pressure_governs: bool = False
    wax_mm2: float = 0.0
    """Board and wall to wax."""


@dataclass(frozen=True, kw_only=True)
class Board:
    """The board in its two states.

    Sizes are (x, y) in mm, rounded up to what a shop cuts. `sheets` is how many stock sheets one board
    takes: 1 when it comes out of one sheet; more means joints.
    """

    coating_mm: tuple[float, float]
    jacketing_mm: tuple[float, float]
    size_mm: tuple[float, float]
    """What to cut: the larger of the two states in each direction."""
    centre_mm: tuple[float, float]
    """Middle of the board in the half's frame."""
    stock_mm: tuple[float, float]
    sheets: int
    joints_mm: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    """Joints between sheets, as lines in the half's frame."""
    battens_mm: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    """Battens under the board, as lines in the half's frame; along joints as well."""
    shim_mm: float = 0.0
    """What to put under the sawn face to make up for the saw's kerf."""


@dataclass(frozen=True, kw_only=True)
class Parting:
    """A jacket made in `pieces`, parted along `lines_mm`, seen from above in the half's frame.

    `length_mm` is the length of the parting flanges over the jacket, `bolts` of all of them together,
    `mass_kg` what the flanges on either side add to the mass of the jacket in one piece.
    """

    pieces: int
    lines_mm: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    length_mm: float
    bolts: int
    mass_kg: float


@dataclass(frozen=True, kw_only=True)
class Jacket:
    """The rigid glass-fibre jacket over the rubber, its flange on the bare board outside the rubber."""

    flange_outer: Polygon
    area_mm2: float
    flange_area_mm2: float
    plies: int
    thickness_mm: float
    mass_kg: float
    turning: str
    """Who turns jacket + rubber + half over, in plain words with the mass and the limit."""
    turning_kg: float
    turning_people: int | None
    """Least team by the guideline filter, None when a mechanical aid is needed."""
    skin_kg: float = 0.0
    flange_kg: float = 0.0
    ribs_kg: float = 0.0
    fittings_kg: float = 0.0
    """Feet, handles and the edge for turning."""
    volume_mm3: float = 0.0
    """Laminate of skin and flange alone, without ribs and fittings: what the solid of the jacket holds."""
    flange_thickness_mm: float = 0.0
    ribs_mm: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    """Ribs across the jacket, as lines seen from above in the half's frame."""
    feet_mm: tuple[Point3, ...] = ()
    """Where feet stand on the jacket's outside; turned over, the opened half stands level on them."""
    foot_height_mm: tuple[float, ...] = ()
    """Length of each foot from the jacket's outside."""
    stand_mm: float = 0.0
    """Height of the flange above what the feet of the opened half stand on: the floor, or a bench when lower
    than the working height.
    """
    handles_mm: tuple[Point3, ...] = ()
    turning_edge_mm: tuple[tuple[float, float], tuple[float, float]] | None = None
    """The side of the flange to roll over on."""
    turns_kg: tuple[tuple[str, float], ...] = ()
    """Masses part by part: ("jacket", kg), ("rubber", kg), ("pattern", kg), ("cast", kg), ("board", kg).

    `turning_kg` is jacket, rubber and the heavier of pattern and cast; the board is freed first.
    """
    parting: Parting | None = None
    """How to make it in pieces, when it is too large or too heavy for one."""
    outer_mm: NDArray[np.float64] | None = None
    """(ny, nx) on the rubber's grid: height of the jacket's outside, flange included; 0 beyond it."""


@dataclass(frozen=True, kw_only=True)
class Mould:
    """Everything of one half's mould."""

    name: HalfName
    rubber: Rubber
    wall: Wall
    board: Board
    jacket: Jacket
    peel: Peel | None = None
    reach: Reach | None = None
    features: tuple[Feature, ...] = ()
    advice: tuple[RegionAdvice, ...] = ()
    webs: tuple[Web, ...] = ()
    release: tuple[ReleaseStep, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Datums:
    """Two dowels that both boards share, and the wall's corner points measured from them, of one half.

    `dowels_mm` are in the half's frame; the same two points of the split plane on either board. `points`
    are the wall's
    corners in order: distance from the first dowel, distance from the second, and along / square to the
    line between them.
    """

    name: HalfName
    dowels_mm: tuple[tuple[float, float], tuple[float, float]]
    points: tuple["SetOut", ...]


@dataclass(frozen=True, kw_only=True)
class SetOut:
    """One corner point of the wall, by its place and by what a tape reads from either dowel."""

    place_mm: tuple[float, float]
    from_first_mm: float
    from_second_mm: float
    along_mm: float
    square_mm: float
