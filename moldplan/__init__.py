"""moldplan plans brush-on rubber moulds with rigid jackets for glass-fibre figures, from the pattern's mesh.

The public functions, in the order the work flows (imported when first used, so that ``import moldplan`` is
quick): `load_pattern`, `find_splits`, `cut`, `plan_mould`, `plan_job`. Everything refused on purpose is a
`moldplan.errors.MoldplanError`.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from moldplan.cards import resolve_settings
    from moldplan.half import cut
    from moldplan.mould import plan_mould
    from moldplan.pattern import load_pattern
    from moldplan.plan import plan_job
    from moldplan.split import find_splits

__all__ = ["cut", "find_splits", "load_pattern", "plan_job", "plan_mould", "resolve_settings"]

_HOMES = {
    "load_pattern": "moldplan.pattern",
    "resolve_settings": "moldplan.cards",
    "find_splits": "moldplan.split",
    "cut": "moldplan.half",
    "plan_mould": "moldplan.mould",
    "plan_job": "moldplan.plan",
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 - whatever the name stands for
    """Import a public function when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'moldplan' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
