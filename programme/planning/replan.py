"""The replan of a site: who is stale, shared into chunks that any worker may take, each done exactly once.

A chunk is a row with a lease. Taking it is one conditional update, so two workers never both hold it; when a
worker dies its lease runs out and a later start takes the chunk up again. Doing a chunk twice changes nothing,
because what is stored depends only on the data, the fit and the day. A worker reads the people of the chunk that it
holds and nobody else, so its memory is bounded by a chunk, and two of them do not read anything twice.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import F, Q

from programme.core.models import Site
from programme.planning import services, watch
from programme.planning.models import ReplanChunk, ReplanRun

CHUNK_PEOPLE = 1000
LEASE = timedelta(minutes=10)
Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Done:
    """What a replan did: people renewed of those on the programme, the fit used, and chunks that others still hold."""

    renewed: int
    people: int
    model_fit: int | None
    resumed: bool
    held_by_others: int


def replan(
    *, site: Site, as_of: date, clock: Clock, everyone: bool = False, refit: bool = False,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Done:  # fmt: skip
    """Bring every stale forecast and suggestion of `site` up to `as_of`; safe to run twice or after a crash."""
    run, resumed = open_run(site=site, as_of=as_of, at=clock(), everyone=everyone, refit=refit)
    renewed = work_on(run, clock=clock, progress=progress)
    return Done(
        renewed=renewed,
        people=services.people_on_programme(site),
        model_fit=run.model_fit_id,
        resumed=resumed,
        held_by_others=run.chunks.exclude(state=ReplanChunk.Stage.DONE).count(),
    )


def work_on(run: ReplanRun, *, clock: Clock, progress: Callable[[int, int], None] = lambda done, of: None) -> int:
    """Do one free chunk of the run after another until none is left; return how many people were renewed."""
    chunks = run.chunks
    renewed = 0
    for chunk in free_chunks(run, clock):
        with no_search_for_cycles():
            renewed += do_chunk(chunk, run, clock=clock)
        progress(chunks.filter(state=ReplanChunk.Stage.DONE).count(), chunks.count())
    close_run(run, at=clock())
    return renewed


def open_run(*, site: Site, as_of: date, at: datetime, everyone: bool, refit: bool) -> tuple[ReplanRun, bool]:
    """Return the unfinished run of this site and day, else start one; the flag says which.

    Before a new one is started the forecasts of late are held against what came, for that moves every suggestion.
    """
    unfinished = ReplanRun.objects.filter(site=site, as_of=as_of, finished_at=None).order_by("-pk").first()
    if unfinished is not None and not refit and unfinished.everyone >= everyone:
        return unfinished, True
    watch.look(site=site, on=as_of, at=at)
    fit, renewed_fit = services.fit_to_use(site=site, as_of=as_of, at=at, refit=refit, growth=True)
    keys = services.stale_keys(site=site, as_of=as_of, fit=fit, everyone=everyone or renewed_fit)
    with transaction.atomic():  # a run and all its chunks appear together
        run = ReplanRun.objects.create(site=site, as_of=as_of, started_at=at, model_fit=fit, everyone=everyone)
        ReplanChunk.objects.bulk_create(
            ReplanChunk(run=run, number=number, patient_keys=keys[start : start + CHUNK_PEOPLE])
            for number, start in enumerate(range(0, len(keys), CHUNK_PEOPLE), start=1)
        )
    return run, False


def free_chunks(run: ReplanRun, clock: Clock) -> Iterator[ReplanChunk]:
    """Take one free chunk after another until none is left."""
    while (chunk := take_chunk(run, at=clock())) is not None:
        yield chunk


def take_chunk(run: ReplanRun, *, at: datetime) -> ReplanChunk | None:
    """Take a chunk that waits or whose lease has run out; None when there is none.

    A lease that ends further ahead than any given now was given by a clock that has been set back since.
    """
    run_out = Q(lease_until__lt=at) | Q(lease_until__gt=at + 2 * LEASE)
    free = Q(state=ReplanChunk.Stage.WAITING) | (Q(state=ReplanChunk.Stage.TAKEN) & run_out)
    for chunk in run.chunks.filter(free).order_by("number")[:20]:
        taken = ReplanChunk.objects.filter(free, pk=chunk.pk, attempt=chunk.attempt).update(
            state=ReplanChunk.Stage.TAKEN, lease_until=at + LEASE, attempt=F("attempt") + 1
        )
        if taken:
            chunk.refresh_from_db()
            return chunk
    return None


def do_chunk(chunk: ReplanChunk, run: ReplanRun, *, clock: Clock) -> int:
    """Renew the chunk's people and mark it done in the same transaction; return how many were renewed.

    Whoever has left meanwhile is passed over. A worker that lost its lease to another writes nothing.
    """
    assert run.model_fit is not None  # no run is opened without one
    keys = services.still_on_programme(chunk.patient_keys)
    rows = services.reckon(keys, site=run.site, as_of=run.as_of, fit=run.model_fit, at=clock())
    with transaction.atomic():  # what was reckoned and that it is done go together
        held = ReplanChunk.objects.filter(pk=chunk.pk, attempt=chunk.attempt, state=ReplanChunk.Stage.TAKEN)
        if not held.update(state=ReplanChunk.Stage.DONE, lease_until=None):
            return 0
        return services.store(rows)


@contextmanager
def no_search_for_cycles() -> Iterator[None]:
    """Let Python free what is done with, and look for cycles only afterwards.

    A chunk makes some million small objects and hardly a cycle among them; searching them all took up to a quarter of
    its time. What it holds is bounded by its people.
    """
    searched = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searched:
            gc.enable()


def close_run(run: ReplanRun, *, at: datetime) -> None:
    """Mark the run finished once every chunk is done; another worker's open chunk keeps it open."""
    if not run.chunks.exclude(state=ReplanChunk.Stage.DONE).exists():
        ReplanRun.objects.filter(pk=run.pk, finished_at=None).update(finished_at=at)
