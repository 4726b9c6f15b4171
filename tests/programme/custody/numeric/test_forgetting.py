"""One person taken out of what is stored of many: them, and nobody whose reference begins alike."""

import pytest

from programme.custody.numeric.forgetting import names, without

WORDS = "R1"


@pytest.mark.parametrize("text", ["R1", "of r1.", "to R1", "/people/R1/records/", '{"R1": 3}', "R1's", "(R1)"])
def test_a_word_is_found_whatever_stands_around_it(text):
    assert names(text, [WORDS])


@pytest.mark.parametrize("text", ["R10", "AR1", "R1-2", "X-R1", "R_1", "", "R 1"])
def test_part_of_another_word_is_not_it(text):
    assert not names(text, [WORDS])


def test_an_empty_word_names_nobody_and_signs_are_taken_as_they_are():
    assert not names("any text", ["", "  "])
    assert names("ref 12/3(a)", ["12/3(a)"])
    assert not names("ref 12x3(a)", ["12.3(a)"])


def test_keys_rows_and_words_of_one_person_go_and_all_else_stays():
    stored = {
        "R1": [1, "2026-06-01"],
        "R10": [2, {"R1": 1, "R2": None}],
        "rows": [{"patient_ref": "R1", "late": True}, {"patient_ref": "R10", "why": "after Larkspur, Posy (R1)"}],
        "keys": ["R1", "R10", 1, 1.5, True],
    }
    assert without(stored, "R1", "Larkspur, Posy") == {
        "R10": [2, {"R2": None}],
        "rows": [{"patient_ref": "R10", "why": "after somebody (somebody)"}],
        "keys": ["R10", 1, 1.5, True],
    }


def test_without_a_name_only_the_reference_is_looked_for():
    assert without(["of R1", "nothing"], "R1", "") == ["of somebody", "nothing"]
