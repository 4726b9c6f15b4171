"""The hazard log as a document: what could hurt somebody, what stands against it, and whether its tests pass now.

    python -m tests.hazards [FILE]

Runs every test that a hazard names, on SQLite and, where it is marked so, on the servers it asks for. Writes the
document to FILE, or prints it; exits 1 where a test fails or does not run.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import yaml

ROOT = Path(__file__).resolve().parent.parent
PYTEST = (
    sys.executable,
    "-m",
    "pytest",
    "-q",
    "-p",
    "no:cacheprovider",
    "-n",
    "2",
    "--dist",
    "loadfile",
    "-m",
    "not soak",
)
SERVERS = (sys.executable, "-m", "tests.servers", "postgres", "redis", "--")
PASSED, FAILED, NOT_RUN = "passes", "FAILS", "DID NOT RUN"
HEAD = """# What could hurt somebody, and what stands against it

Ebbline works out, from what a day unit records, how efficient exchanges of red cells were, how fast HbS rises, and when
the next visit should be. Its users are a specialist nurse, a consultant and a booking coordinator who know exchange
transfusion. It suggests and never decides: a licensed prescriber decides, and local policy applies. It is not a
certified medical device and has not been validated in practice. It does not steer a machine, choose or release blood,
or watch a person.

Each control is held by tests, run for this document. What remains is for the unit to judge before use, and again after
each change of the programme, the laboratory or its own ways of working.
"""


def read_hazards() -> list[dict[str, Any]]:
    """Return the hazards as they stand in their file."""
    hazards: list[dict[str, Any]] = yaml.safe_load((ROOT / "fixtures" / "hazards.yaml").read_text())["hazards"]
    return hazards


def outcomes_of(names: Iterable[str]) -> dict[str, str]:
    """Run the named tests; return whether all cases of each pass. What SQLite leaves out is asked of the servers."""
    wanted = sorted(set(names))
    found = _run(wanted, ())
    rest = [name for name in wanted if name not in found]
    found |= _run(rest, SERVERS) if rest else {}
    return {name: found.get(name, NOT_RUN) for name in wanted}


def _run(names: list[str], around: tuple[str, ...]) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        asked = (*around, *PYTEST, "-o", "junit_family=xunit1", f"--junitxml={report}", *names)
        subprocess.run(asked, cwd=ROOT, stdout=sys.stderr, stdin=subprocess.DEVNULL)
        return read_report(report.read_text()) if report.exists() else {}


def read_report(text: str) -> dict[str, str]:
    """Return the outcome by test, all its cases together, of a report of pytest in the older JUnit form."""
    found: dict[str, str] = {}
    for case in ElementTree.fromstring(text).iter("testcase"):
        name = f"{case.get('file')}::{case.get('name', '').partition('[')[0]}"
        if case.find("skipped") is not None:
            continue
        failed = case.find("failure") is not None or case.find("error") is not None
        found[name] = FAILED if failed or found.get(name) == FAILED else PASSED
    return found


def document(hazards: Iterable[Mapping[str, Any]], outcomes: Mapping[str, str]) -> str:
    """Return the hazards in Markdown, each control's tests with their outcome."""
    parts = [HEAD]
    for number, hazard in enumerate(hazards, start=1):
        tests = [f"- {outcomes[name]}: `{name}`" for name in hazard["tests"]]
        lines = [f"## {number}. {hazard['hazard']}", f"Cause: {hazard['cause']}.", f"Harm: {hazard['harm']}."]
        lines += ["Controls:", "\n".join(f"- {words}" for words in hazard["controls"])]
        lines += ["Tests:", "\n".join(tests), f"What remains: {hazard['remaining']}."]
        parts.append("\n\n".join(lines))
    return "\n\n".join(parts) + "\n"


def main(arguments: list[str]) -> int:
    hazards = read_hazards()
    outcomes = outcomes_of(name for hazard in hazards for name in hazard["tests"])
    text = document(hazards, outcomes)
    if arguments:
        Path(arguments[0]).write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)
    wrong = [f"{outcome}: {name}" for name, outcome in outcomes.items() if outcome != PASSED]
    for words in wrong:
        print(words, file=sys.stderr)
    print(f"{len(hazards)} hazards, {len(outcomes)} tests, {len(wrong)} of them not passing.", file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
