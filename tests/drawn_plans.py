"""Plans made of closed forms, to be drawn without any other stage: bodies of revolution on their board."""

from collections.abc import Sequence
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
from moldplan.mould.model import Board, Coat, Jacket, Mould, Rubber, Wall

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


def plan_of(*pairs: tuple[Half, Mould], job: str = "mushrooms", file_name: str = "mushrooms.stl") -> Any:
    """Return what the drawings read of a plan."""
    survey = SimpleNamespace(file_name=file_name)
    pattern = SimpleNamespace(up="+z", front="-y", survey=survey, name=Path(file_name).stem)
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
    )
