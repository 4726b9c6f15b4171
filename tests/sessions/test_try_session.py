"""The command that works one session out by hand: its names, its arithmetic and its refusals."""

import json

import pytest
from django.core.management import ManagementUtility

from sessions.numeric.exchange import UNIT_HB_G_L, Start, Step, run_steps

PERSON = ["--sex", "F", "--height-cm", "165", "--weight-kg", "60", "--hb-pre", "85", "--hbs-pre", "45"]
STEPS = ["--step", "saline:375:375", "--step", "red_cells:270:330:190"]
NAMES = {
    "blood_volume_ml", "hb_post_g_l", "hbs_post_pct", "own_cells_left_pct", "hbs_left_pct", "donor_hb_given_g",
    "donor_hb_kept_pct", "deepest_deficit_ml", "deepest_deficit_ml_per_kg", "largest_excess_ml", "net_iron_mg",
    "end_balance_ml", "hb_settled_g_l", "steps",
}  # fmt: skip


@pytest.fixture
def try_session(capsys):
    """Runs the command as from a shell, with the database blocked; gives exit status, standard output and
    error."""

    def run(*arguments):
        status = 0
        try:
            ManagementUtility(["manage.py", "try_session", *arguments]).execute()
        except SystemExit as end:
            status = end.code
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


def test_prints_one_object_with_every_name_and_nothing_else(try_session):
    status, out, err = try_session(*PERSON, *STEPS, "--format", "json")
    outcome = json.loads(out)
    assert status == 0
    assert outcome.keys() >= NAMES
    assert [step.keys() >= {"hb_g_l", "hbs_pct", "balance_ml"} for step in outcome["steps"]] == [True, True]
    assert "Nadler 1962 for a woman" in err
    assert "local policy and a licensed prescriber decide" in err


def test_prints_what_the_arithmetic_gives(try_session):
    """Blood volume of a woman of 165 cm and 60 kg by Nadler 1962: 3,767.7 mL; the rest worked out with
    e^(−X/V) for the level saline step and mass balance for the other (independent computation)."""
    _, out, _ = try_session(*PERSON, *STEPS)
    outcome = json.loads(out)
    volume = 3767.7457125
    after_saline = 85.0 * 2.718281828459045 ** (-375.0 / volume)
    left = ((volume - 60.0) / volume) ** (330.0 / 60.0)
    diluted = ((volume - 60.0) / volume) ** (270.0 / 60.0)
    hb = 190.0 + (after_saline - 190.0) * diluted
    assert outcome["blood_volume_ml"] == pytest.approx(volume)
    assert outcome["steps"][0]["hb_g_l"] == pytest.approx(after_saline)
    assert outcome["hb_post_g_l"] == pytest.approx(hb)
    assert outcome["hb_settled_g_l"] == pytest.approx(hb * (volume - 60.0) / volume)
    assert outcome["own_cells_left_pct"] == pytest.approx(100.0 * left * after_saline / 85.0)
    assert outcome["hbs_post_pct"] == pytest.approx(45.0 * after_saline * diluted / hb)
    assert outcome["deepest_deficit_ml"] == 60.0
    assert outcome["deepest_deficit_ml_per_kg"] == 1.0
    assert outcome["largest_excess_ml"] == 0.0
    assert outcome["end_balance_ml"] == -60.0
    assert outcome["net_iron_mg"] == pytest.approx(3.4 * (outcome["hb_settled_g_l"] - 85.0) * volume / 1000.0)


def test_given_blood_volume_mixing_and_early_loss_are_used(try_session):
    _, out, err = try_session(
        "--blood-volume-ml",
        "4200",
        "--hb-pre",
        "85",
        "--hbs-pre",
        "45",
        "--mixing",
        "0.9",
        "--early-loss-pct",
        "10",
        *STEPS,
    )
    outcome = json.loads(out)
    steps = [Step("saline", 375.0, 375.0), Step("red_cells", 270.0, 330.0, 190.0)]
    expected = run_steps(Start(4200.0, 85.0, 45.0), steps, mixing=0.9, early_loss=0.1)
    assert outcome["blood_volume_ml"] == 4200.0
    assert outcome["hbs_post_pct"] == expected.hbs_post_pct
    assert outcome["hb_settled_g_l"] == expected.hb_settled_g_l
    assert outcome["deepest_deficit_ml_per_kg"] is None
    assert "4200 mL: as given" in err


