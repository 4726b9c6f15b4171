"""Names of fields in words."""

import pytest

from programme.custody.numeric.labels import label_of


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("hb_ceiling_g_l", "Hb ceiling [g/L]"),
        ("hbs_pct", "HbS [%]"),
        ("red_cells_in_ml", "Red cells in [mL]"),
        ("donor_hb_g", "Donor Hb [g]"),
        ("hb_g", "Hb [g]"),
        ("shortest_interval_days", "Shortest interval [days]"),
        ("abo", "ABO"),
        ("on", "On"),
    ],
)
def test_a_field_is_told_with_its_unit(name, said):
    assert label_of(name) == said
