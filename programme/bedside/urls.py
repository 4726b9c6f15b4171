"""Addresses of the day of an exchange, from the plan on screen to the closed record."""

from django.urls import URLPattern, path

from programme.bedside.views import run, start

app_name = "bedside"
urlpatterns: list[URLPattern] = [
    path("people/<path:patient_ref>/day/<int:key>/start/", start.start, name="start"),
    path("people/<path:patient_ref>/day/<int:key>/run/", run.run, name="run"),
    path("people/<path:patient_ref>/day/<int:key>/enter/", run.enter, name="enter"),
    path("people/<path:patient_ref>/day/<int:key>/since/<int:number>/", run.since, name="since"),
]
