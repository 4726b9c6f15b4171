"""What stops a start, one answer at a time."""

from dataclasses import replace
from datetime import date

import pytest

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.starting import Answers, findings

TODAY = date(2026, 6, 1)
FIT = Answers(
    name_and_birth="yes",
    wristband="SM-042",
    patient_ref="SM-042",
    consent_until=date(2026, 9, 1),
    today=TODAY,
    infection="no",
    pregnancy="not_pregnant",
    access="in",
    medicines="held",
    systolic_mmhg=118,
    temp_c=36.8,
    observations_age_min=10,
    weight_kg=60,
    weight_age_days=20,
    age_years=32,
)


def found(**changed: object) -> list[tuple[str, bool]]:
    return [(one.name, one.may_go_on) for one in findings(replace(FIT, **changed), DEFAULTS)]  # type: ignore[arg-type]


def test_somebody_fit_may_start() -> None:
    assert found() == []


@pytest.mark.parametrize(
    ("changed", "name"),
    [
        ({"name_and_birth": ""}, "name_and_birth"),
        ({"name_and_birth": "no"}, "name_and_birth"),
        ({"wristband": ""}, "wristband"),
        ({"wristband": "SM-024"}, "wristband"),
        ({"systolic_mmhg": 89}, "bp_sys"),  # under 90: a local protocol of a US hospital, scribd.com/doc/134704004
        ({"systolic_mmhg": None}, "bp_sys"),
        ({"access": ""}, "access"),
        ({"access": "failed"}, "access"),
        ({"observations_age_min": 61}, "taken_at"),  # at most 60 min old, Royal Marsden Manual 12.21
        ({"infection": ""}, "infection"),
        ({"pregnancy": ""}, "pregnancy"),
        ({"medicines": ""}, "medicines"),
        ({"weight_kg": 38, "weight_age_days": 36}, "weight"),
        ({"age_years": 15, "weight_age_days": 36}, "weight"),
        ({"age_years": 15, "weight_age_days": None}, "weight"),
    ],
)
def test_what_nobody_can_let_pass(changed: dict[str, object], name: str) -> None:
    assert found(**changed) == [(name, False)]


@pytest.mark.parametrize(
    ("changed", "name"),
    [
        ({"consent_until": None}, "consent"),
        ({"consent_until": date(2026, 5, 31)}, "consent"),
        ({"no_unit": "No crossmatch sample is recorded."}, "blood"),
        ({"infection": "yes"}, "infection"),
        ({"temp_c": 38.0}, "infection"),
        ({"pregnancy": "may_be"}, "pregnancy"),
        ({"pregnancy": "pregnant"}, "pregnancy"),
        ({"medicines": "not_held"}, "medicines"),
        ({"weight_age_days": 93}, "weight"),
    ],
)
def test_what_the_prescriber_may_let_pass_with_a_reason(changed: dict[str, object], name: str) -> None:
    assert found(**changed) == [(name, True)]


def test_limits_themselves_are_allowed_and_a_wristband_reads_in_any_case() -> None:
    assert found(systolic_mmhg=90, observations_age_min=60, weight_age_days=92, wristband=" sm-042 ") == []
    assert found(consent_until=TODAY, temp_c=37.9, pregnancy="cannot_be", medicines="none") == []


def test_what_cannot_pass_is_said_first() -> None:
    assert found(consent_until=None, systolic_mmhg=80) == [("bp_sys", False), ("consent", True)]
