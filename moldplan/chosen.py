"""Taking up an answer of an earlier ranking: `split.json` read back, refused for another figure."""

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from moldplan.cards.lines import read_ordinary
from moldplan.errors import InputError, UnitError
from moldplan.pattern.model import Pattern
from moldplan.release import package_version
from moldplan.split import Plane
from moldplan.split.model import Known
from moldplan.units import Axis, parse_axis

#: What the ranking is called in its folder.
SPLIT_FILE: Final = "split.json"
#: Sizes that differ by less than this share are the same: the height was given as a text both times.
SAME_SIZE: Final = 1e-6
#: A ranking holds a few answers, a few hundred kB; what is larger is some other file.
LARGEST_BYTES: Final = 16_000_000

_MM3_PER_L: Final = 1e6


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """One answer of a ranking, and what the ranking was made of."""

    file: Path
    number: int
    plane: Plane
    sha256: str
    size_mm: tuple[float, float, float]
    up: Axis
    front: Axis
    others: tuple[Known, ...]
    """The other answers of the ranking, in its order."""

    @property
    def height_mm(self) -> float:
        """How tall the figure was."""
        return self.size_mm["xyz".index(self.up[1])]


def read_chosen(folder: Path, number: int) -> Chosen:
    """Return answer `number` of the ranking in `folder` (or of a `split.json` itself).

    Raises
    ------
    InputError
        When there is no such file or answer, or another version of moldplan made it.
    """
    file = folder / SPLIT_FILE if folder.is_dir() else folder
    document = _document(file)
    try:
        return _chosen(file, document, number)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, UnitError) as error:
        raise InputError(
            f"{file}: is no ranking of moldplan: make one with: moldplan split PATTERN"
        ) from error


def check_chosen(chosen: Chosen, pattern: Pattern) -> None:
    """Refuse an answer that was worked out for another figure.

    Raises
    ------
    InputError
        Naming what differs: the pattern's file, its size, or the way it stands.
    """
    again = "run moldplan split again, or give what the ranking was made with"
    if pattern.survey.sha256 != chosen.sha256:
        raise InputError(
            f"{chosen.file}: was made from another pattern than {pattern.survey.file_name}: {again}"
        )
    if (pattern.up, pattern.front) != (chosen.up, chosen.front):
        raise InputError(
            f"{chosen.file}: was made with {chosen.up} up and {chosen.front} in front, now it is "
            f"{pattern.up} and {pattern.front}: {again}"
        )
    now, then = pattern.size_mm, chosen.size_mm
    if any(abs(a - b) > SAME_SIZE * b for a, b in zip(now, then, strict=True)):
        along = "xyz".index(chosen.up[1])
        raise InputError(
            f"{chosen.file}: was made for a figure {then[along]:.1f} mm tall, this one is "
            f"{now[along]:.1f} mm: {again}"
        )


def _document(file: Path) -> dict[str, Any]:
    """Return the document in a file."""
    try:
        raw = read_ordinary(file, most_bytes=LARGEST_BYTES + 1)
        fits = len(raw) <= LARGEST_BYTES
        document = json.loads(raw.decode("utf-8"), parse_constant=_no_number) if fits else None
    except FileNotFoundError as error:
        raise InputError(
            f"{file}: there is no ranking: make one with: moldplan split PATTERN --out {file.parent}"
        ) from error
    except RecursionError as error:
        raise InputError(f"{file}: is nested too deep for a ranking: run moldplan split again") from error
    except (OSError, ValueError) as error:  # broken text, broken JSON, numbers of thousands of digits
        raise InputError(f"{file}: cannot be read as JSON ({error}): run moldplan split again") from error
    if not isinstance(document, dict) or "answers" not in document:
        raise InputError(f"{file}: is no ranking of moldplan: make one with: moldplan split PATTERN")
    made_by, now = document.get("moldplan"), package_version()
    if made_by != now:
        raise InputError(
            f"{file}: was made by moldplan {str(made_by)[:40]}, this is {now}, whose answers may differ: "
            "run moldplan split again"
        )
    return document


def _no_number(word: str) -> float:
    """Refuse NaN and Infinity, which JSON does not have."""
    raise ValueError(f"{word} is no number")


def _numbers(values: Any) -> tuple[float, float, float]:  # noqa: ANN401 - JSON
    """Return three finite numbers."""
    a, b, c = (float(value) for value in values)
    if not (math.isfinite(a) and math.isfinite(b) and math.isfinite(c)):  # 1e999 is read as infinite
        raise ValueError("no finite number")
    return a, b, c


def _chosen(file: Path, document: dict[str, Any], number: int) -> Chosen:
    """Return one answer of a document."""
    pattern, answers = document["pattern"], {answer["number"]: answer for answer in document["answers"]}
    if number not in answers:
        raise InputError(f"{file}: has no answer {number}: it holds 1 to {len(answers)}")
    known = {key: _known(answer) for key, answer in answers.items()}
    size = _numbers(pattern["size_mm"])
    if min(size) <= 0.0:
        raise ValueError("a size that is none")
    return Chosen(
        file=file,
        number=number,
        plane=known[number].plane,
        sha256=str(pattern["sha256"]),
        size_mm=size,
        up=parse_axis(pattern["up"], what="up"),
        front=parse_axis(pattern["front"], what="front"),
        others=tuple(item for key, item in known.items() if key != number),
    )


def _known(answer: dict[str, Any]) -> Known:
    """Return what a document says of one answer's plane."""
    normal = _numbers(answer["normal"])
    offset_mm, undercut_l, _ = _numbers((answer["offset_mm"], answer["measures"]["undercut_l"], 0.0))
    if not math.isclose(math.hypot(*normal), 1.0, rel_tol=SAME_SIZE):
        raise ValueError("a normal that is not of length 1")
    return Known(plane=Plane(normal=normal, offset_mm=offset_mm), undercut_mm3=undercut_l * _MM3_PER_L)
