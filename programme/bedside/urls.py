"""Addresses of the day of an exchange, from the plan on screen to the closed record."""

from django.urls import URLPattern

app_name = "bedside"
urlpatterns: list[URLPattern] = []
