"""The choice of a split as a value: what each answer measures, and what a shop reads about it.

An *answer* is one plane that can be sawn, with its measures. All lengths mm, masses kg, volumes mm3.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from moldplan.cards.model import Settings
from moldplan.findings import Finding
from moldplan.half.model import Half, HalfName
from moldplan.mould.bands import Stretch
from moldplan.mould.model import Softening
from moldplan.pattern.model import Pattern
from moldplan.split.model import Plane, Splits

#: Answers of one kind part the figure the same way; SKEW ones lie well off all of the figure's own axes.
Kind = Literal["front/back", "left/right", "top/bottom", "skew"]


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A piece of the surface that the seam is to keep off: a face, lettering, a crest.

    `marked` (n,) says which of the pattern's vertices lie in it; a box has `low_mm`, `high_mm` (file axes, mm
    from the middle of the figure's bounding box) and clips exactly, whatever the triangles' size.
    """

    name: str
    marked: NDArray[np.bool_]
    points_mm: NDArray[np.float64]
    """Points (k, 3) on the patch, no two neighbours farther apart than about a third of the clean margin."""
    low_mm: tuple[float, float, float] | None = None
    high_mm: tuple[float, float, float] | None = None


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """What a shop wants of the split. None and False wish nothing.

    `pull` is a unit direction (3,) in the file's axes and `pull_called` the word it was given by; one of the
    halves is to come off along it, to `within_deg`.
    """

    seam_upright: bool = False
    pull: tuple[float, float, float] | None = None
    pull_called: str = ""
    within_deg: float = 10.0
    largest_board_mm: tuple[float, float] | None = None
    """Long side, short side."""
    heaviest_half_kg: float | None = None
    """Most that turning one half over may move: jacket, rubber and the heavier of pattern and cast."""
    keep_clean: tuple[Patch, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Broken:
    """One wish that an answer does not fulfil: which (as a person gave it), how it is, what was wished."""

    wish: str
    value: float
    limit: float
    unit: str
    share: float
    """By how much, as a share of the wish's own scale: to tell nearer answers from farther ones."""
    in_the_way: str = ""
    """The other wish that contradicts this one, where that is certain; else empty."""
    near: str = ""
    """How near the answer gets and what can be done, in words: "it leans 80 deg from upright"."""


@dataclass(frozen=True, kw_only=True)
class Seam:
    """The line the split leaves on the figure: how long, and where it is a nuisance.

    `front_mm` runs where the surface faces the figure's front within 60 deg: the plane down the middle of
    a face, not the one along the widest outline. `clean_mm` runs inside keep-clean patches, `near_mm`
    outside them but within the card's margin.
    """

    length_mm: float
    front_mm: float
    clean_mm: float
    near_mm: float
    clean_of: tuple[tuple[str, float], ...] = ()
    """Length inside each patch that the seam meets, by name."""


@dataclass(frozen=True, kw_only=True)
class HalfMeasures:
    """What one half of an answer measures."""

    name: HalfName
    called: str
    volume_mm3: float
    height_mm: float
    undercut_mm3: float
    deepest_undercut_mm: float
    """Greatest height of a gap along the pull."""
    loops: int
    """Closed loops of rubber, as `Undercut.links`."""
    pieces: int
    tunnels: int
    """Undercuts with two or more mouths."""
    rubber_mm3: float
    rubber_kg: float
    peel: Stretch
    coating_mm: tuple[float, float]
    jacketing_mm: tuple[float, float]
    sheets: int
    jacket_kg: float
    turning_kg: float
    tips_deg: float
    """By how much the board may tilt before the half, lying loose on its sawn face, tips over; 0 or
    less when it does not lie at all."""


@dataclass(frozen=True, kw_only=True)
class Measures:
    """What one plane measures, both halves together where nothing else is said."""

    undercut_mm3: float
    locked_mm3: float
    """Locked from every side: no divide line of any shape, pulled along this normal, leaves less."""
    rubber_kg: float
    skin_kg: float
    fill_kg: float
    """All rubber that is not skin: undercuts filled, draft and edge."""
    rubber_cost: float
    """In the shop's own money."""
    fill_cost: float
    seam: Seam
    halves: tuple[HalfMeasures, HalfMeasures]

    @property
    def deepest_undercut_mm(self) -> float:
        """Greatest height of a gap in either half."""
        return max(half.deepest_undercut_mm for half in self.halves)

    @property
    def peel_strain(self) -> float:
        """The larger stretch of the two."""
        return max(half.peel.strain for half in self.halves)

    @property
    def loops(self) -> int:
        """Closed loops of rubber in both halves."""
        return sum(half.loops for half in self.halves)

    @property
    def tunnels(self) -> int:
        """Undercuts that go right through, in both halves."""
        return sum(half.tunnels for half in self.halves)

    @property
    def pieces(self) -> int:
        """Pieces that the saw leaves, 2 at the least."""
        return sum(half.pieces for half in self.halves)

    @property
    def deepest_half_mm(self) -> float:
        """Height of the higher half: how far a hand has to reach into its mould."""
        return max(half.height_mm for half in self.halves)

    @property
    def board_sheets(self) -> int:
        """Stock sheets for both boards."""
        return sum(half.sheets for half in self.halves)

    @property
    def jacket_kg(self) -> float:
        """Both jackets."""
        return sum(half.jacket_kg for half in self.halves)

    @property
    def turning_kg(self) -> float:
        """The heavier half to turn over."""
        return max(half.turning_kg for half in self.halves)

    @property
    def tips_deg(self) -> float:
        """The less steady half."""
        return min(half.tips_deg for half in self.halves)


@dataclass(frozen=True, kw_only=True)
class Saw:
    """How a shop marks the plane: square to one of the figure's axes, then turned and leaned whole degrees.

    The normal is ``axis + tan(first) * next axis + tan(second) * the axis after`` in the figure's frame
    (front, left, up), scaled to length 1.
    """

    axis: int
    """0 front, 1 left, 2 up."""
    first_deg: int
    second_deg: int
    words: str
    """For people: "square to the front, turned 3 deg to the left, leaning 12 deg up"."""


@dataclass(frozen=True, kw_only=True)
class Worst:
    """The worst plane within what a saw is off: that far in angle and offset from the answer's."""

    plane: Plane
    angle_deg: float
    offset_mm: float
    undercut_mm3: float
    rubber_kg: float


@dataclass(frozen=True, kw_only=True)
class Answer:
    """One way to split, rounded to what can be sawn, and measured on the whole mesh."""

    number: int
    kind: Kind
    called: tuple[str, str]
    plane: Plane
    saw: Saw
    measures: Measures
    worst: Worst | None
    """None for answers that are not shown."""
    found: Plane
    """The search's own plane before rounding."""
    found_undercut_mm3: float
    found_light_mm3: float
    """The same on the lighter copy that was searched."""
    on_front: bool
    """Whether no other answer is as good in every measure and better in one."""
    shown: bool
    broken: tuple[Broken, ...]
    score: float
    """Weighed sum the answers are ordered by; 0 is best."""
    sentence: str
    """What it is good for and what it costs against the others, in shop words."""
    softening: tuple[Softening, ...] = ()
    halves: tuple[Half, Half] | None = None
    """The halves on their boards, for drawing; None for answers that are not shown."""


@dataclass(frozen=True, kw_only=True)
class Ranking:
    """The answers, best first, and what they were found with.

    The shown ones come first. Every answer of the Pareto front is in it; one that is not on the front is
    shown only when its kind would be missing otherwise.
    """

    job: str
    made: str
    version: str
    pattern: Pattern
    settings: Settings
    wishes: Wishes
    splits: Splits
    answers: tuple[Answer, ...]
    findings: tuple[Finding, ...]

    @property
    def shown(self) -> tuple[Answer, ...]:
        """The answers to look at side by side."""
        return tuple(answer for answer in self.answers if answer.shown)
