"""Addresses of the pages that read several stages together. More specific addresses of a person come first."""

from django.urls import URLPattern, path

from programme.worklist.views import course, everyone, load, plan, trying

app_name = "worklist"
urlpatterns: list[URLPattern] = [
    path("", everyone.everyone, name="list"),
    path("bring-in/", load.choose, name="load"),
    path("bring-in/<str:token>/", load.look, name="load_look"),
    path("bring-in/<str:token>/faults/", load.faults, name="load_faults"),
    path("try/", trying.try_one, name="try"),
    path("people/<str:patient_ref>/plan/", plan.plan, name="plan"),
    path("people/<str:patient_ref>/plan.pdf", plan.plan_on_paper, name="plan_pdf"),
    path("people/<str:patient_ref>/lift-lock/", course.lift_lock, name="lift_lock"),
    path("people/<str:patient_ref>/", course.course, name="course"),
]
