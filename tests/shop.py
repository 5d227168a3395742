"""Settings for tests, straight from the built-in cards."""

from dataclasses import replace
from types import MappingProxyType

from moldplan.cards import Settings, resolve_settings


def shop_settings(**overrides: float | str) -> Settings:
    """Return the built-in settings with some values changed, without any range check.

    Names are written with two underscores for the dot: ``shop_settings(mould__skin_mm=0.0)``; values are
    numbers in the unit that the name ends in.
    """
    by_name = dict(resolve_settings())
    for key, value in overrides.items():
        name = key.replace("__", ".")
        held = value if isinstance(value, str) else float(value)
        by_name[name] = replace(by_name[name], value=held, origin="test")
    return Settings(MappingProxyType(by_name))