def test_red_cells_without_haemoglobin_have_that_of_the_usual_unit(try_session):
    _, out, _ = try_session(*PERSON, "--step", "red_cells:258:0")
    assert json.loads(out)["donor_hb_given_g"] == pytest.approx(0.258 * UNIT_HB_G_L)


def test_bleeding_only_and_giving_only_are_steps(try_session):
    _, out, _ = try_session(*PERSON, "--step", "saline:0:400", "--step", "saline:400:0")
    outcome = json.loads(out)
    assert [step["balance_ml"] for step in outcome["steps"]] == [-400.0, 0.0]
    assert outcome["donor_hb_kept_pct"] is None
    assert outcome["hbs_post_pct"] == pytest.approx(45.0)


def test_a_child_goes_by_weight_and_age(try_session):
    _, out, err = try_session(
        "--sex", "M", "--weight-kg", "22", "--height-cm", "120", "--age-years", "7",
        "--hb-pre", "85", "--hbs-pre", "45", "--step", "saline:100:100",
    )  # fmt: skip
    assert json.loads(out)["blood_volume_ml"] == pytest.approx(22.0 * 72.5)
    assert "mL/kg by age, as for anyone up to 30 kg" in err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--hb-pre", "nan"], "--hb-pre: 'nan' is not a number from 20 to 250 g/L."),
        (["--hb-pre", "inf"], "--hb-pre: 'inf' is not a number from 20 to 250 g/L."),
        (["--hb-pre=-85"], "--hb-pre: -85 is outside what is allowed, a number from 20 to 250 g/L."),
        (["--hb-pre", "8.5"], "a number from 20 to 250 g/L. If this is g/dL, write 85."),
        (["--hb-pre", "1e400"], "--hb-pre: 1e400 is outside what is allowed"),
        (["--hbs-pre", "101"], "--hbs-pre: 101 is outside what is allowed, a number from 0 to 100 %."),
        (["--height-cm", "1.65"], "--height-cm: 1.65 is outside what is allowed, a number from 30 to 250 cm."),
        (["--weight-kg", "0"], "--weight-kg: 0 is outside what is allowed, a number from 0.5 to 400 kg."),
        (["--blood-volume-ml", "-1"], "--blood-volume-ml: -1 is outside what is allowed"),
        (["--mixing", "0"], "--mixing: 0 is outside what is allowed, a number from 0.5 to 1.5."),
        (["--step", "saline:-3:5"], "--step 3, in_ml: -3 is outside what is allowed, a number from 0 to 10000 mL."),
        (["--step", "saline:3:nan"], "--step 3, out_ml: 'nan' is not a number from 0 to 10000 mL."),
        (
            ["--step", "red_cells:250:0:5"],
            "--step 3, hb_g_l: 5 is outside what is allowed, a number from 10 to 350 g/L.",
        ),
        (["--step", "saline:100:100:190"], "--step: step 3: saline holds no haemoglobin, but 190 g/L was given."),
        (["--step", "saline:0:4000"], "--step: step 3 would draw more blood than there is (3768 mL)."),
    ],
)
def test_impossible_figures_are_refused_with_a_sentence(try_session, arguments, words):
    status, out, err = try_session(*PERSON, *STEPS, *arguments)
    assert status == 1
    assert out == ""
    assert words in err


def test_all_faults_are_named_at_once(try_session):
    status, _, err = try_session(*PERSON, "--hb-pre", "nan", "--hbs-pre", "145", "--step", "saline:x:-1")
    assert status == 1
    assert len([line for line in err.splitlines() if "not a number" in line or "outside" in line]) == 4


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*PERSON], "the following arguments are required: --step"),
        ([*PERSON, "--step", "plasma:1:2"], "'plasma:1:2' is not fluid:in_ml:out_ml[:hb_g_l]"),
        ([*PERSON, "--step", "saline:1"], "'saline:1' is not fluid:in_ml:out_ml[:hb_g_l]"),
        ([*PERSON, *STEPS, "--sex", "X"], "invalid choice: 'X'"),
        (["--hb-pre", "85", "--hbs-pre", "45", *STEPS], "--sex and --weight-kg are needed unless --blood-volume-ml"),
    ],
)
def test_wrong_use_has_its_own_exit_status(try_session, arguments, words):
    status, out, err = try_session(*arguments)
    assert status == 2
    assert out == ""
    assert words in err
