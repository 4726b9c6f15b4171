"""The nightly replan shared by workers: the clock with two against one, on the same rows of the same database.

At full size 10,000 people with ten years of sessions. A worker is a process of its own that takes one chunk after
another and reads its people, as a Celery worker does with its share; nothing is handed over, so no Redis is needed.
`python -m tests.servers postgres -- python -m tests.bench --here bench_workers` measures it on PostgreSQL.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from datetime import datetime
from typing import NamedTuple

from django.utils import timezone

from programme.core.models import Site
from programme.planning import replan as replanning
from programme.planning.models import ReplanRun, Suggestion
from tests.bench.bench_replan import AS_OF, NOW, SESSIONS, a_region, bare_read

PEOPLE = 10_000
WORKER = """
import sys
import time
import django
django.setup()
from django.utils import timezone
from programme.planning import replan
from programme.planning.models import ReplanRun
from tests.bench._memory import peak_mb
run = ReplanRun.objects.select_related("site", "model_fit").get(pk=int(sys.argv[1]))
print("ready", flush=True)
sys.stdin.readline()
start = time.process_time()
renewed = replan.work_on(run, clock=timezone.now)
print(renewed, peak_mb(), time.process_time() - start, flush=True)
"""


def run(scale: float) -> list[str]:
    people = max(round(scale * PEOPLE), 200)
    site = a_region(people)
    replanning.CHUNK_PEOPLE = min(replanning.CHUNK_PEOPLE, people // 4)  # something to share at any size
    bare, rows = bare_read(site)
    lines = [f"{people} people, {rows} sessions ({SESSIONS} each), {os.cpu_count()} processors"]
    clock, busy = {}, {}
    for workers in (1, 2, 1, 2):
        seconds, did = shared_by(workers, site, at=NOW)
        clock[workers] = min(seconds, clock.get(workers, seconds))
        busy[workers] = min(max(one.seconds for one in did), busy.get(workers, seconds))
        shares = " and ".join(f"{one.renewed} people in {one.seconds:.1f} s, {one.peak_mb} MB" for one in did)
        lines.append(f"    {workers} at work {seconds:7.1f} s by the clock, {seconds / bare:6.1f} bare reads: {shares}")
    lines.append(
        f"speed-up by the second worker {clock[1] / clock[2]:.2f} by the clock; {busy[1] / busy[2]:.2f} in seconds of "
        "the busier worker's processor, which is what processors of their own would give (better run of each)"
    )
    assert Suggestion.objects.filter(patient__site=site).count() == people
    return lines


class Did(NamedTuple):
    """What one worker did: people renewed, the most memory it held, and its seconds of processor."""

    renewed: int
    peak_mb: int
    seconds: float


def shared_by(workers: int, site: Site, *, at: datetime) -> tuple[float, list[Did]]:
    """Let so many processes renew everybody; return the seconds by the clock, and what each of them did."""
    run, _ = replanning.open_run(site=site, as_of=AS_OF, at=at, everyone=True, refit=False)
    processes = [
        subprocess.Popen(
            [sys.executable, "-c", WORKER, str(run.pk)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for _ in range(workers)
    ]
    for process in processes:
        assert process.stdout is not None and process.stdout.readline() == "ready\n"
    start = time.monotonic()
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    did = [process.communicate()[0].split() for process in processes]
    seconds = time.monotonic() - start
    replanning.close_run(run, at=timezone.now())
    assert ReplanRun.objects.filter(pk=run.pk).exclude(finished_at=None).exists()
    assert set(run.chunks.values_list("attempt", flat=True)) == {1}, "a chunk was done twice"
    return seconds, [Did(int(renewed), int(peak), float(busy)) for renewed, peak, busy in did]
