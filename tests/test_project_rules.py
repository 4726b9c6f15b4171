"""Rules of the whole project that no single part can hold by itself."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.db.models import CheckConstraint, ForeignKey, OneToOneField

from tests.addresses import every_address

ROOT = Path(__file__).resolve().parent.parent
PRODUCT = ("programme", "patients", "sessions")
PRODUCT_FILES = sorted(path for top in PRODUCT for path in (ROOT / top).rglob("*.py") if "migrations" not in path.parts)
NUMERIC_FILES = [path for path in PRODUCT_FILES if "numeric" in path.parts and path.name != "__init__.py"]
TEMPLATES = sorted((ROOT / "templates").rglob("*.*"))
STATIC_FILES = sorted(path for top in PRODUCT for path in (ROOT / top).rglob("static/**/*") if path.is_file())

STAGES = (
    "core", "patients", "exchange_sessions", "exchange_day", "intake", "planning", "booking", "supply", "worklist",
    "review", "bedside", "custody",
)  # fmt: skip
FOUND_BY_DJANGO = {"400.html", "403.html", "403_csrf.html", "404.html", "500.html"}
STANDS_ALONE = {"base.html", "500.html"}  # when the server is at fault, nothing else can be relied on
LONGEST_VIEW = 25  # 20 is meant
LONGEST_FILE = 500  # about 300 is meant; beyond this a file holds more than one thing


def short(path):
    return str(path.relative_to(ROOT))


def own_text_files():
    """Every text file of ours: what is committed, not what is made."""
    tops = ("templates", "tests", "fixtures", ".ci", *PRODUCT)
    inside = [path for top in tops for path in (ROOT / top).rglob("*") if path.suffix not in {".pyc", ".png", ".pdf"}]
    beside = [path for path in ROOT.iterdir() if path.suffix in {".md", ".toml", ".txt", ".py"}]
    return [path for path in (*inside, *beside, ROOT / "Makefile") if path.is_file()]


# Access and stages


def test_every_view_is_marked_with_what_it_needs():
    unmarked = [address.route for address in every_address() if not hasattr(address.view, "needs_action")]
    assert unmarked == []


def test_no_row_points_to_a_later_stage():
    wrong = []
    for model in apps.get_models():
        if model._meta.app_label not in STAGES:
            continue
        for field in model._meta.get_fields():
            if isinstance(field, ForeignKey | OneToOneField) and field.related_model._meta.app_label in STAGES:
                own, other = model._meta.app_label, field.related_model._meta.app_label
                if STAGES.index(other) > STAGES.index(own):
                    wrong.append(f"{model.__name__}.{field.name} points from {own} to {other}")
    assert wrong == []


def test_every_app_of_ours_has_its_place_among_the_stages():
    ours = {
        config.label
        for config in apps.get_app_configs()
        if Path(config.path).is_relative_to(ROOT) and ".venv" not in config.path
    }
    assert ours == set(STAGES)


# Constraints


@pytest.mark.parametrize(
    "model", [m for m in apps.get_models() if m._meta.app_label in STAGES], ids=lambda m: m.__name__
)
def test_every_constraint_says_what_is_allowed(model):
    """A bare % in a message breaks only when it is shown to somebody."""
    for constraint in model._meta.constraints:
        message = str(constraint.get_violation_error_message())
        assert message
        assert "%(" not in message
        if isinstance(constraint, CheckConstraint):
            assert "is violated" not in message, f"{constraint.name} has no message of its own"


# Templates, style sheets and scripts


def test_every_template_is_a_page_or_a_part():
    """A page extends another; a part begins with _ or lies among the components; a print stands alone."""
    wrong = []
    for path in TEMPLATES:
        is_part = path.name.startswith("_") or "components" in path.parts or path.name in STANDS_ALONE
        is_part = is_part or path.name.endswith("_print.html")
        extends = path.read_text().lstrip().startswith("{% extends ")
        if is_part == extends:
            wrong.append(short(path))
    assert wrong == []


def test_every_template_is_used():
    said = "\n".join(path.read_text() for path in (*PRODUCT_FILES, *TEMPLATES))
    names = {str(path.relative_to(ROOT / "templates")) for path in TEMPLATES} - FOUND_BY_DJANGO
    assert sorted(name for name in names if f'"{name}"' not in said and f"'{name}'" not in said) == []


def test_pages_ask_no_other_address():
    asked = [
        f"{short(path)}: {found}"
        for path in (*TEMPLATES, *STATIC_FILES)
        for found in re.findall(r"(?:https?:|[\"'(=])//[^\s\"')<>]+", path.read_text())
        if not found.startswith("http://www.w3.org/")  # the name of a vocabulary, which nothing fetches
    ]
    assert asked == []


def test_days_are_typed_in_one_way():
    """The browser's own box shows days in the order of its language."""
    own_box = re.compile(r'type="date|input_type = "date|forms\.DateInput|forms\.Date(?:Time)?Field\(')
    assert [short(path) for path in (*PRODUCT_FILES, *TEMPLATES) if own_box.search(path.read_text())] == []


