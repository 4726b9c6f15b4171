"""Every bench still runs from end to end, at its smallest; what it measures then says nothing."""

import subprocess
import sys

import pytest

from tests.bench.__main__ import NAMES

pytestmark = pytest.mark.soak


@pytest.mark.parametrize("name", NAMES)
def test_a_bench_runs_and_prints_what_it_found(name: str) -> None:
    command = [sys.executable, "-m", "tests.bench", "--scale", "0.01", name]
    ended = subprocess.run(command, capture_output=True, text=True)
    assert ended.returncode == 0, ended.stderr[-4000:]
    head, *found = ended.stdout.splitlines()
    assert head.startswith(f"== {name},")
    assert len(found) >= 2, ended.stdout
