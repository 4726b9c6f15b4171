"""The hazard log as a document: what could hurt whom, what stands against it, and whether the tests of that pass now.

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
from textwrap import fill
from typing import Any
from xml.etree import ElementTree

import yaml

from programme.core.statement import STATEMENT

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
)
SERVERS = (sys.executable, "-m", "tests.servers", "postgres", "redis", "--")
PASSED, FAILED, NOT_RUN = "passes", "FAILS", "DID NOT RUN"
HEAD = f"""# What could hurt somebody, and what stands against it

{fill(" ".join(STATEMENT), 120)}

Each control is held by the tests under it, run for this document. What remains is for the unit to judge before use, and
again after each change of the programme, the laboratory or its own ways of working.
"""
JUDGED = "For the unit to judge: severity ________ likelihood ________ accepted by ________________ on ____________"
SIGNED = """## Judged and signed

Version of the programme ____________ Unit ________________________________

Clinical safety lead (name, role, signature) ________________________________ on ____________

For the unit (name, role, signature) ________________________________ on ____________"""


def read_hazards() -> list[dict[str, Any]]:
    """Return the hazards as they stand in their file."""
    hazards: list[dict[str, Any]] = yaml.safe_load((ROOT / "fixtures" / "hazards.yaml").read_text())["hazards"]
    return hazards


def outcomes_of(names: Iterable[str]) -> dict[str, str]:
    """Run the named tests; return whether all cases of each pass. What SQLite leaves out is asked of the servers.

    Those in a browser run apart: its event loop stays in the process, where others want one of their own.
    """
    wanted = sorted(set(names))
    found: dict[str, str] = {}
    for around, which in (((), "not browser"), ((), "browser"), (SERVERS, "not browser")):
        if rest := [name for name in wanted if name not in found]:
            found |= _run(rest, around, which)
    return {name: found.get(name, NOT_RUN) for name in wanted}


def _run(names: list[str], around: tuple[str, ...], which: str) -> dict[str, str]:
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        asked = (*around, *PYTEST, "-m", f"{which} and not soak", "-o", "junit_family=xunit1", f"--junitxml={report}")
        subprocess.run((*asked, *names), cwd=ROOT, stdout=sys.stderr, stdin=subprocess.DEVNULL)
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


def tests_of(hazard: Mapping[str, Any]) -> list[str]:
    """Return the tests that a hazard names, control by control."""
    return [name for control in hazard["controls"] for name in control["tests"]]


def document(hazards: Iterable[Mapping[str, Any]], outcomes: Mapping[str, str]) -> str:
    """Return the hazards in Markdown: under each control its tests with their outcome, and room to judge and sign."""
    parts = [HEAD]
    for number, hazard in enumerate(hazards, start=1):
        controls = []
        for control in hazard["controls"]:
            controls.append(f"- {control['control']}")
            controls += [f"  - {outcomes[name]}: `{name}`" for name in control["tests"]]
        lines = [f"## {number}. {hazard['hazard']}", f"Cause: {hazard['cause']}."]
        lines += [f"Who could be hurt: {hazard['who']}.", f"How: {hazard['harm']}.", "Controls, and their tests:"]
        lines += ["\n".join(controls), f"What remains: {hazard['remaining']}.", JUDGED]
        parts.append("\n\n".join(lines))
    return "\n\n".join([*parts, SIGNED]) + "\n"


def main(arguments: list[str]) -> int:
    hazards = read_hazards()
    outcomes = outcomes_of(name for hazard in hazards for name in tests_of(hazard))
    text = document(hazards, outcomes)
    if arguments:
        Path(arguments[0]).write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)
    wrong = [f"{outcome}: {name}" for name, outcome in outcomes.items() if outcome != PASSED]
    for words in wrong:
        print(words, file=sys.stderr)
    controls = sum(len(hazard["controls"]) for hazard in hazards)
    print(
        f"{len(hazards)} hazards, {controls} controls, {len(outcomes)} tests, {len(wrong)} of them not passing.",
        file=sys.stderr,
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
