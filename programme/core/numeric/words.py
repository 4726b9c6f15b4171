"""Counts in words, as every page, paper and message writes them."""


def count_of(n: float, thing: str) -> str:
    """Return '1 unit' or '2.5 units'."""
    return f"{n:g} {thing}" + ("" if n == 1 else "s")
