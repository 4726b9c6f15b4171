"""Addresses of the inbox."""

from django.urls import URLPattern, path

from programme.intake.views import codes, fhir, inbox, senders

app_name = "intake"
urlpatterns: list[URLPattern] = [
    path("fhir/", fhir.bundle, name="fhir_bundle"),
    path("fhir/Observation", fhir.observation, name="fhir_observation"),
    path("fhir/DiagnosticReport", fhir.diagnostic_report, name="fhir_diagnostic_report"),
    path("fhir", fhir.elsewhere, name="fhir_base"),
    path("fhir/<path:rest>", fhir.elsewhere, name="fhir_elsewhere"),
    path("inbox/", inbox.inbox, name="inbox"),
    path("inbox/filed/", inbox.filed, name="filed"),
    path("inbox/codes/", codes.codes, name="codes"),
    path("inbox/codes/add/", codes.add, name="add_code"),
    path("inbox/codes/<int:key>/end/", codes.end, name="end_code"),
    path("inbox/senders/", senders.senders, name="senders"),
    path("inbox/senders/add/", senders.add, name="add_sender"),
    path("inbox/senders/<int:key>/revoke/", senders.revoke, name="revoke_sender"),
    path("inbox/<int:key>/", inbox.item, name="item"),
    path("inbox/<int:key>/settle/", inbox.settle, name="settle"),
    path("inbox/<int:key>/undo/", inbox.undo, name="undo"),
]
