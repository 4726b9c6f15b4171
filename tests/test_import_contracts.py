"""Each import contract is broken once, in a copy, to see that it would be noticed."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

BREACHES = {
    "flow": ("patients/models.py", "import sessions.models"),
    "inside-an-app": ("programme/core/models.py", "import programme.core.views.account"),
    "numeric-is-pure": ("sessions/numeric/volume.py", "import django"),
    "renderers-take-plain-data": ("programme/worklist/tables.py", "import patients.models"),
    "drift-behind-forecasting": ("sessions/services.py", "import sessions.numeric.drift.fit"),
    "no-cycles": ("programme/core/trail.py", "import programme.core.access\nimport programme.core.receipts"),
}


def contracts():
    return tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]


def lint(folder):
    """Return {contract id: kept} as the linter says it in `folder`."""
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([program, "--no-cache"], cwd=folder, capture_output=True, text=True)
    said = re.sub(r"\s+", " ", done.stdout)
    verdicts = {one["id"]: re.search(re.escape(one["name"]) + r" (KEPT|BROKEN)", said) for one in contracts()}
    assert all(verdicts.values()), done.stdout + done.stderr
    return {name: found.group(1) == "KEPT" for name, found in verdicts.items()}


@pytest.fixture
def copy(tmp_path):
    for top in ("programme", "patients", "sessions"):
        shutil.copytree(ROOT / top, tmp_path / top, ignore=shutil.ignore_patterns("__pycache__", "static"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_every_contract_notices_its_breach(copy):
    for file, line in BREACHES.values():
        path = copy / file
        path.write_text(path.read_text() + f"\n{line}\n")
    (copy / "programme/core/access.py").write_text(
        (copy / "programme/core/access.py").read_text() + "\nimport programme.core.trail\n"
    )
    assert set(BREACHES) == {one["id"] for one in contracts()}
    assert lint(copy) == dict.fromkeys(BREACHES, False)


def test_a_new_kind_of_module_must_be_given_its_place(copy):
    assert lint(copy) == dict.fromkeys(BREACHES, True)
    (copy / "programme/planning/helpers.py").write_text("")
    assert lint(copy) == {**dict.fromkeys(BREACHES, True), "inside-an-app": False}
