"""Stages that are not computed again: what came of them is kept in a folder, found by what went into them.

`open_cache` gives the `Cache`; its `stage` takes a kept value or computes and keeps one. An entry is found by
the SHA-256 of everything that went into the stage and of the program itself (`moldplan.cache.program`), so
that a changed setting, mesh, card, source file or library never takes an old answer. A value that was kept
equals the computed one to the last bit.

Nothing here is needed for a right answer: an entry that is damaged, cut short or not moldplan's is thrown
away and computed again, and a folder that cannot be used is gone without, with a note.
"""

from moldplan.cache.folder import Cache, Usage, open_cache
from moldplan.cache.values import content_key

__all__ = ["Cache", "Usage", "content_key", "open_cache"]
