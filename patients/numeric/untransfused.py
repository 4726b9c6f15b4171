"""HbS share of a person without donor cells, where nobody has measured it.

In SC disease the followed quantity is HbS + HbC, and so is this share. Where nothing is known of the genotype the
site's setting `untransfused_default_pct` counts.
"""

BY_GENOTYPE_PCT: dict[str, float] = {"SS": 87.0, "Sb0": 85.0, "Sb+": 70.0, "SC": 95.0}
"""SS: 87 ± 10 % in the transfusion arm of the STOP trial before the first transfusion (Cochrane review CD012389,
table of characteristics). The other three are from memory: the site records each person's own figure as soon as there
is one."""

RANGE_PCT = (30.0, 100.0)
"""What can be recorded for a person. Chosen here; not from a source."""


def untransfused_share_pct(*, recorded_pct: float | None, genotype: str, default_pct: float) -> float:
    """Return the untransfused share [%]: as recorded for the person, else by genotype, else the site's default.

    recorded_pct: [%], None where nobody recorded it. genotype: as stored ('' unknown). default_pct: [%].
    """
    if recorded_pct is not None:
        return recorded_pct
    return BY_GENOTYPE_PCT.get(genotype, default_pct)
