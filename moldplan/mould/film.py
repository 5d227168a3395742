"""The detail coat: a liquid film that drains until it gels.

Goal: what stays of the thin first coat at each place, and what runs off into the moat.

1. On a slope the film that is left after a while is ``h = sqrt(mu z / (rho g sin(theta) t))`` at length z
   down the slope from its top [derived; Jeffreys, "The draining of a vertical plate", Proc. Camb. Phil. Soc.
   1930]. It does not depend on how much was brushed, but never is more than that.
2. The rubber thickens until it gels: t / mu becomes the integral of dt / mu. Its fluidity 1 / mu is taken to
   fall evenly to nothing at the gel time, ``mu(t) = mu0 / (1 - t / gel)``: the simplest law with the right
   start and end, which data sheets give. The integral up to the gel is gel / (2 mu0) [derived].
3. Lengths down the slope from the corners of the mesh, each from the corners above it
   (`moldplan.columns.beneath`).
4. Crowns. With z and sin(theta) both going to nothing the formula leaves a film by the crown's radius; on a
   sharp ridge it leaves none. A brushed crown keeps 60 to 70 % of the mean thickness (common practice, no
   source): no place is given less than that share of the mean film.
5. What was brushed and did not stay runs off. Where it is less than the card's share (level work), the card's
   share runs off all the same, and so much more is brushed.

Error: the law of thickening and the viscosity (10 to 60 Pa s between products) are the weak points, some
50 %; the film goes with the square root of both. Overhangs are taken like the slope they mirror; drips are
not in it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.columns.beneath import below_tops_mm
from moldplan.half.model import Half
from moldplan.mould.cure import scaled_min
from moldplan.mould.surface import Surface

Floats = NDArray[np.float64]

_G = 9.81


@dataclass(frozen=True, kw_only=True)
class Film:
    """The detail coat at its gel, at the middle of each piece of the surface it was made for.

    `thickness_mm` (n,) with its mean by area and its least; `stays_mm3` on the half, `run_off_mm3` in the
    moat.
    """

    thickness_mm: Floats
    mean_mm: float
    least_mm: float
    stays_mm3: float
    run_off_mm3: float


def fluidity_time(seconds: float, *, viscosity_pa_s: float, gel_s: float = math.inf) -> float:
    """Return the integral of dt / mu (1 / Pa) over the first `seconds`, up to the gel.

    Notes
    -----
    ``mu(t) = mu0 / (1 - t / gel)``; so (t - t^2 / (2 gel)) / mu0, and gel / (2 mu0) in all [derived].
    """
    run = min(seconds, gel_s)
    thickened = 0.0 if math.isinf(gel_s) else run**2 / (2.0 * gel_s)
    return (run - thickened) / viscosity_pa_s


def drained_mm(length_mm: Floats, sine: Floats, *, density_kg_l: float, fluidity: float) -> Floats:
    """Return the film (mm) that is left `length_mm` down a slope from its top.

    Parameters
    ----------
    length_mm
        Length of slope above the place, any shape.
    sine
        Sine of the slope from level there, 0 to 1, same shape.
    density_kg_l
        Density of the liquid.
    fluidity
        Time over viscosity, 1 / Pa (`fluidity_time`).

    Returns
    -------
    array
        Infinite on the level, where nothing runs.
    """
    push = 1000.0 * density_kg_l * _G * np.asarray(sine, dtype=np.float64) * fluidity
    square = np.full(push.shape, np.inf)
    np.divide(1e-3 * np.asarray(length_mm, dtype=np.float64), push, out=square, where=push > 0.0)
    film: Floats = 1000.0 * np.sqrt(square)
    return film


def detail_film(half: Half, surface: Surface, settings: Settings) -> Film:
    """Return what stays of the detail coat on `half`, and what runs off.

    Parameters
    ----------
    half, surface
        The half and its surface in pieces (`moldplan.mould.surface.surface_of`).
    settings
        Reads ``rubber.*`` (detail coat, viscosity, gel, density, crown, run-off, times_at_c) and
        ``shop.temperature_c``, by which the gel comes sooner or later; the viscosity is taken as it is.

    Notes
    -----
    About 0.05 s for 100 000 triangles.
    """
    lengths = below_tops_mm(half.vertices, half.faces, _sines(half))
    at = np.einsum("nk,nk->n", surface.weight, lengths[half.faces[surface.face]])
    fluidity = fluidity_time(
        math.inf,
        viscosity_pa_s=settings.number("rubber.viscosity_pa_s"),
        gel_s=60.0 * scaled_min("rubber.gel_min", settings),
    )
    left = drained_mm(
        at, surface.sine, density_kg_l=settings.number("rubber.density_kg_l"), fluidity=fluidity
    )
    brushed_mm = settings.number("rubber.detail_coat_mm")
    crown = settings.number("rubber.crown_percent") / 100.0
    film = crowned_mm(np.minimum(left, brushed_mm), surface.area_mm2, share=crown)
    stays = float((film * surface.area_mm2).sum())  # a dot product may depend on how many threads there are
    brushed = brushed_mm * surface.whole_mm2
    least_run = settings.number("rubber.run_off_percent") / 100.0 * brushed
    return Film(
        thickness_mm=film, mean_mm=stays / surface.whole_mm2, least_mm=float(film.min()),
        stays_mm3=stays, run_off_mm3=max(brushed - stays, least_run),
    )  # fmt: skip


def _sines(half: Half) -> Floats:
    """Return the sine of every triangle's slope from level, 0 for one without area."""
    corners = half.vertices[half.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    sines = np.zeros(len(size))
    np.divide(np.hypot(normals[:, 0], normals[:, 1]), size, out=sines, where=size > 0.0)
    return sines


def crowned_mm(film_mm: Floats, area_mm2: Floats, *, share: float) -> Floats:
    """Return the film with no place under `share` (0 to 1) of the mean that it then has.

    Notes
    -----
    The floor c solves ``c = share * mean(max(film, c))``. The mean is the greatest of the lines that lift the
    k thinnest places, so c is the greatest of the lines' own solutions ``share S / (A - share A_k)``, with S
    the volume of film not lifted, A_k the area lifted and A all of it [derived].
    """
    order = np.argsort(film_mm, kind="stable")
    area, volume = area_mm2[order], (film_mm * area_mm2)[order]
    lifted = np.concatenate([[0.0], np.cumsum(area)[:-1]])
    kept = np.cumsum(volume[::-1])[::-1]
    floor = float((share * kept / (float(area.sum()) - share * lifted)).max())
    return np.maximum(film_mm, min(floor, float(film_mm.max())))
