"""Chances as people read them: so many of 100, and never as none or all."""

__all__ = ["of_100"]


def of_100(chance: float) -> str:
    """Return a chance as a natural frequency.

    Examples
    --------
    >>> of_100(0.034), of_100(0.002), of_100(0.9971)
    ('3 of 100', 'fewer than 1 of 100', 'more than 99 of 100')
    """
    count = round(100 * chance)
    if count in (0, 100):
        return "more than 99 of 100" if count else "fewer than 1 of 100"
    return f"{count} of 100"
