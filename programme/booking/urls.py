"""Addresses of the diary: chairs, places and who is booked when."""

from django.urls import URLPattern, path

from programme.booking.views import chairs, diary, places

app_name = "booking"
urlpatterns: list[URLPattern] = [
    path("diary/", diary.diary, name="diary"),
    path("diary/book/", diary.book_from_diary, name="book_from_diary"),
    path("chairs/", chairs.chairs, name="chairs"),
    path("chairs/<str:kind>/add/", chairs.add_rule, name="add_rule"),
    path("chairs/<str:kind>/<int:key>/", chairs.change_rule, name="change_rule"),
    path("people/<path:patient_ref>/places/", places.places, name="places"),
    path("people/<path:patient_ref>/bookings/<int:key>/", places.booking, name="booking"),
]
