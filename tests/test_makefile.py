"""What `make` would run, asked without running it."""

import os
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def would_run(target: str, folder: Path | None) -> str:
    """The lines that `make target` would run where the folder for keys and files is `folder`, by default `var`."""
    given = {name: value for name, value in os.environ.items() if not name.startswith(("EBBLINE_", "MAKE"))}
    environment = given if folder is None else {**given, "EBBLINE_VAR": str(folder)}
    asked = subprocess.run(
        ["make", "--dry-run", "--always-make", target],
        cwd=ROOT, env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return asked.stdout


@pytest.mark.parametrize("name", ["secret_key", "static/collected", "demo_sign_ins.txt"])
def test_the_demo_looks_for_its_files_where_the_settings_put_them(tmp_path, name):
    lines = would_run("demo", tmp_path)
    assert f"{tmp_path}/{name}" in lines
    assert not re.search(rf"(?<![\w/]){re.escape('var/' + name)}", lines)


def test_without_a_folder_named_the_files_lie_in_the_checkout():
    assert "cat var/demo_sign_ins.txt" in would_run("demo", None)
