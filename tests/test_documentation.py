"""What the documentation tells people to set, start and type exists."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import get_commands

from programme.core import access
from programme.core.models import Role

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text()
SETTINGS = (ROOT / "programme" / "settings.py").read_text()
READ = set(re.findall(r"(?:read_\w+|environ\.get)\(\s*\"([A-Z_]+)\"", SETTINGS))
READ |= set(re.findall(r"\"([A-Z]+(?:_[A-Z]+)+)\"", (ROOT / "programme" / "core" / "provider.py").read_text()))
OF_DEVELOPERS = {"DEBUG"}
STARTED = re.findall(r"^    (?:ExecStart=/opt/ebbline/)?(?:\.venv/bin/)(\w+) (.*?)(?:  +#.*)?$", README, re.MULTILINE)


def block(first_line):
    """The indented lines that begin with this one."""
    return re.search(rf"^    {re.escape(first_line)}\n((?:    .*\n)+)", README, re.MULTILINE)[1]


def test_every_variable_that_is_read_is_documented_and_the_other_way_round():
    tables = re.findall(r"^\| variable \| meaning \|\n((?:\|.*\n)+)", README, re.MULTILINE)
    documented = {
        name for table in tables for row in table.splitlines() for name in re.findall(r"`([A-Z_]+)`", row.split("|")[1])
    }
    assert documented == READ - OF_DEVELOPERS
    assert len(documented) > 10


def test_the_example_of_an_environment_sets_only_what_is_read():
    names = re.findall(r"^    ([A-Z_]+)=", block("# /etc/ebbline/environment"), re.MULTILINE)
    assert len(names) > 8
    assert set(names) <= READ


def who_may(actions):
    """The rows of a table: who, and what they may, by its names in the matrix."""
    order = [*Role.values]
    found = {}
    for action, roles in actions.items():
        verb, what = action.split(".")
        said = found.setdefault(", ".join(sorted(roles, key=order.index)), {})
        said.setdefault(verb.replace("_", " "), []).append(what.replace("_", " "))
    return [
        f"| {roles} | " + "; ".join(f"*{verb}* " + ", ".join(sorted(whats)) for verb, whats in said.items()) + " |"
        for roles, said in found.items()
    ]


def test_the_access_matrix_is_printed_as_it_is():
    (table,) = re.findall(r"^\| who \| may \|\n\|---\|---\|\n((?:\|.*\n)+)", README, re.MULTILINE)
    assert table.splitlines() == who_may(access.matrix())
    commands = access.commands()
    for reaches in set(commands.values()):
        names = ", ".join(f"`{name}`" for name in sorted(commands) if commands[name] == reaches)
        assert names in " ".join(README.split()), f"README: the commands that reach a {reaches} are {names}"


def test_every_command_that_is_written_exists():
    asked = {words.split()[1] for program, words in STARTED if program == "python" and words.startswith("manage.py ")}
    assert {"backup", "listen_results", "replan", "migrate"} <= asked
    assert asked <= set(get_commands())


@pytest.mark.parametrize(
    ("program", "help_of"), [("granian", ()), ("celery worker", ("worker",)), ("celery beat", ("beat",))]
)
def test_every_option_of_a_service_exists(program, help_of):
    name = program.split()[0]
    lines = [words for started, words in STARTED if started == name and all(part in words.split() for part in help_of)]
    assert len(lines) >= 2  # by hand, and as a service
    asked = {option for words in lines for option in re.findall(r"(?<!\S)--?[a-z][\w-]*", words)} - {"-A"}
    path = Path(sys.executable).with_name(name)
    said = subprocess.run([path, *help_of, "--help"], capture_output=True, text=True, check=True).stdout
    assert asked <= set(re.findall(r"(?<![\w-])--?[a-z][\w-]*", said))


def test_the_web_server_keeps_no_log_of_addresses():
    lines = [words for program, words in STARTED if program == "granian"]
    assert lines
    assert all("--no-access-log" in words for words in lines)
