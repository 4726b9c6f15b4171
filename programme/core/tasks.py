"""What is done each night for everybody: ended sign-ins and old tries forgotten, the trail sealed, a backup made."""

from __future__ import annotations

from django.core.management import call_command
from django.utils import timezone

from programme.celery import app
from programme.core import seals, sign_ins, signed_in
from programme.core.models import Site


@app.task(name="seal_trail")
def seal_trail() -> int:
    """Seal the trail of every site; return how many."""
    sites = list(Site.objects.order_by("pk"))
    for site in sites:
        seals.seal(site=site, at=timezone.now())
    return len(sites)


@app.task(name="back_up")
def back_up() -> None:
    """Make tonight's backup where and as the environment says."""
    call_command("backup")


@app.task(name="clear_sign_ins")
def clear_sign_ins() -> int:
    """Delete what is left of sign-ins that have ended, return how many; forget old tries and browsers."""
    now = timezone.now()
    sign_ins.forget_old(at=now)
    return signed_in.clear_ended(at=now)
