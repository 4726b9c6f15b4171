"""The record of a session, on paper and as a table."""

from __future__ import annotations

from django.http import HttpResponse
from django.views.decorators.http import require_safe

from programme.bedside.pdf import record_pdf
from programme.bedside.queries.record import read_record
from programme.bedside.tables import record_csv
from programme.bedside.views.opening import open_session
from programme.core import access
from programme.core.look import site_now


@access.needs("see.record")
@require_safe
def on_paper(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session, now = open_session(request, patient_ref, key), site_now(request.user)
    paper = record_pdf(
        read_record(exchange_session, now), version=exchange_session.version,
        printed_by=request.user.full_name, printed_at=now,
    )  # fmt: skip
    return _sent(paper, "application/pdf", f"session-{exchange_session.on:%Y%m%d}.pdf", "inline")


@access.needs("see.record")
@require_safe
def as_table(request: access.SignedIn, patient_ref: str, key: int) -> HttpResponse:
    exchange_session, now = open_session(request, patient_ref, key), site_now(request.user)
    text = record_csv(read_record(exchange_session, now), session_on=exchange_session.on.isoformat())
    name = f"session-{exchange_session.on:%Y%m%d}.csv"
    return _sent(text.encode(), "text/csv; charset=utf-8", name, "attachment")


def _sent(content: bytes, kind: str, name: str, how: str) -> HttpResponse:
    return HttpResponse(content, content_type=kind, headers={"Content-Disposition": f'{how}; filename="{name}"'})
