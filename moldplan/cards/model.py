"""Settings as values that know where they come from."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Tag = Literal["source", "practice", "memory", "derived", "invented"]


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One value a stage uses: `name` is "kind.key" with the unit in the key, like "rubber.density_kg_l"."""

    name: str
    value: float | str
    unit: str
    tag: Tag
    note: str
    origin: str
    """Where the value was taken from, for people: "built-in card silicone-brush", "job file, line 12" ..."""


@dataclass(frozen=True)
class Settings(Mapping[str, Setting]):
    """All settings of a plan, by name."""

    by_name: Mapping[str, Setting]

    def __getitem__(self, name: str) -> Setting:
        """Return the setting called `name`; KeyError when no card knows it (a programming fault)."""
        return self.by_name[name]

    def __iter__(self) -> Iterator[str]:
        """Walk over the names."""
        return iter(self.by_name)

    def __len__(self) -> int:
        """How many settings there are."""
        return len(self.by_name)

    def __reduce__(self) -> tuple[Callable[[dict[str, Setting]], "Settings"], tuple[dict[str, Setting]]]:
        """Pickle as a plain dictionary: read-only views cannot be sent to another process."""
        return _settings, (dict(self.by_name),)

    def number(self, name: str) -> float:
        """Return the number called `name`, in the unit its name ends in."""
        value = self.by_name[name].value
        if isinstance(value, str):
            raise TypeError(f"setting {name} is text, not a number")
        return float(value)

    def text(self, name: str) -> str:
        """Return the text called `name`."""
        return str(self.by_name[name].value)


def _settings(by_name: dict[str, Setting]) -> Settings:
    """Return settings from another process."""
    return Settings(MappingProxyType(by_name))
