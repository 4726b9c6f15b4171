"""The hazard log: every control is held by a test that exists, and the document says how each test ended."""

import ast
from functools import cache

import pytest

from programme.core.statement import STATEMENT
from tests import hazards
from tests.hazards import ROOT, document, read_hazards, read_report

REPORT = """<testsuites><testsuite>
<testcase file="tests/a.py" name="test_one[x]" /><testcase file="tests/a.py" name="test_one[y]"><failure/></testcase>
<testcase file="tests/a.py" name="test_one[z]" /><testcase file="tests/a.py" name="test_two" />
<testcase file="tests/a.py" name="test_three"><skipped/></testcase>
<testcase file="tests/a.py" name="test_four"><error/></testcase>
</testsuite></testsuites>"""


PARTS = {"id", "hazard", "cause", "who", "harm", "controls", "remaining"}


@cache
def names_in(file):
    """The tests that one file defines and that a plain run does not leave out."""
    tree = ast.parse((ROOT / file).read_text())
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    return {f.name for f in functions if not any("soak" in ast.unparse(mark) for mark in f.decorator_list)}


@pytest.mark.parametrize("hazard", read_hazards(), ids=lambda hazard: hazard["id"])
def test_every_control_of_every_hazard_names_tests_that_exist(hazard):
    assert set(hazard) == PARTS
    assert all(hazard.values())
    for control in hazard["controls"]:
        assert isinstance(control, dict) and set(control) == {"control", "tests"}, (
            f"{control}: its tests stand under it"
        )
        assert control["control"] and control["tests"], f"{control['control']}: no test holds it"
        assert len(set(control["tests"])) == len(control["tests"]), control["control"]
        for name in control["tests"]:
            file, _, function = name.partition("::")
            assert function in names_in(file), name


@pytest.mark.parametrize("hazard", read_hazards(), ids=lambda hazard: hazard["id"])
def test_what_remains_is_said_of_every_hazard(hazard):
    assert "none" not in hazard["remaining"].lower().split()[:1]


def test_statement_of_what_it_is_stands_in_the_readme_under_cautions():
    cautions = (ROOT / "README.md").read_text().partition("## Cautions and limits")[2].partition("\n- ")[0]
    assert " ".join(STATEMENT) in " ".join(cautions.split())


def test_hazards_are_named_once():
    names = [hazard["id"] for hazard in read_hazards()]
    assert len(names) == len(set(names)) > 0


def test_one_case_that_fails_fails_its_test_and_one_left_out_did_not_run():
    assert read_report(REPORT) == {
        "tests/a.py::test_one": "FAILS", "tests/a.py::test_two": "passes", "tests/a.py::test_four": "FAILS",
    }  # fmt: skip


def test_the_document_says_each_outcome_and_fails_where_one_is_not_passing(monkeypatch, capsys):
    hazard = {
        "id": "x", "hazard": "A thing", "cause": "A cause", "who": "Somebody", "harm": "A harm",
        "controls": [{"control": "It is refused", "tests": ["tests/a.py::test_one"]}], "remaining": "The rest",
    }  # fmt: skip
    monkeypatch.setattr(hazards, "read_hazards", lambda: [hazard])
    for outcome, status in (("passes", 0), ("FAILS", 1), ("DID NOT RUN", 1)):
        monkeypatch.setattr(hazards, "outcomes_of", lambda names, outcome=outcome: dict.fromkeys(names, outcome))
        assert hazards.main([]) == status
        said = capsys.readouterr().out
        assert f"- It is refused\n  - {outcome}: `tests/a.py::test_one`" in said
        assert "Who could be hurt: Somebody." in said and hazards.JUDGED in said
        assert said.index(hazards.SIGNED) > said.index(hazards.JUDGED)
    assert "a licensed prescriber decides" in document([], {}).replace("\n", " ")


def test_a_named_test_is_really_run():
    name = "tests/test_hazards.py::test_hazards_are_named_once"
    assert hazards.outcomes_of([name]) == {name: "passes"}
