"""The two plain samples: an urn off the lathe, and a low relief on a flat back."""

import numpy as np
from clay import Field, Mesh, bump, ramp
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.ndimage import gaussian_filter

URN_SEGMENTS = 176
URN_RINGS = 150
URN_PROFILE = np.array(
    [  # (height, radius), mm: foot, stem, belly, waist, lip
        (0.0, 146.0), (16.0, 156.0), (38.0, 146.0), (66.0, 98.0), (112.0, 70.0), (160.0, 92.0),
        (280.0, 212.0), (410.0, 254.0), (540.0, 216.0), (640.0, 146.0), (710.0, 120.0), (790.0, 142.0),
        (846.0, 186.0), (876.0, 202.0), (900.0, 186.0),
    ]
)  # fmt: skip

RELIEF_MM = (640.0, 440.0)
RELIEF_CELL_MM = 3.2
RELIEF_SMOOTHING_CELLS = 0.8
PLATE_MM = 20.0
EDGE_OUT_MM = 2.0
STEM = np.array([(-235.0, -150.0), (-130.0, -70.0), (0.0, -5.0), (120.0, 40.0), (212.0, 92.0)])


def urn_curve() -> CubicSpline:
    """Return the urn's radius (mm) as a smooth function of height (mm)."""
    return CubicSpline(URN_PROFILE[:, 0], URN_PROFILE[:, 1])


def urn() -> Mesh:
    """Turn the urn: solid, 900 high, with corners on the true surface."""
    heights = _urn_heights()
    radii = urn_curve()(heights)
    angles = 2.0 * np.pi * np.arange(URN_SEGMENTS) / URN_SEGMENTS
    rings = np.stack(
        [
            radii[:, None] * np.cos(angles),
            radii[:, None] * np.sin(angles),
            np.repeat(heights[:, None], URN_SEGMENTS, axis=1),
        ],
        axis=-1,
    ).reshape(-1, 3)
    points = np.concatenate([rings, [(0.0, 0.0, heights[0]), (0.0, 0.0, heights[-1])]])
    return points, np.concatenate([_tube(len(heights), URN_SEGMENTS), _caps(len(heights), URN_SEGMENTS)])


def _urn_heights() -> NDArray[np.float64]:
    """Space the rings by the profile's own length, so that foot and lip get as many as the belly."""
    fine = np.linspace(URN_PROFILE[0, 0], URN_PROFILE[-1, 0], 20_001)
    steps = np.hypot(np.diff(fine), np.diff(urn_curve()(fine)))
    length = np.concatenate([[0.0], np.cumsum(steps)])
    return np.interp(np.linspace(0.0, length[-1], URN_RINGS), length, fine)


def _tube(rings: int, around: int) -> NDArray[np.int64]:
    """Return the triangles between rings of corners, wound outward when the rings go up."""
    ring, i = np.meshgrid(np.arange(rings - 1), np.arange(around), indexing="ij")
    j = (i + 1) % around
    a, b, c, d = (ring * around + i, ring * around + j, (ring + 1) * around + j, (ring + 1) * around + i)
    return np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])


def _caps(rings: int, around: int) -> NDArray[np.int64]:
    i = np.arange(around)
    j = (i + 1) % around
    bottom, top = rings * around, rings * around + 1
    last = (rings - 1) * around
    down = np.stack([np.full(around, bottom), j, i], axis=-1)
    return np.concatenate([down, np.stack([np.full(around, top), last + i, last + j], axis=-1)])


def relief() -> Mesh:
    """Make a leaf spray in low relief: one height for every place, a flat back at z = 0 and leaning edges."""
    nx, ny = (round(size / RELIEF_CELL_MM) + 1 for size in RELIEF_MM)
    x = np.linspace(-0.5, 0.5, nx) * RELIEF_MM[0]
    y = np.linspace(-0.5, 0.5, ny) * RELIEF_MM[1]
    xx, yy = np.meshgrid(x, y, indexing="ij")
    zz = relief_heights(xx, yy)
    front = np.stack([xx, yy, zz], axis=-1).reshape(-1, 3)
    rim = _rim(nx, ny)
    back = front[rim] * (1.0 + 2.0 * EDGE_OUT_MM / RELIEF_MM[0], 1.0 + 2.0 * EDGE_OUT_MM / RELIEF_MM[1], 0.0)
    points = np.concatenate([front, back, [(0.0, 0.0, 0.0)]])
    ring = len(front) + np.arange(len(rim))
    after = np.roll(ring, -1)
    middle = np.full(len(rim), len(points) - 1)
    walls = [(ring, after, np.roll(rim, -1)), (ring, np.roll(rim, -1), rim), (middle, after, ring)]
    faces = [_sheet(nx, ny), *(np.stack(t, axis=-1) for t in walls)]
    return points, np.concatenate(faces)


