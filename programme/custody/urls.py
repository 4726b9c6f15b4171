"""Addresses of what is kept of a person. A unit's own reference may hold a slash, so it is read as a path."""

from django.urls import URLPattern, path

from programme.custody.views import erasing, export, kept

app_name = "custody"
urlpatterns: list[URLPattern] = [
    path("people/<path:patient_ref>/export/", export.export, name="export"),
    path("people/<path:patient_ref>/erase/", erasing.ask, name="ask_erasure"),
    path("settings/kept-records/", kept.kept, name="kept"),
    path("erasures/", erasing.erasures, name="erasures"),
    path("erasures/<int:key>/", erasing.erasure, name="erasure"),
    path("erasures/<int:key>/agree/", erasing.agree, name="agree_erasure"),
    path("erasures/<int:key>/withdraw/", erasing.withdraw, name="withdraw_erasure"),
    path("erasures/<int:key>/carry-out/", erasing.carry_out, name="carry_out_erasure"),
    path("erasures/<int:key>/record/", erasing.record, name="erasure_record"),
]
