"""Addresses of the blood pages: orders, units and demand."""

from django.urls import URLPattern

app_name = "supply"
urlpatterns: list[URLPattern] = []
