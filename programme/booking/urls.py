"""Addresses of the diary: chairs, places and who is booked when."""

from django.urls import URLPattern, path

from programme.booking.views import chairs, diary, feeds, letters, person, places, proposals

app_name = "booking"
urlpatterns: list[URLPattern] = [
    path("diary/", diary.diary, name="diary"),
    path("diary/book/", diary.book_from_diary, name="book_from_diary"),
    path("diary/proposal/", proposals.proposals, name="proposals"),
    path("diary/proposal/<int:key>/", proposals.proposal, name="proposal"),
    path("diary/proposal/<int:key>/change/", proposals.change, name="change_proposal"),
    path("diary/proposal/<int:key>/accept/", proposals.accept, name="accept_proposal"),
    path("chairs/", chairs.chairs, name="chairs"),
    path("chairs/bank-holidays/", chairs.change_holidays, name="change_holidays"),
    path("chairs/<str:kind>/add/", chairs.add_rule, name="add_rule"),
    path("chairs/<str:kind>/<int:key>/", chairs.change_rule, name="change_rule"),
    path("calendars/", feeds.calendars, name="calendars"),
    path("calendars/<int:key>/revoke/", feeds.revoke_calendar, name="revoke_calendar"),
    path("calendar/<str:secret>.ics", feeds.calendar, name="calendar"),
    path("contacts/", person.contacts, name="contacts"),
    path("people/<path:patient_ref>/suits/", person.suits, name="suits"),
    path("people/<path:patient_ref>/suits/wishes/", person.wishes, name="wishes"),
    path("people/<path:patient_ref>/away/add/", person.add_away, name="add_away"),
    path("people/<path:patient_ref>/away/<int:key>/", person.withdraw_away, name="withdraw_away"),
    path("people/<path:patient_ref>/contacts/add/", person.log_contact, name="log_contact"),
    path("people/<path:patient_ref>/waiting/add/", person.wait, name="wait"),
    path("people/<path:patient_ref>/waiting/<int:key>/", person.stop_waiting, name="stop_waiting"),
    path("people/<path:patient_ref>/places/", places.places, name="places"),
    path("people/<path:patient_ref>/bookings/<int:key>/", places.booking, name="booking"),
    path("people/<path:patient_ref>/bookings/<int:key>/reminder.pdf", letters.reminder, name="reminder"),
]
