"""Choosing the split: planes worth comparing, measured as moulds, side by side.

`rank_splits` is the whole stage; its result is `moldplan.choice.model.Ranking`.
"""

from moldplan.choice.rank import rank_splits

__all__ = ["rank_splits"]
