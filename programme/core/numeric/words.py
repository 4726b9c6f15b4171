"""Counts and lists in words, as every page, paper and message writes them."""

from collections.abc import Sequence


def count_of(n: float, thing: str, things: str = "") -> str:
    """Return '1 unit' or '2.5 units'; things: how more than one are called, where that is not by an s."""
    return f"{n if isinstance(n, int) else format(n, 'g')} {thing if n == 1 else things or thing + 's'}"


def listed(parts: Sequence[str]) -> str:
    """Return 'a', 'a and b' or 'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def spans_of(numbers: Sequence[int]) -> str:
    """Return '3, 5 to 24' for ascending whole numbers; '' for none."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    return ", ".join(f"{span[0]} to {span[-1]}" if len(span) > 1 else f"{span[0]}" for span in spans)
