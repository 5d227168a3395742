"""Times of curing at the shop's temperature."""

from moldplan.cards.model import Settings

#: Rates double for so many degrees: a common rule with exceptions, read through another's copy.
_DOUBLES_C = 10.0


def times_longer(*, from_c: float, to_c: float) -> float:
    """Return by what factor times grow from one temperature to another: half for every 10 C warmer.

    Notes
    -----
    ``t2 = t1 * 2^(-(T2 - T1) / 10)``, a common rule, relayed, with exceptions: the product's data sheet wins.
    """
    return float(2.0 ** (-(to_c - from_c) / _DOUBLES_C))


def scaled_min(name: str, settings: Settings) -> float:
    """Return a time of the rubber's card (minutes at ``rubber.times_at_c``) at ``shop.temperature_c``."""
    longer = times_longer(
        from_c=settings.number("rubber.times_at_c"), to_c=settings.number("shop.temperature_c")
    )
    return settings.number(name) * longer