@pytest.mark.parametrize(
    ("what", "pattern"),
    [
        ("style attribute", r"<[^>]*\sstyle\s*="),
        ("style element", r"<style\b"),
        ("script without a file", r"<script\b(?![^>]*\bsrc=)(?![^>]*application/json)"),
        ("event attribute", r"<[^>]*\son[a-z]+\s*="),
        ("event attribute that needs eval", r"\shx-on"),
    ],
)
def test_templates_keep_to_the_content_policy(what, pattern):
    found = [short(path) for path in TEMPLATES if re.search(pattern, path.read_text())]
    assert found == [], what


# Code


@pytest.mark.parametrize("path", NUMERIC_FILES, ids=short)
def test_every_public_numeric_function_says_what_it_means(path):
    tree = ast.parse(path.read_text())
    public = [node for node in tree.body if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")]
    assert ast.get_docstring(tree), "the module says what it is for"
    assert [node.name for node in public if not ast.get_docstring(node)] == []


def test_numeric_modules_load_without_django():
    """One fresh interpreter imports them all; a package file that does anything would show too."""
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in NUMERIC_FILES]
    code = (
        "import importlib, sys\n"
        f"for name in {names!r}:\n"
        "    importlib.import_module(name)\n"
        "    loaded = {'django', 'celery', 'pandas', 'plotly', 'weasyprint', 'scipy.stats'} & set(sys.modules)\n"
        "    assert not loaded, f'{name} loads {sorted(loaded)}'\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert names


def test_package_files_are_empty():
    full = [short(path) for top in PRODUCT for path in (ROOT / top).rglob("__init__.py") if path.read_text()]
    assert full == []


def test_tests_are_no_packages():
    """A package file in a folder of tests named like an app would hide the app."""
    assert list((ROOT / "tests").rglob("__init__.py")) == []


def test_no_product_file_grows_too_long():
    lengths = {short(path): len(path.read_text().splitlines()) for path in PRODUCT_FILES}
    assert {name: lines for name, lines in lengths.items() if lines > LONGEST_FILE} == {}


def test_views_stay_thin():
    """Check access, validate, read the clock, one call, redirect."""
    long = []
    for path in PRODUCT_FILES:
        if path.name == "views.py" or path.parent.name == "views":
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.FunctionDef) and node.end_lineno - node.lineno >= LONGEST_VIEW:
                    long.append(f"{short(path)}: {node.name}")
    assert long == []


def test_migrations_have_names():
    files = [path for top in PRODUCT for path in (ROOT / top).rglob("migrations/0*.py")]
    assert files
    assert [short(path) for path in files if "auto_2" in path.name] == []


def test_every_bench_can_be_run():
    files = [path for path in (ROOT / "tests" / "bench").glob("*.py") if not path.name.startswith("_")]
    for path in files:
        functions = {node.name: node for node in ast.parse(path.read_text()).body if isinstance(node, ast.FunctionDef)}
        assert [argument.arg for argument in functions["run"].args.args] == ["scale"], short(path)


# Words in square brackets, so that this list does not find itself.
NOT_IN_THE_PROJECT = {
    "path of one machine": r"[/](work|home|root|Users)[/]\w",
    "unfinished mark": r"(^|[^A-Za-z])(TO[D]O|FIX[M]E|XX[X])([^A-Za-z]|$)",
    "filler text": r"lorem[ ]ipsum|not implemented[ ]yet",
}


@pytest.mark.parametrize("what", NOT_IN_THE_PROJECT)
def test_words_that_have_no_place_here(what):
    pattern = re.compile(NOT_IN_THE_PROJECT[what])
    files = own_text_files()
    found = [
        f"{short(path)}:{number}: {line.strip()[:100]}"
        for path in files
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if pattern.search(line)
    ]
    assert found == []
    assert len(files) > 50
