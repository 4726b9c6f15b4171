"""Addresses of the pages that read several stages together. More specific addresses of a person come first.

A unit's own reference may hold a slash, so it is read as a path.
"""

from django.urls import URLPattern, path

from programme.worklist.views import (
    clinic,
    course,
    everyone,
    load,
    load_results,
    people,
    plan,
    records,
    settings,
    texts,
    trying,
)

app_name = "worklist"
urlpatterns: list[URLPattern] = [
    path("", everyone.everyone, name="list"),
    path("list-version/", everyone.version, name="list_version"),
    path("bring-in/", load.choose, name="load"),
    path("bring-in/results/", load_results.choose, name="load_results"),
    path("bring-in/results/<str:token>/", load_results.look, name="load_results_look"),
    path("bring-in/<str:token>/", load.look, name="load_look"),
    path("bring-in/<str:token>/faults/", load.faults, name="load_faults"),
    path("try/", trying.try_one, name="try"),
    path("settings/", settings.settings, name="settings"),
    path("settings/texts/", texts.texts, name="texts"),
    path("settings/texts/<slug:text_name>/", texts.text, name="text"),
    path("settings/<slug:name>/", settings.setting, name="setting"),
    path("add-person/", people.add_person, name="add_person"),
    path("people/<path:patient_ref>/records/", records.records, name="records"),
    path("people/<path:patient_ref>/person/", people.change_person, name="change_person"),
    path("people/<path:patient_ref>/standing/", people.change_standing, name="change_standing"),
    path("people/<path:patient_ref>/blood/", people.change_needs, name="change_needs"),
    path("people/<path:patient_ref>/goals/", clinic.change_goals, name="change_goals"),
    path("people/<path:patient_ref>/measure/", people.add_measure, name="add_measure"),
    path("people/<path:patient_ref>/session/", records.add_session, name="add_session"),
    path("people/<path:patient_ref>/session/<int:key>/", records.correct_session, name="correct_session"),
    path("people/<path:patient_ref>/results/", records.add_results, name="add_results"),
    path("people/<path:patient_ref>/results/<int:key>/", records.correct_result, name="correct_result"),
    path("people/<path:patient_ref>/results/<int:key>/withdraw/", records.withdraw_result, name="withdraw_result"),
    path("people/<path:patient_ref>/transfusion/", records.add_transfusion, name="add_transfusion"),
    path(
        "people/<path:patient_ref>/transfusion/<int:key>/withdraw/",
        records.withdraw_transfusion,
        name="withdraw_transfusion",
    ),
    path("people/<path:patient_ref>/follow-up/", records.follow_up, name="follow_up"),
    path("people/<path:patient_ref>/plan/", plan.plan, name="plan"),
    path("people/<path:patient_ref>/plan.pdf", plan.plan_on_paper, name="plan_pdf"),
    path("people/<path:patient_ref>/decide/", clinic.decide, name="decide"),
    path("people/<path:patient_ref>/note/", clinic.add_note, name="add_note"),
    path("people/<path:patient_ref>/note/<int:key>/withdraw/", clinic.withdraw_note, name="withdraw_note"),
    path("people/<path:patient_ref>/check/", clinic.record_check, name="record_check"),
    path("people/<path:patient_ref>/check/<int:key>/withdraw/", clinic.withdraw_check, name="withdraw_check"),
    path("people/<path:patient_ref>/compare/", clinic.compare, name="compare"),
    path("people/<path:patient_ref>/summary.pdf", clinic.summary, name="summary_pdf"),
    path("people/<path:patient_ref>/own-summary.pdf", clinic.own_summary, name="own_summary_pdf"),
    path("people/<path:patient_ref>/lift-lock/", course.lift_lock, name="lift_lock"),
    path("people/<path:patient_ref>/", course.course, name="course"),
]
