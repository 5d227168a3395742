"""Values of moldplan as plain text and numbers, and back, to the last bit.

A value becomes a tree of JSON and a list of arrays (`Packed`). Known are None, bool, int, float, str, tuple,
list, dict, read-only views of a dict, numpy arrays and numbers, shapely geometries, paths, and the frozen
dataclasses and enums of `MODULES`, by name. No code is ever taken from a kept value, as pickle would: a name
outside `MODULES` is refused. An object that stands in two places comes back as one object. What a value works
out when first asked for (`cached_property`) is not kept.
"""

# ruff: noqa: ANN401 - what is kept is of any kind

import dataclasses
import enum
import hashlib
import importlib
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePath
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

Bytes = NDArray[np.uint8]

#: The only modules whose frozen dataclasses and enums are kept.
MODULES: Final = (
    "moldplan.cards.model",
    "moldplan.choice.model",
    "moldplan.columns.grid",
    "moldplan.findings",
    "moldplan.half.model",
    "moldplan.mould.model",
    "moldplan.pattern.limits",
    "moldplan.pattern.model",
    "moldplan.split.model",
    "moldplan.split.region",
    "moldplan.split.search",
)
#: Kinds of numbers an array may hold: bool, int, unsigned, float, complex.
_KINDS: Final = "biufc"


class UnknownKindError(TypeError):
    """A value of a kind that is not kept: a fault of the program, or an entry that somebody else wrote."""


@dataclasses.dataclass(frozen=True, kw_only=True)
class Packed:
    """A value taken apart: a tree for JSON, and the bytes of its arrays and geometries in order."""

    tree: Any
    blobs: tuple[Bytes, ...]


def packed(value: object) -> Packed:
    """Return `value` taken apart.

    Raises
    ------
    UnknownKindError
        When it holds anything that is not kept.
    """
    blobs: list[Bytes] = []

    def keep(data: Bytes) -> int:
        blobs.append(data)
        return len(blobs) - 1

    tree = _Packer(keep, sharing=True).tree(value)
    return Packed(tree=tree, blobs=tuple(blobs))


def unpacked(tree: Any, blobs: Sequence[Bytes]) -> Any:
    """Return the value that was taken apart; arrays are views of `blobs`, read-only where they were.

    Raises
    ------
    UnknownKindError, ValueError, TypeError, LookupError, AttributeError
        When it is no such tree.
    """
    return _Unpacker(blobs).value(tree)


def content_key(*parts: object) -> str:
    """Return the SHA-256, in hex digits, of what `parts` hold; equal contents give equal keys.

    Raises
    ------
    UnknownKindError
        When a part holds anything that is not kept.
    """
    tree = _Packer(lambda data: hashlib.sha256(data.data).hexdigest(), sharing=False).tree(parts)
    return hashlib.sha256(json.dumps(tree, ensure_ascii=True).encode()).hexdigest()


class _Packer:
    """Take values apart; `keep` is given the bytes of arrays and returns what stands for them in the tree."""

    def __init__(self, keep: Callable[[Bytes], int | str], *, sharing: bool) -> None:
        self._keep = keep
        self._sharing = sharing
        self._seen: dict[int, int] = {}
        self._held: list[object] = []  # so that no number of an object is given twice

    def tree(self, value: object) -> Any:  # noqa: PLR0911 - one kind of value a line
        """Return the tree of one value."""
        if value is None or type(value) in (bool, int, float, str):
            return value
        if isinstance(value, enum.Enum):
            return ["enum", _known_name(type(value)), value.name]
        if type(value) in (tuple, list):
            return [type(value).__name__, *(self.tree(item) for item in value)]  # type: ignore[attr-defined] # both can be walked
        if type(value) in (dict, MappingProxyType):
            assert isinstance(value, Mapping)  # noqa: S101 - both are; told to the type checker
            kind = "dict" if type(value) is dict else "view"
            return [kind, *([self.tree(key), self.tree(item)] for key, item in value.items())]
        if isinstance(value, PurePath):
            return ["path", str(value)]
        if isinstance(value, np.generic):
            return ["number", _dtype_name(value.dtype), value.tobytes().hex()]
        return self._shared(value)

    def _shared(self, value: object) -> Any:
        """Return the tree of a value that may stand in several places."""
        if not self._sharing:
            return self._whole(value)
        known = self._seen.get(id(value))
        if known is not None:
            return ["same", known]
        tree = self._whole(value)
        self._seen[id(value)] = len(self._held)
        self._held.append(value)
        return tree

    def _whole(self, value: object) -> Any:
        if isinstance(value, np.ndarray):
            return self._array(value)
        if isinstance(value, BaseGeometry):
            data = np.frombuffer(shapely.to_wkb(value), dtype=np.uint8)
            return ["geometry", self._keep(data), float(shapely.get_precision(value))]
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            name = _known_name(type(value))
            held = {item.name: self.tree(getattr(value, item.name)) for item in dataclasses.fields(value)}
            return ["value", name, held]
        raise UnknownKindError(f"{type(value).__module__}.{type(value).__qualname__} is no kind that is kept")

    def _array(self, array: NDArray[Any]) -> Any:
        """Return the tree of an array, its axes in the order in which they lie in memory."""
        wide = _dtype_name(array.dtype)
        axes = sorted(range(array.ndim), key=lambda axis: -abs(array.strides[axis]))
        laid = array.transpose(axes)
        narrow = _narrowed(np.ascontiguousarray(laid))
        # a key does not ask who may write into an array
        writable = array.flags.writeable if self._sharing else False
        data = narrow.reshape(-1).view(np.uint8)
        return ["array", self._keep(data), wide, narrow.dtype.str, list(laid.shape), axes, writable]


