"""Run the benches: each prints what it measured as a ratio to a plain reference on the same machine.

    python -m tests.bench [--scale 0.1] [NAME …]

A bench is a module in this folder with `run(scale: float) -> list[str]`; 1 is the full size. Each runs in a
process, on an SQLite file and with a key of its own, so that neither memory nor rows of one touch another.
Times on a shared machine vary by a factor of three; the ratios vary less.
"""

from __future__ import annotations

import argparse
import importlib
import os
import resource
import secrets
import subprocess
import sys
import tempfile
import time
from pathlib import Path

FOLDER = Path(__file__).parent
NAMES = sorted(path.stem for path in FOLDER.glob("*.py") if not path.stem.startswith("_"))


def run_here(name: str, scale: float) -> None:
    """Run one bench in this process, on a fresh database."""
    os.environ["DJANGO_SETTINGS_MODULE"] = "programme.settings"
    import django  # noqa: PLC0415 -- settings first
    from django.conf import settings  # noqa: PLC0415 -- settings first
    from django.core.management import call_command  # noqa: PLC0415 -- settings first

    django.setup()
    call_command("migrate", verbosity=0)
    if not (settings.STATIC_ROOT / "staticfiles.json").exists():  # pages name their files by it, as in production
        call_command("collectstatic", interactive=False, verbosity=0)
    start = time.monotonic()
    for line in importlib.import_module(f"tests.bench.{name}").run(scale):
        print(f"  {line}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  all of this took {time.monotonic() - start:.1f} s; peak memory {peak:.0f} MB", flush=True)


def run_apart(name: str, scale: float) -> bool:
    print(f"== {name}, scale {scale:g}", flush=True)
    with tempfile.TemporaryDirectory(prefix="ebbline-bench-") as folder:
        own = {
            "DATABASE_URL": f"sqlite:///{folder}/bench.sqlite3",
            "EBBLINE_VAR": f"{folder}/var",
            "SECRET_KEY": secrets.token_urlsafe(64),
        }
        command = [sys.executable, "-m", "tests.bench", "--here", "--scale", str(scale), name]
        return subprocess.run(command, env={**os.environ, **own}).returncode == 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(NAMES)}; all by default")
    parser.add_argument("--scale", type=float, default=1.0, help="share of the full size, 1 by default")
    parser.add_argument("--here", action="store_true", help="in this process, on the database of DATABASE_URL")
    options = parser.parse_args()
    unknown = set(options.names) - set(NAMES)
    if unknown:
        parser.error(f"no bench {', '.join(sorted(unknown))}; there are {', '.join(NAMES)}")
    if options.here:
        for name in options.names:
            run_here(name, options.scale)
        return 0
    passed = [run_apart(name, options.scale) for name in options.names or NAMES]
    return 0 if passed and all(passed) else 1


if __name__ == "__main__":
    sys.exit(main())
