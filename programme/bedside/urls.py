"""Addresses of the day of an exchange, from the plan on screen to the closed record."""

from django.urls import URLPattern, path

from programme.bedside.views import after, afterwards, calls, ending, papers, planning, record, run, start, units

app_name = "bedside"
urlpatterns: list[URLPattern] = [
    path("people/<path:patient_ref>/day/new", planning.new, name="new"),
    path("people/<path:patient_ref>/day/<int:key>/plan/", planning.plan, name="plan"),
    path("people/<path:patient_ref>/day/<int:key>/plan/work/", planning.work, name="work"),
    path("people/<path:patient_ref>/day/<int:key>/authorise/", planning.authorise, name="authorise"),
    path("people/<path:patient_ref>/day/<int:key>/cancel/", planning.cancel, name="cancel"),
    path("people/<path:patient_ref>/day/<int:key>/plan.pdf", planning.sheet, name="sheet"),
    path("people/<path:patient_ref>/day/<int:key>/empty.pdf", planning.empty_sheet, name="empty_sheet"),
    path("people/<path:patient_ref>/consent/", papers.consent, name="consent"),
    path("people/<path:patient_ref>/consent/taken-back/", papers.consent_taken_back, name="consent_taken_back"),
    path("people/<path:patient_ref>/crossmatch/", papers.crossmatch_sample, name="crossmatch_sample"),
    path("people/<path:patient_ref>/crossmatch/withdrawn/", papers.sample_withdrawn, name="sample_withdrawn"),
    path("people/<path:patient_ref>/day/<int:key>/start/", start.start, name="start"),
    path("people/<path:patient_ref>/day/<int:key>/run/", run.run, name="run"),
    path("people/<path:patient_ref>/day/<int:key>/enter/", run.enter, name="enter"),
    path("people/<path:patient_ref>/day/<int:key>/since/<int:number>/", run.since, name="since"),
    path("people/<path:patient_ref>/day/<int:key>/finish/", ending.finish, name="finish"),
    path("people/<path:patient_ref>/day/<int:key>/abandon/", ending.abandon, name="abandon"),
    path("people/<path:patient_ref>/day/<int:key>/after/", after.after, name="after"),
    path("people/<path:patient_ref>/day/<int:key>/sample/", afterwards.sample, name="sample"),
    path("people/<path:patient_ref>/day/<int:key>/going-home/", afterwards.going_home, name="going_home"),
    path("people/<path:patient_ref>/day/<int:key>/put-right/", afterwards.put_right, name="put_right"),
    path("people/<path:patient_ref>/day/<int:key>/recheck/", afterwards.recheck, name="recheck"),
    path("people/<path:patient_ref>/day/<int:key>/close/", after.close, name="close"),
    path("people/<path:patient_ref>/day/<int:key>/reopen/", after.reopen, name="reopen"),
    path("people/<path:patient_ref>/day/<int:key>/record.pdf", record.on_paper, name="record_pdf"),
    path("people/<path:patient_ref>/day/<int:key>/record.csv", record.as_table, name="record_csv"),
    path("people/<path:patient_ref>/call/<int:key>/", calls.call, name="call"),
    path("people/<path:patient_ref>/day/<int:key>/units/", units.units, name="units"),
    path("people/<path:patient_ref>/day/<int:key>/units/add/", units.add, name="unit_add"),
    path("people/<path:patient_ref>/day/<int:key>/units/<int:place>/check/", units.check, name="unit_check"),
    path("people/<path:patient_ref>/day/<int:key>/units/<int:place>/start/", units.start, name="unit_start"),
    path("people/<path:patient_ref>/day/<int:key>/units/<int:place>/end/", units.end, name="unit_end"),
    path("people/<path:patient_ref>/day/<int:key>/units/<int:place>/away/", units.away, name="unit_away"),
    path("people/<path:patient_ref>/day/<int:key>/units/<int:place>/back/", units.back, name="unit_back"),
]