class _Unpacker:
    """Put values together again."""

    def __init__(self, blobs: Sequence[Bytes]) -> None:
        self._blobs = blobs
        self._made: list[Any] = []

    def value(self, tree: Any) -> Any:  # noqa: PLR0911 - one kind of value a line
        """Return the value of one tree."""
        if tree is None or type(tree) in (bool, int, float, str):
            return tree
        kind, *rest = tree
        match kind:
            case "tuple":
                return tuple(self.value(item) for item in rest)
            case "list":
                return [self.value(item) for item in rest]
            case "dict" | "view":
                held = {self.value(key): self.value(item) for key, item in rest}
                return held if kind == "dict" else MappingProxyType(held)
            case "path":
                return Path(rest[0])
            case "number":
                return np.frombuffer(bytes.fromhex(rest[1]), dtype=_dtype(rest[0]))[0]
            case "enum":
                return _known(rest[0], enum.Enum)[rest[1]]
            case "same":
                return self._made[rest[0]]
        made = self._whole(kind, rest)
        self._made.append(made)
        return made

    def _whole(self, kind: object, rest: list[Any]) -> Any:
        match kind:
            case "array":
                return self._array(*rest)
            case "geometry":
                geometry = shapely.from_wkb(self._blobs[rest[0]].tobytes())
                return (
                    geometry if rest[1] == 0.0 else shapely.set_precision(geometry, rest[1], mode="pointwise")
                )
            case "value":
                return self._dataclass(*rest)
        raise UnknownKindError(f"{kind!r} is no kind that is kept")

    def _dataclass(self, name: str, held: dict[str, Any]) -> Any:
        cls = _known(name, object)
        if list(held) != [item.name for item in dataclasses.fields(cls)]:
            raise UnknownKindError(f"{name} has other fields")
        return cls(**{field: self.value(tree) for field, tree in held.items()})

    def _array(  # noqa: PLR0913, PLR0917 - what an array is made of
        self,
        blob: int,
        wide: str,
        narrow: str,
        shape: list[int],
        axes: list[int],
        writable: bool,  # noqa: FBT001
    ) -> NDArray[Any]:
        flat = self._blobs[blob].view(_dtype(narrow)).reshape(shape)
        back = sorted(range(len(axes)), key=axes.__getitem__)
        array: NDArray[Any] = flat.astype(_dtype(wide), copy=writable).transpose(back)
        array.flags.writeable = writable
        return array


def _narrowed(array: NDArray[Any]) -> NDArray[Any]:
    """Return numbers of faces and the like as 32 bit where that loses nothing: half the bytes."""
    if array.dtype != np.int64 or not array.size:
        return array
    limits = np.iinfo(np.int32)
    fits = limits.min <= int(array.min()) and int(array.max()) <= limits.max
    return array.astype(np.int32) if fits else array


def _dtype_name(dtype: np.dtype[Any]) -> str:
    """Return the name of a kind of numbers that is kept."""
    if dtype.kind not in _KINDS:
        raise UnknownKindError(f"arrays of {dtype} are not kept")
    return dtype.str


def _dtype(name: object) -> np.dtype[Any]:
    """Return the kind of numbers that `_dtype_name` named."""
    if not isinstance(name, str):
        raise UnknownKindError(f"{name!r} is no kind of numbers")
    dtype = np.dtype(name)
    _dtype_name(dtype)
    return dtype


def _known_name(cls: type) -> str:
    """Return the name of a class that is kept."""
    if cls.__module__ not in MODULES or "<locals>" in cls.__qualname__ or not _is_kept(cls):
        raise UnknownKindError(f"{cls.__module__}.{cls.__qualname__} is no value that is kept")
    return f"{cls.__module__}:{cls.__qualname__}"


def _known(name: object, base: type) -> Any:
    """Return the class that `_known_name` named; it derives from `base`."""
    module, _, inner = str(name).partition(":")
    if module not in MODULES:
        raise UnknownKindError(f"{name!r} is no value that is kept")
    cls = getattr(importlib.import_module(module), inner, None)
    if (
        not isinstance(cls, type)
        or cls.__module__ != module
        or not _is_kept(cls)
        or not issubclass(cls, base)
    ):
        raise UnknownKindError(f"{name!r} is no value that is kept")
    return cls


def _is_kept(cls: type) -> bool:
    """Whether a class is an enum or a frozen dataclass all of whose fields are given when it is made."""
    if issubclass(cls, enum.Enum):
        return True
    if not dataclasses.is_dataclass(cls):
        return False
    frozen: bool = cls.__dataclass_params__.frozen  # type: ignore[attr-defined] # dataclasses does not tell it otherwise
    return frozen and all(item.init for item in dataclasses.fields(cls))
