"""Addresses of the diary: chairs, places and who is booked when."""

from django.urls import URLPattern, path

from programme.booking.views import diary

app_name = "booking"
urlpatterns: list[URLPattern] = [
    path("diary/", diary.diary, name="diary"),
    path("diary/book/", diary.book_from_diary, name="book_from_diary"),
    path("people/<path:patient_ref>/places/", diary.places, name="places"),
    path("people/<path:patient_ref>/bookings/<int:key>/", diary.booking, name="booking"),
]
