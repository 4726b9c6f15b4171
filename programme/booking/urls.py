"""Addresses of the diary: chairs, places and who is booked when."""

from django.urls import URLPattern

app_name = "booking"
urlpatterns: list[URLPattern] = []
