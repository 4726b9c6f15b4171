"""All addresses of the site, and one more: a signed-in view that writes one row and does nothing else."""

from django.db import transaction
from django.http import JsonResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from programme.core import access
from programme.core.models import Receipt
from programme.urls import urlpatterns as of_the_site


@access.needs("change.run")
@require_POST
def write_one_row(request: access.SignedIn) -> JsonResponse:
    with transaction.atomic():
        Receipt.objects.create(key=request.body.decode(), actor=request.user, at=timezone.now(), action="bare")
    return JsonResponse({"kept": 1})


urlpatterns = [path("bare/", write_one_row), *of_the_site]
