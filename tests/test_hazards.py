"""The hazard log: every control is held by a test that exists, and the document says how each test ended."""

import ast

import pytest

from tests import hazards
from tests.hazards import ROOT, document, read_hazards, read_report

REPORT = """<testsuites><testsuite>
<testcase file="tests/a.py" name="test_one[x]" /><testcase file="tests/a.py" name="test_one[y]"><failure/></testcase>
<testcase file="tests/a.py" name="test_one[z]" /><testcase file="tests/a.py" name="test_two" />
<testcase file="tests/a.py" name="test_three"><skipped/></testcase>
<testcase file="tests/a.py" name="test_four"><error/></testcase>
</testsuite></testsuites>"""


@pytest.mark.parametrize("hazard", read_hazards(), ids=lambda hazard: hazard["id"])
def test_every_hazard_has_controls_and_tests_that_exist(hazard):
    assert set(hazard) == {"id", "hazard", "cause", "harm", "controls", "tests", "remaining"}
    assert all(hazard.values())
    for name in hazard["tests"]:
        file, _, function = name.partition("::")
        tree = ast.parse((ROOT / file).read_text())
        defined = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        assert function in defined, name


def test_hazards_are_named_once():
    names = [hazard["id"] for hazard in read_hazards()]
    assert len(names) == len(set(names)) > 0


def test_one_case_that_fails_fails_its_test_and_one_left_out_did_not_run():
    assert read_report(REPORT) == {
        "tests/a.py::test_one": "FAILS", "tests/a.py::test_two": "passes", "tests/a.py::test_four": "FAILS",
    }  # fmt: skip


def test_the_document_says_each_outcome_and_fails_where_one_is_not_passing(monkeypatch, capsys):
    hazard = {
        "id": "x", "hazard": "A thing", "cause": "A cause", "harm": "A harm", "controls": ["It is refused"],
        "tests": ["tests/a.py::test_one"], "remaining": "The rest",
    }  # fmt: skip
    monkeypatch.setattr(hazards, "read_hazards", lambda: [hazard])
    for outcome, status in (("passes", 0), ("FAILS", 1), ("DID NOT RUN", 1)):
        monkeypatch.setattr(hazards, "outcomes_of", lambda names, outcome=outcome: dict.fromkeys(names, outcome))
        assert hazards.main([]) == status
        assert f"- {outcome}: `tests/a.py::test_one`" in capsys.readouterr().out
    assert "a licensed prescriber decides" in document([], {})


def test_a_named_test_is_really_run():
    name = "tests/test_hazards.py::test_hazards_are_named_once"
    assert hazards.outcomes_of([name]) == {name: "passes"}
