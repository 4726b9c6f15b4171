"""How long a session takes, by its method."""

from collections.abc import Mapping

ONE_ARM, AUTOMATED = "one_arm", "automated"


def minutes_a_unit(method: str, settings: Mapping[str, float]) -> float:
    """Minutes that one unit takes by this method, as the site has set them; two arms by hand where none is known.

    With one arm blood is drawn and the unit given one after the other, so a unit takes longer. Common practice.
    """
    if method == ONE_ARM:
        return settings["minutes_a_unit_one_arm"]
    return settings["minutes_a_unit_automated"] if method == AUTOMATED else settings["minutes_a_unit"]
