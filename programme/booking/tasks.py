"""Making a proposal, away from the request where there are workers."""

from __future__ import annotations

import logging

from django.utils import timezone

from programme.booking.services import proposals
from programme.celery import app
from programme.core.models import EditedMeanwhile

log = logging.getLogger(__name__)


@app.task(name="make_proposal")  # pages send it, so the app must be there in their process too
def make_proposal(key: int) -> None:
    """Make a proposal that was asked for; one that cannot be made says so instead of waiting for ever."""
    try:
        proposals.make(key=key, at=timezone.now())
    except EditedMeanwhile:
        log.info("proposal %s was asked for anew while it was made; the newer call makes it", key)
    except Exception:
        log.exception("proposal %s could not be made", key)
        proposals.fail(key=key, trouble="The places could not be worked out; the log of the server says why.")
