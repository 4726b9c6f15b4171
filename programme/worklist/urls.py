"""Addresses of the pages that read several stages together. More specific addresses of a person come first."""

from django.urls import URLPattern

app_name = "worklist"
urlpatterns: list[URLPattern] = []
