"""All addresses of the site."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    # First, since tablets ask for them all day; and before the list: these addresses of a person are more specific.
    path("", include("programme.bedside.urls")),
    path("", include("programme.core.urls")),
    path("", include("programme.custody.urls")),
    path("", include("programme.booking.urls")),
    path("", include("programme.supply.urls")),
    path("", include("programme.intake.urls")),
    path("", include("programme.worklist.urls")),
    path("review/", include("programme.review.urls")),
]

handler403 = "programme.core.views.faults.not_allowed"
handler404 = "programme.core.views.faults.not_found"
handler500 = "programme.core.views.faults.went_wrong"
