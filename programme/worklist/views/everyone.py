"""The list of everyone."""

from __future__ import annotations

from django.http import HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.template.loader import render_to_string
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from programme.core import access
from programme.core.backups import last_backup
from programme.core.look import site_now
from programme.planning.watch import newest
from programme.worklist import tables
from programme.worklist.queries.everyone import everyone as read_everyone
from programme.worklist.queries.glass import opened_elsewhere
from programme.worklist.queries.version import list_version

LONGEST_FIND = 60


@access.needs("see.list")
@require_safe
def version(request: access.SignedIn) -> HttpResponse:
    """The number that rises when anything on the list may have changed; asked by an open list, one query."""
    return HttpResponse(list_version(request.user.site), content_type="text/plain")


@access.needs("see.list")
@require_safe
def everyone(request: access.SignedIn) -> HttpResponseBase:
    now = site_now(request.user)
    page = read_everyone(request.user.site, now, find=request.GET.get("find", "")[:LONGEST_FIND].strip())
    whole = not request.htmx or request.htmx.history_restore_request  # type: ignore[attr-defined]
    context = {
        "page": page,
        "table": tables.head_table(page.today),
        "marker": mark_safe(tables.ROWS_HERE),
        "nav": "list",
        "opened": opened_elsewhere(request.user.site) if whole else [],
        "backup": last_backup(now, site=request.user.site) if whole else None,
        "watch": newest(request.user.site) if whole else None,
        "version": list_version(request.user.site),
    }
    shell = render_to_string("worklist/list.html" if whole else "worklist/_list.html", context, request)
    return StreamingHttpResponse(tables.list_chunks(page, shell, request), headers={"Vary": "HX-Request"})
