"""Run every layer of the tests; print what each took, and what failed.

    python -m tests.layers [NAME …]

One after another, but a layer that mostly waits runs beside the others, and is printed after them. A layer that fails
does not keep the next from running; one that runs no test at all fails.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

PYTEST = (sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider")
TWO_AT_A_TIME = ("-n", "2", "--dist", "loadfile")
MINUTES_ALLOWED = 25


def with_servers(*names: str) -> tuple[str, ...]:
    return (sys.executable, "-m", "tests.servers", *names, "--")


@dataclass(frozen=True, slots=True)
class Layer:
    """waits: whether it leaves the processors alone most of the time, so that others may run meanwhile."""

    name: str
    what: str
    command: tuple[str, ...]
    waits: bool = False


LAYERS = (
    Layer(
        "check",
        "style, types, layers, templates, migrations, deployment",
        ("make", "-k", "-j", "2", "--output-sync=target", "--no-print-directory", "check"),
    ),
    Layer(
        "numeric",
        "arithmetic, statistics, properties, published values",
        (*PYTEST, *TWO_AT_A_TIME, "-m", "numeric and not soak"),
    ),
    Layer(
        "sqlite",
        "storage, services, commands, pages and rules on SQLite",
        (*PYTEST, *TWO_AT_A_TIME, "-m", "not numeric and not browser and not redis and not postgres and not soak"),
    ),
    Layer(
        "postgres",
        "the same storage, services and commands, and every address once, on PostgreSQL",
        (
            *with_servers("postgres"),
            *PYTEST,
            *TWO_AT_A_TIME,
            "-m",
            "database and not browser and not redis and not soak",
        ),
    ),
    Layer(
        "worker",
        "tasks over Redis and a real worker, on PostgreSQL; servers killed",
        (*with_servers("postgres", "redis"), *PYTEST, "-m", "redis and not soak"),
        waits=True,
    ),
    Layer("browser", "pages in a real browser", (*PYTEST, *TWO_AT_A_TIME, "-m", "browser and not soak")),
)


def run(layer: Layer, *, aside: bool = False) -> tuple[bool, float, bytes]:
    """Run a layer; return whether it passed, its seconds, and what it printed where that was put aside."""
    # Many processes start here, so Python may keep what it compiled, whatever the surroundings say.
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    to = subprocess.PIPE if aside else None
    start = time.monotonic()
    ended = subprocess.run(
        layer.command, stdin=subprocess.DEVNULL, stdout=to, stderr=subprocess.STDOUT if aside else None, env=kept
    )
    return ended.returncode == 0, time.monotonic() - start, ended.stdout or b""


def run_all(chosen: list[Layer]) -> Iterator[tuple[Layer, bool, float]]:
    with ThreadPoolExecutor() as pool:
        waiting = {layer: pool.submit(run, layer, aside=True) for layer in chosen if layer.waits}
        for layer in chosen:
            if layer not in waiting:
                print(head(layer), flush=True)
                yield layer, *run(layer)[:2]
        for layer, ending in waiting.items():
            passed, seconds, printed = ending.result()
            print(head(layer), flush=True)
            sys.stdout.buffer.write(printed)
            sys.stdout.flush()
            yield layer, passed, seconds


def head(layer: Layer) -> str:
    return f"\n== {layer.name}: {layer.what}"


def main(names: list[str]) -> int:
    unknown = set(names) - {layer.name for layer in LAYERS}
    if unknown:
        print(f"No layer {', '.join(sorted(unknown))}; there are {', '.join(x.name for x in LAYERS)}.", file=sys.stderr)
        return 2
    start = time.monotonic()
    outcomes = list(run_all([layer for layer in LAYERS if not names or layer.name in names]))
    total = time.monotonic() - start
    print("\n== summary")
    for layer, passed, seconds in outcomes:
        print(f"{layer.name:<10}{'passed' if passed else 'FAILED':<8}{seconds:7.1f} s   {layer.what}")
    print(f"{'all':<10}{'passed' if all(passed for _, passed, _ in outcomes) else 'FAILED':<8}{total:7.1f} s")
    if total > MINUTES_ALLOWED * 60:
        print(f"This is more than the {MINUTES_ALLOWED} minutes meant for two cores.")
    return 0 if all(passed for _, passed, _ in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
