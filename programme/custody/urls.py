"""Addresses of what is kept of a person. A unit's own reference may hold a slash, so it is read as a path."""

from django.urls import URLPattern, path

from programme.custody.views import export, kept

app_name = "custody"
urlpatterns: list[URLPattern] = [
    path("people/<path:patient_ref>/export/", export.export, name="export"),
    path("settings/kept-records/", kept.kept, name="kept"),
]
