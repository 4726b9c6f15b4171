"""How much can have been given of a unit: what its label says, and what speaks against more than that."""

from collections.abc import Sequence

OVER_LABEL_SHARE = 0.10
"""So much over the label is not asked about: bags are weighed, and lines are flushed after them. Chosen here."""
UNLABELLED_ML = 450.0
"""More than this is no unit of red cells, whatever its label said. Chosen here. [mL]"""


def most_of_unit_ml(label_ml: float | None) -> float:
    """Return how much of a unit is taken without a question [mL]. label_ml: as on its label, None where not kept."""
    return UNLABELLED_ML if label_ml is None else (1.0 + OVER_LABEL_SHARE) * label_ml


def over_unit_words(place: int, in_ml: float, label_ml: float | None) -> str:
    """Return what speaks against so much of one unit [mL], without a full stop; '' where nothing does."""
    if in_ml <= most_of_unit_ml(label_ml):
        return ""
    return f"{in_ml:,.0f} mL of unit {place} {more_words(label_ml)}"


def more_words(label_ml: float | None) -> str:
    """Return the end of the sentence: 'is more than the 258 mL on its label'."""
    if label_ml is None:
        return f"is more than {UNLABELLED_ML:.0f} mL, and its label volume is not kept here"
    return f"is more than the {label_ml:.0f} mL on its label"


def over_units_words(red_cells_in_ml: float, labels_ml: Sequence[float | None]) -> str:
    """Return what speaks against so much of several units together [mL], as `over_unit_words`.

    labels_ml: one for each unit; without any nothing is said.
    """
    n = len(labels_ml)
    if not n or red_cells_in_ml <= sum(most_of_unit_ml(label) for label in labels_ml):
        return ""
    each = "1 unit" if n == 1 else f"{n} units, {red_cells_in_ml / n:,.0f} mL each,"
    return f"{red_cells_in_ml:,.0f} mL of {each} {more_of_all_words(labels_ml)}"


def more_of_all_words(labels_ml: Sequence[float | None]) -> str:
    """Return the end of the sentence for units together: 'is more than the 516 mL on their labels'."""
    known = [label for label in labels_ml if label is not None]
    if len(labels_ml) == 1:
        return more_words(labels_ml[0])
    return f"is more than the {sum(known):,.0f} mL on their labels" if len(known) == len(labels_ml) else "is too much"