def _rim(nx: int, ny: int) -> NDArray[np.int64]:
    """Return the border corners of an (nx, ny) sheet, counter-clockwise seen from the front."""
    index = np.arange(nx * ny).reshape(nx, ny)
    return np.concatenate([index[:-1, 0], index[-1, :-1], index[:0:-1, -1], index[0, :0:-1]])


def _sheet(nx: int, ny: int) -> NDArray[np.int64]:
    index = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    return np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])


def relief_heights(x: Field, y: Field) -> Field:
    """Return the height (mm) of the relief over its back at each place."""
    height = np.zeros_like(x)
    for root, angle, length in _leaves():
        height = np.maximum(height, _leaf(x, y, root, angle, length))
    height = np.maximum(height, _stem(x, y))
    for place in _berries():
        away = np.hypot(x - place[0], y - place[1])
        height = np.maximum(height, 22.0 * np.maximum(1.0 - (away / 20.0) ** 2, 0.0) ** 0.8)
    height = gaussian_filter(np.maximum(height, 0.0), RELIEF_SMOOTHING_CELLS)
    edge = np.minimum(RELIEF_MM[0] / 2.0 - np.abs(x), RELIEF_MM[1] / 2.0 - np.abs(y))
    frame = 12.0 * ramp(edge, 32.0, 26.0) * ramp(edge, 0.0, 8.0) - 4.0 * bump(edge, 17.0, 3.5)
    return PLATE_MM + height + frame


def _stem_at(t: float) -> tuple[NDArray[np.float64], float]:
    """Return the place (2,) and the direction (radians) of the stem at `t` from 0 to 1."""
    knots = np.linspace(0.0, 1.0, len(STEM))
    curve = PchipInterpolator(knots, STEM, axis=0)
    slope = curve.derivative()(t)
    return curve(t), float(np.arctan2(slope[1], slope[0]))


def _leaves() -> list[tuple[NDArray[np.float64], float, float]]:
    """Return root, direction and length of each leaf, in pairs up the stem and one at its tip."""
    leaves = []
    for t, length in ((0.16, 138.0), (0.34, 150.0), (0.52, 146.0), (0.70, 128.0), (0.86, 98.0)):
        for side in (-1.0, 1.0):
            place, along = _stem_at(t + 0.03 * side)
            leaves.append((place, along + side * (0.95 - 0.25 * t), length))
    place, along = _stem_at(0.98)
    leaves.append((place, along, 84.0))
    return leaves


def _berries() -> list[tuple[float, float]]:
    left = [(-250.0, -62.0), (-222.0, -38.0), (-258.0, -26.0)]
    return [*left, (212.0, -122.0), (241.0, -99.0), (206.0, -86.0)]


def _leaf(x: Field, y: Field, root: NDArray[np.float64], angle: float, length: float) -> Field:
    """Shape one leaf: domed, with a sunk midrib and side veins; below 0 outside its outline."""
    dx, dy = x - root[0], y - root[1]
    u = (dx * np.cos(angle) + dy * np.sin(angle)) / length
    v = -dx * np.sin(angle) + dy * np.cos(angle)
    v = v - 0.10 * length * np.sin(np.pi * np.clip(u, 0.0, 1.0)) * np.sign(angle)
    inside = np.clip(u, 0.0, 1.0)
    half = 0.23 * length * np.sin(np.pi * inside**0.75) + 0.5
    t = np.abs(v) / half
    dome = 24.0 * np.maximum(1.0 - t * t, 0.0) ** 0.8 * (0.55 + 0.45 * np.sin(np.pi * inside))
    midrib = 5.5 * bump(v, 0.0, 5.0) * ramp(u, 1.0, 0.8)
    phase = 6.0 * (u - 0.35 * np.abs(v) / (0.23 * length))
    veins = 2.6 * bump(phase - np.round(phase), 0.0, 0.2) * ramp(t, 1.0, 0.7)
    return np.where((u > 0.0) & (u < 1.0) & (t < 1.0), dome - midrib - veins, 0.0)


def _stem(x: Field, y: Field) -> Field:
    """Run a half-round stem along its curve, thinner towards the tip."""
    t = np.linspace(0.0, 1.0, 240)
    line = PchipInterpolator(np.linspace(0.0, 1.0, len(STEM)), STEM, axis=0)(t)
    height = np.zeros_like(x)
    for (px, py), along in zip(line, t, strict=True):
        radius = 13.0 - 6.0 * along
        away = np.hypot(x - px, y - py)
        height = np.maximum(height, 1.7 * radius * np.maximum(1.0 - (away / (1.3 * radius)) ** 2, 0.0) ** 0.8)
    return height
