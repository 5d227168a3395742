"""Plans made of closed forms, to be drawn without any other stage: bodies of revolution on their board."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import shapely
import zoo
from shapely import MultiPolygon
from shop import shop_settings

from moldplan.columns.grid import grid_over
from moldplan.half.model import Gaps, Half, Region, Undercut
from moldplan.mould.model import (
    Board,
    Button,
    Coat,
    Datums,
    Feature,
    Jacket,
    Key,
    Mixes,
    Mould,
    Peel,
    PeelPlace,
    PeelStep,
    Reach,
    ReachPlace,
    RegionAdvice,
    ReleaseStep,
    Remedy,
    Rubber,
    SetOut,
    Share,
    Thickness,
    ThinPart,
    Wall,
    Web,
)

#: (radius, top, gap low, gap high) steps from the middle outwards would be too clever: a body is a list of
#: (centre x, centre y, stem radius, stem height, cap radius, cap height): mushrooms standing on the board.
Mushroom = tuple[float, float, float, float, float, float]


def disc(x: float, y: float, radius: float) -> shapely.Polygon:
    return shapely.Point(x, y).buffer(radius, quad_segs=48)


def mushrooms(
    bodies: Sequence[Mushroom],
    *,
    cell: float | None = None,
    name: str = "A",
    called: str = "FRONT",
    up: tuple[float, float] = (0.0, 1.0),
    front: tuple[float, float] = (0.0, 0.0),
) -> tuple[Half, Mould]:
    """Return a half made of mushrooms, with regions of ring shape, and its mould."""
    meshes = [zoo.moved(zoo.mushroom(a, h, b, t, 96), (x, y, 0.0)) for x, y, a, h, b, t in bodies]
    starts = np.cumsum([0, *(len(m[0]) for m in meshes[:-1])])
    vertices = np.concatenate([m[0] for m in meshes])
    faces = np.concatenate([m[1] + s for m, s in zip(meshes, starts, strict=True)])
    section = shapely.union_all([disc(x, y, a) for x, y, a, *_ in bodies])
    projection = shapely.union_all([disc(x, y, b) for x, y, _, _, b, _ in bodies])
    size = max(projection.bounds[2] - projection.bounds[0], projection.bounds[3] - projection.bounds[1])
    half = _half(
        vertices,
        faces,
        section,
        projection,
        bodies=bodies,
        cell=cell or size / 200.0,
        names=(name, called, up, front),
    )
    return half, _mould(half, bodies, cell or size / 200.0)


def _multi(shape: Any) -> MultiPolygon:
    return shape if isinstance(shape, MultiPolygon) else MultiPolygon([shape])


def _half(
    vertices: Any,
    faces: Any,
    section: Any,
    projection: Any,
    *,
    bodies: Sequence[Mushroom],
    cell: float,
    names: Any,
) -> Half:
    low, high = np.array(projection.bounds[:2]), np.array(projection.bounds[2:])
    grid = grid_over(low, high, cell_mm=cell)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    rows, cols, highs, ids, regions = [], [], [], [], []
    ranked = sorted(bodies, key=lambda body: -(body[4] ** 2 - body[2] ** 2) * body[3])
    for number, (bx, by, a, h, b, _t) in enumerate(ranked, start=1):
        r = np.hypot(x - bx, y - by)
        row, col = np.nonzero((r > a) & (r < b))
        (
            rows.append(row),
            cols.append(col),
            highs.append(np.full(len(row), h)),
            ids.append(np.full(len(row), number)),
        )
        area = np.pi * (b * b - a * a)
        regions.append(
            Region(
                id=number,
                volume_mm3=area * h,
                area_mm2=area,
                depth_mm=h,
                reach_mm=b - a,
                mouth_mm=2 * np.pi * b,
                mouths=1 + number % 3,
                centre_mm=(bx, by, h / 2),
            )
        )
    highs_all = np.concatenate(highs).astype(float)
    gaps = Gaps(
        grid=grid,
        row=np.concatenate(rows).astype(np.int32),
        col=np.concatenate(cols).astype(np.int32),
        low_mm=np.zeros(len(highs_all)),
        high_mm=highs_all,
        region=np.concatenate(ids).astype(np.int32),
    )
    regions = [r for r in regions if (gaps.region == r.id).any()]
    total = sum(r.volume_mm3 for r in regions)
    undercut = Undercut(
        volume_mm3=total,
        bracket_mm3=(total, total),
        cell_mm=cell,
        area_mm2=1.0,
        regions=tuple(regions),
        crumbs_mm3=0.0,
        gaps=gaps,
        links=0,
    )
    name, called, up, front = names
    return Half(
        name=name,
        called=called,
        to_half=np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]),
        vertices=vertices,
        faces=faces,
        volume_mm3=1.0,
        height_mm=float(vertices[:, 2].max()),
        section=_multi(section),
        projection=_multi(projection),
        genus=0,
        up_xy=up,
        front_xy=front,
        undercut=undercut,
    )


def _mould(half: Half, bodies: Sequence[Mushroom], cell: float, skin: float = 8.0) -> Mould:
    edge = half.projection.buffer(skin + 40.0).buffer(30.0).buffer(-30.0)
    low, high = np.array(edge.bounds[:2]), np.array(edge.bounds[2:])
    grid = grid_over(low, high, cell_mm=cell, margin_mm=2 * cell)
    x, y = np.meshgrid(grid.x_mm(), grid.y_mm())
    top, outer = np.zeros(grid.shape), np.zeros(grid.shape)
    outer[shapely.contains_xy(edge, x, y)] = 10.0
    for bx, by, _a, h, b, t in bodies:
        r = np.hypot(x - bx, y - by)
        top = np.where(r < b, np.maximum(top, h + t * (1 - 0.0 * r)), top)
        outer = np.maximum(
            outer, np.minimum(h + t + skin, (h + t + skin) - (r - b - skin) / np.tan(np.radians(2.5)))
        )
    coats = [
        Coat(
            name=n,
            thickness_mm=t,
            area_mm2=1e6,
            volume_mm3=1.0,
            mass_kg=1.0,
            next_after_min=60.0,
            next_before_min=240.0,
        )
        for n, t in (("detail coat", 0.7), ("coat 2", 2.4), ("coat 3", 2.4), ("coat 4", 2.5))
    ]
    coats.append(
        Coat(
            name="draw-out",
            thickness_mm=12.0,
            area_mm2=1e6,
            volume_mm3=1.0,
            mass_kg=1.0,
            next_after_min=60.0,
            next_before_min=240.0,
        )
    )
    rubber = Rubber(
        skin_mm=skin,
        draft_deg=2.5,
        grid=grid,
        outer_mm=outer,
        top_mm=top,
        edge_line=_multi(edge),
        volume_mm3=1.0,
        skin_mm3=1.0,
        fill_mm3=0.0,
        draft_mm3=0.0,
        edge_mm3=0.0,
        measured_mm3=1.0,
        mass_kg=1.0,
        order_kg=1.0,
        outer_area_mm2=1.0,
        inner_area_mm2=1.0,
        coats=tuple(coats),
        region_coats={},
    )
    outer_ring = shapely.union_all([shapely.Polygon(p.exterior) for p in _multi(edge).geoms]).convex_hull
    inner = outer_ring.buffer(20.0)
    wall = Wall(
        inner=inner,
        outer=inner.buffer(15.0),
        inner_perimeter_mm=inner.length,
        height_mm=45.0,
        thickness_mm=15.0,
        clay_kg=1.0,
        moat_mm3=1.0,
    )
    flange = outer_ring.buffer(60.0)
    coating = tuple(
        float(v)
        for v in np.ceil((np.array(wall.outer.bounds[2:]) - wall.outer.bounds[:2] + 180.0) / 10.0) * 10.0
    )
    jacketing = tuple(
        float(v) for v in np.ceil((np.array(flange.bounds[2:]) - flange.bounds[:2] + 180.0) / 10.0) * 10.0
    )
    centre = tuple(float(v) for v in 0.5 * (np.array(flange.bounds[2:]) + flange.bounds[:2]))
    board = Board(
        coating_mm=coating,
        jacketing_mm=jacketing,
        size_mm=(max(coating[0], jacketing[0]), max(coating[1], jacketing[1])),
        centre_mm=centre,
        stock_mm=(2440.0, 1220.0),
        sheets=1,
    )
    jacket = Jacket(
        flange_outer=flange,
        area_mm2=1e6,
        flange_area_mm2=1e5,
        plies=3,
        thickness_mm=3.3,
        mass_kg=10.0,
        turning="two people",
        turning_kg=20.0,
        turning_people=2,
    )
    return Mould(name=half.name, rubber=rubber, wall=wall, board=board, jacket=jacket)


def dressed(half: Half, mould: Mould) -> Mould:
    """Return the mould with everything filled in that a plan may hold, by hand: by rule, not by sense."""
    rubber, jacket = mould.rubber, mould.jacket
    outer = np.where(rubber.outer_mm > 0.0, rubber.outer_mm + jacket.thickness_mm, 0.0)
    regions = half.undercut.regions
    return replace(
        mould,
        rubber=_dressed_rubber(half, rubber),
        wall=_dressed_wall(mould.wall, rubber),
        board=_dressed_board(mould.board),
        jacket=_dressed_jacket(mould, outer),
        peel=_peel(regions, rubber),
        reach=_reach(half, regions),
        features=_features(half),
        advice=tuple(_advice(region) for region in regions),
        webs=tuple(_web(region) for region in regions if region.mouths > 1),
        release=(
            ReleaseStep(
                surface="web",
                against="rubber",
                agent="wax film",
                coats=2,
                dry_min=30.0,
                text="try it first",
                stop=True,
            ),
        ),
    )


def datums_of(mould: Mould) -> Datums:
    """Return two dowels beside the wall, and its corner points measured from them."""
    left, low, right, high = mould.jacket.flange_outer.bounds
    first, second = (left - 30.0, low - 30.0), (right + 30.0, high + 30.0)
    way = np.array(second) - first
    way /= np.hypot(*way)
    points = []
    for x, y in mould.wall.points_mm:
        off = np.array([x, y]) - first
        points.append(
            SetOut(
                place_mm=(x, y),
                from_first_mm=float(np.hypot(*off)),
                from_second_mm=float(np.hypot(x - second[0], y - second[1])),
                along_mm=float(off @ way),
                square_mm=float(way[0] * off[1] - way[1] * off[0]),
            )
        )
    return Datums(name=mould.name, dowels_mm=(first, second), points=tuple(points))


def _over(rubber: Rubber, x: float, y: float, field: Any) -> float:
    """Return the value of a height map in the cell over (x, y)."""
    grid = rubber.grid
    col = int(np.clip((x - grid.x0_mm) / grid.cell_mm, 0, grid.nx - 1))
    row = int(np.clip((y - grid.y0_mm) / grid.cell_mm, 0, grid.ny - 1))
    return float(field[row, col])


def _spots(shape: Any, step: float) -> list[tuple[float, float]]:
    """Return points of a square net inside a shape, at least its inner point."""
    left, low, right, high = shape.bounds
    x, y = np.meshgrid(np.arange(left, right, step) + 0.4 * step, np.arange(low, high, step) + 0.4 * step)
    inside = shapely.contains_xy(shape, x, y)
    spots = [(float(a), float(b)) for a, b in zip(x[inside], y[inside], strict=True)]
    point = shape.representative_point()
    return spots or [(float(point.x), float(point.y))]


def _dressed_rubber(half: Half, rubber: Rubber) -> Rubber:
    there = rubber.top_mm > 0.0
    deep = np.clip(rubber.outer_mm - rubber.top_mm, rubber.skin_mm, None)
    spots = _spots(half.projection, max(np.sqrt(half.projection.area) / 4.0, 250.0))
    keys = tuple(
        Key(
            centre_mm=(x, y, _over(rubber, x, y, rubber.outer_mm) + 12.0),
            base_mm=35.0,
            height_mm=12.0,
            side_deg=17.5,
        )
        for x, y in spots
    )
    left, _, right, _ = half.projection.bounds
    middle = 0.5 * (half.projection.bounds[1] + half.projection.bounds[3])
    buttons = tuple(
        Button(
            place_mm=(x, middle, 0.6 * half.height_mm), normal=(way, 0.0, 0.0), diameter_mm=25.0, mass_kg=0.02
        )
        for x, way in ((left, -1.0), (right, 1.0))
    )
    places = np.array([(x, y, _over(rubber, x, y, rubber.top_mm)) for x, y in spots])
    thick = np.array([_over(rubber, x, y, deep) for x, y in spots])
    thickness = Thickness(
        places_mm=places,
        thickness_mm=thick,
        area_mm2=np.ones(len(thick)),
        map_mm=np.where(there, deep, np.nan),
    )
    coats = [_mixed(coat, rank) for rank, coat in enumerate(rubber.coats)]
    if not any(coat.region for coat in coats):
        extra = [
            replace(coats[1], name=f"undercut {r.id}", region=r.id, passes=3 + r.id)
            for r in half.undercut.regions
        ]
        coats = [*coats[:-1], *extra, coats[-1]]
    return replace(
        rubber,
        thickness=thickness,
        keys=keys,
        buttons=buttons,
        coats=tuple(coats),
        run_off_mm3=4e5,
        order_low_kg=0.85 * rubber.order_kg,
        order_high_kg=1.15 * rubber.order_kg,
    )


def _mixed(coat: Coat, rank: int) -> Coat:
    share = Share(name="base", mass_g=900.0, volume_ml=800.0)
    mixes = Mixes(count=2 + rank % 3, each_kg=0.9, shares=(share,), pot_life_min=25.0, brush_min=12.0)
    return replace(coat, least_mm=0.6 * coat.thickness_mm, tint=("white", "blue")[rank % 2], mixes=mixes)


def _dressed_wall(wall: Wall, rubber: Rubber) -> Wall:
    ring = wall.inner.simplify(8.0).exterior
    holes = [shapely.Polygon(hole) for part in rubber.edge_line.geoms for hole in part.interiors]
    islands = [hole.buffer(-20.0) for hole in holes]
    rings = [i.difference(i.buffer(-15.0)) for i in islands if i.geom_type == "Polygon" and i.area > 3e3]
    count = max(int(wall.outer.length / 125.0), 4)
    places = [wall.outer.exterior.interpolate(k / count, normalized=True) for k in range(count)]
    return replace(
        wall,
        points_mm=tuple((float(x), float(y)) for x, y in list(ring.coords)[:-1]),
        buttress_places_mm=tuple((float(p.x), float(p.y)) for p in places),
        inner_walls=tuple(part for part in rings if isinstance(part, shapely.Polygon)),
        pressure_pa=280.0,
        wax_mm2=8e5,
    )


def _dressed_board(board: Board) -> Board:
    (x, y), (wide, high) = board.centre_mm, board.size_mm
    left, low, right, top = x - wide / 2, y - high / 2, x + wide / 2, y + high / 2
    joint = ((left, y + 0.1 * high), (right, y + 0.1 * high))
    battens = tuple(((left + 20.0, v), (right - 20.0, v)) for v in (low + 60.0, joint[0][1], top - 60.0))
    return replace(board, sheets=2, joints_mm=(joint,), battens_mm=battens, shim_mm=1.5)


def _dressed_jacket(mould: Mould, outer: Any) -> Jacket:
    jacket, rubber = mould.jacket, mould.rubber
    left, low, right, high = rubber.edge_line.bounds
    at = [low + share * (high - low) for share in (0.25, 0.5, 0.75)]
    feet = [(left + s * (right - left), low + t * (high - low)) for s in (0.25, 0.75) for t in (0.2, 0.8)]
    feet3 = tuple((x, y, _over(rubber, x, y, outer)) for x, y in feet)
    stand = float(outer.max()) + 120.0
    flange = jacket.flange_outer.bounds
    return replace(
        jacket,
        outer_mm=outer,
        ribs_mm=tuple(((left, v), (right, v)) for v in at),
        feet_mm=feet3,
        foot_height_mm=tuple(stand - foot[2] for foot in feet3),
        stand_mm=stand,
        handles_mm=tuple((x, v, 10.0) for x in (flange[0] + 15.0, flange[2] - 15.0) for v in (at[0], at[2])),
        turning_edge_mm=((flange[2], flange[1] + 40.0), (flange[2], flange[3] - 40.0)),
        turns_kg=(("jacket", 21.0), ("rubber", 28.8), ("pattern", 5.0), ("cast", 11.2)),
        flange_thickness_mm=2 * jacket.thickness_mm,
        skin_kg=12.0,
        flange_kg=4.0,
        ribs_kg=2.0,
        fittings_kg=3.0,
    )


def _peel(regions: Sequence[Region], rubber: Rubber) -> Peel:
    places = tuple(
        PeelPlace(
            place_mm=r.centre_mm,
            strain=0.45 / r.id,
            model=("band", "lip")[r.id % 2],
            thickness_mm=r.reach_mm,
            region=r.id,
        )  # type: ignore[arg-type]
        for r in regions
    )
    order = tuple(
        PeelStep(
            number=n,
            place_mm=r.centre_mm,
            text=f"fold back the lip at U{r.id} from its mouth, then roll inwards",
            region=r.id,
        )
        for n, r in enumerate(reversed(regions), start=1)
    )
    thin = tuple(
        ThinPart(
            place_mm=r.centre_mm,
            thickness_mm=18.0,
            length_mm=90.0,
            strain=0.01,
            text="hold it while you peel",
        )
        for r in regions[:1]
    )
    return Peel(
        strain=0.45,
        allowed=0.75,
        place_mm=places[0].place_mm if places else None,
        places=places,
        order=order,
        thin=thin,
    )


def _reach(half: Half, regions: Sequence[Region]) -> Reach:
    gaps = half.undercut.gaps
    near = np.isin(gaps.region, [r.id for r in regions[:4]]) & ((gaps.row + gaps.col) % 2 == 0)
    x, y = gaps.grid.x_mm()[gaps.col[near]], gaps.grid.y_mm()[gaps.row[near]]
    places = tuple(
        ReachPlace(
            place_mm=r.centre_mm,
            area_mm2=r.area_mm2 / r.id,
            why=("narrow", "deep")[r.id % 2],
            text="lay it up first, with a brush on a stick",
        )  # type: ignore[arg-type]
        for r in regions[:4]
    )
    cell = 2.0 * gaps.grid.cell_mm
    points = np.column_stack([x, y, gaps.high_mm[near]])
    return Reach(surface_mm2=3e6, unreached_mm2=2e5, cell_mm=cell, points_mm=points, places=places)


def _features(half: Half) -> tuple[Feature, ...]:
    kinds = ("blind tip", "cup", "slot", "tight corner", "thin section")
    spots = _spots(half.projection, np.sqrt(half.projection.area) / 3.3)[:9]
    return tuple(
        Feature(
            kind=kinds[n % 5],
            place_mm=(x, y, 10.0),
            width_mm=6.0 + n,
            extent_mm=25.0 * n + 10.0,
            text="stipple it, no air",
        )  # type: ignore[arg-type]
        for n, (x, y) in enumerate(spots)
    )


def _advice(region: Region) -> RegionAdvice:
    kind: Any = ("loose piece", "plug", "fill")[region.id % 3]
    chosen = Remedy(
        kind=kind,
        possible=True,
        rubber_kg=0.4,
        cost=55.0,
        hours=1.5,
        text="a piece of its own that leaves sideways",
        pull=(0.8, 0.0, 0.6) if kind == "loose piece" else None,
        cleared=0.93,
        size_mm=(region.reach_mm, 2.0 * region.reach_mm, region.depth_mm),
    )
    return RegionAdvice(region=region.id, solid_mm=region.reach_mm, chosen=chosen, weighed=(chosen,))


def _web(region: Region) -> Web:
    x, y, z = region.centre_mm
    return Web(
        region=region.id,
        place_mm=(x, y, z),
        normal=(0.8, 0.6, 0.0),
        size_mm=(region.reach_mm, region.depth_mm),
        area_mm2=region.reach_mm * region.depth_mm,
        text="cut the rubber here and release both faces",
    )


def plan_of(*pairs: tuple[Half, Mould], job: str = "mushrooms", file_name: str = "mushrooms.stl") -> Any:
    """Return what the drawings read of a plan."""
    survey = SimpleNamespace(file_name=file_name)
    pattern = SimpleNamespace(up="+z", front="-y", survey=survey, name=Path(file_name).stem, marks=None)
    return SimpleNamespace(
        job=job,
        revision="r001",
        made="2031-05-04T10:00:00+00:00",
        version="0.1.0",
        pattern=pattern,
        settings=shop_settings(),
        findings=(),
        halves=tuple(p[0] for p in pairs),
        moulds=tuple(p[1] for p in pairs),
        plane=SimpleNamespace(
            normal=(0.0, -1.0, 0.0), offset_mm=0.0, array=lambda: np.array([0.0, -1.0, 0.0])
        ),
        chosen_by="search",
        pairs=lambda: iter(pairs),
        datums=tuple(datums_of(mould) for _, mould in pairs if mould.wall.points_mm),
    )
