"""Hand-laid glass mat in resin: thickness, mass and density of a ply."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.mould.outer import triangulated_mm3


@dataclass(frozen=True, kw_only=True)
class Laminate:
    """One ply of chopped-strand mat, free of voids. `glass_share` is glass by mass, between 0 and 1."""

    mat_g_m2: float
    glass_share: float
    glass_density_kg_l: float
    resin_density_kg_l: float

    @property
    def ply_thickness_mm(self) -> float:
        """Thickness of one ply: ``m_g * (1/rho_g + (1 - Gc) / (Gc * rho_r))``, its parts' volumes."""
        resin_to_glass = (1.0 - self.glass_share) / self.glass_share
        per_glass = 1.0 / self.glass_density_kg_l + resin_to_glass / self.resin_density_kg_l
        return 1e-3 * self.mat_g_m2 * per_glass

    @property
    def ply_kg_m2(self) -> float:
        """Mass of one ply, glass and resin."""
        return 1e-3 * self.mat_g_m2 / self.glass_share

    @property
    def density_kg_l(self) -> float:
        """Density of glass and resin together."""
        glass = self.glass_share / self.glass_density_kg_l
        return 1.0 / (glass + (1.0 - self.glass_share) / self.resin_density_kg_l)


def jacket_laminate(settings: Settings) -> Laminate:
    """Return the jacket's ply as the cards say."""
    return Laminate(
        mat_g_m2=settings.number("jacket.mat_g_m2"),
        glass_share=settings.number("jacket.glass_share"),
        glass_density_kg_l=settings.number("jacket.glass_density_kg_l"),
        resin_density_kg_l=settings.number("jacket.resin_density_kg_l"),
    )


def cast_kg_m2(settings: Settings) -> float:
    """Return what a cast weighs by area, kg/m2: gel coat and laminate, wetted like the jacket's."""
    mat = settings.number("cast.mat_g_m2") * 1e-3 / settings.number("jacket.glass_share")
    return settings.number("cast.plies") * mat + settings.number("cast.gelcoat_kg_m2")


def laminate_mm3(rubber_mm: NDArray[np.float64], jacket_mm: NDArray[np.float64], cell_mm: float) -> float:
    """Return the volume of laminate between two height maps, as their triangles hold it, mm3.

    Parameters
    ----------
    rubber_mm, jacket_mm
        (ny, nx) heights of the rubber's outer face and of the jacket's outside, at the middles of the same
        cells; 0 where there is neither.
    cell_mm
        Size of a cell.
    """
    return triangulated_mm3(jacket_mm, cell_mm) - triangulated_mm3(rubber_mm, cell_mm)
