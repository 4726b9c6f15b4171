"""Where it would end now, against the closed form of the continuous exchange and against random sampling."""

import math

import numpy as np
import pytest

from sessions.day.numeric.standing import ended_now
from sessions.numeric.exchange import Start, Step, run_many

START = Start(4000.0, 94.0, 30.0, 60.0)
SURE = {"hb_sd_g_l": 1.0, "hbs_sd_pct": 0.5}


def test_before_anything_is_done_it_would_end_where_it_began() -> None:
    now = ended_now(START, (), **SURE)
    assert now is not None
    assert (now.hb.value, now.hbs.value) == (94.0, 30.0)
    # Only the assays' spread: eight in ten of a normal spread lie within 1.2816 standard deviations.
    assert now.hb.high - now.hb.value == pytest.approx(1.2816, rel=1e-3)
    assert now.hbs.value - now.hbs.low == pytest.approx(0.6408, rel=1e-3)


def test_a_level_wash_out_follows_its_closed_form() -> None:
    """C = C0·e^(−a/V) for saline given level (Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74)."""
    now = ended_now(START, (Step("saline", 400, 400),), **SURE)
    assert now is not None
    assert now.hb.value == pytest.approx(94.0 * math.exp(-400 / 4000))
    assert now.hbs.value == pytest.approx(30.0)


def test_the_range_holds_eight_in_ten_of_drawn_errors() -> None:
    """Independent: errors drawn at random through the exact arithmetic, fixed seed."""
    steps = (Step("saline", 400, 400), Step("red_cells", 258, 250, 194.0), Step("red_cells", 258, 250, 194.0))
    now = ended_now(START, steps, **SURE)
    assert now is not None
    rng = np.random.default_rng(20260601)
    n = 20_000
    given, drawn = np.array([400.0, 258, 258]), np.array([400.0, 250, 250])
    many = run_many(
        blood_volume_ml=4000 * rng.normal(1, 0.10, n),
        hb_g_l=rng.normal(94, 1.0, n),
        hbs_pct=rng.normal(30, 0.5, n),
        in_ml=given * rng.normal(1, 0.03, (n, 1)),
        out_ml=drawn * rng.normal(1, 0.04, (n, 1)),
        cells_hb_g_l=np.array([0.0, 194, 194]) * np.column_stack([np.ones(n), *rng.normal(1, 0.1, (2, n))]),
    )
    for figure, values in ((now.hbs, many.hbs), (now.hb, many.hb_settled)):
        inside = np.mean((values >= figure.low) & (values <= figure.high))
        assert 0.78 < inside < 0.82


@pytest.mark.parametrize(
    "steps", [(Step("saline", 0, 4500),), (Step("red_cells", 258, 250, 0.0),)], ids=["more than there is", "no Hb"]
)
def test_volumes_that_cannot_be_say_nothing(steps: tuple[Step, ...]) -> None:
    assert ended_now(START, steps, **SURE) is None
