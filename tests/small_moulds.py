"""Moulds with few cells and without coats, for tests of what is made from their faces."""

from dataclasses import replace

from shop import shop_settings

from moldplan.cards import Settings
from moldplan.columns.offset import height_map
from moldplan.half.model import Half
from moldplan.mould.board import plan_board
from moldplan.mould.coats import sealed_mm3
from moldplan.mould.jacket import plan_jacket
from moldplan.mould.laminate import laminate_mm3
from moldplan.mould.model import Mould, Rubber
from moldplan.mould.outer import outer_face, triangulated_mm3
from moldplan.mould.rubber import build_for
from moldplan.mould.shell import jacket_heights
from moldplan.mould.wall import plan_wall
from moldplan.pattern import mesh_area_mm2


def small_rubber(half: Half, settings: Settings, cells: int) -> Rubber:
    """Return the rubber over a half, its volume as planned, its face of `cells` along the longest side."""
    build = build_for(half, settings)
    outer = outer_face(half, build, cells=cells)
    less = half.volume_mm3 + sealed_mm3(half)
    volume = outer.edged_mm3 + outer.keys_mm3 + outer.raised_mm3 - less
    mass = volume * 1e-6 * settings.number("rubber.density_kg_l")
    return Rubber(
        skin_mm=build.skin_mm, draft_deg=build.draft_deg, grid=outer.grid, outer_mm=outer.heights_mm,
        top_mm=height_map(half.vertices, half.faces, radius_mm=0.0, draft_rad=0.0, grid=outer.grid),
        edge_line=outer.line, volume_mm3=volume, skin_mm3=volume, fill_mm3=0.0, draft_mm3=0.0, edge_mm3=0.0,
        measured_mm3=triangulated_mm3(outer.heights_mm, outer.grid.cell_mm) - less, mass_kg=mass,
        order_kg=mass, outer_area_mm2=outer.area_mm2,
        inner_area_mm2=mesh_area_mm2(half.vertices, half.faces), coats=(), region_coats={},
        keys=outer.keys, keys_mm3=outer.keys_mm3,
    )  # fmt: skip


def small_mould(half: Half, *, cells: int = 96, settings: Settings | None = None) -> Mould:
    """Return the mould of a half with its jacket's outside, `cells` along the longest side."""
    shop = settings or shop_settings()
    rubber = small_rubber(half, shop, cells)
    wall = plan_wall(rubber, shop)
    jacket = plan_jacket(half, rubber, shop)
    outside = jacket_heights(
        half, rubber, build_for(half, shop), thickness_mm=jacket.thickness_mm,
        flange_thickness_mm=shop.number("jacket.flange_times") * jacket.thickness_mm,
        flange_outer=jacket.flange_outer,
    )  # fmt: skip
    laminate = laminate_mm3(rubber.outer_mm, outside, rubber.grid.cell_mm)
    return Mould(
        name=half.name, rubber=rubber, wall=wall, board=plan_board(rubber, wall, shop),
        jacket=replace(jacket, outer_mm=outside, volume_mm3=laminate),
    )  # fmt: skip
