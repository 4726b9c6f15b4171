from django.urls import path

from programme.review import views

app_name = "review"
urlpatterns = [
    path("", views.programme, name="programme"),
    path("csv/", views.as_csv, name="csv"),
    path("pdf/", views.as_pdf, name="pdf"),
    path("monitoring/", views.monitoring, name="monitoring"),
    path("monitoring/csv/", views.monitoring_as_csv, name="monitoring_csv"),
    path("reasons/", views.reasons, name="reasons"),
    path("reasons/csv/", views.reasons_as_csv, name="reasons_csv"),
    path("data/", views.data, name="data"),
    path("data/csv/", views.data_as_csv, name="data_csv"),
    path("forecasts/", views.how_good, name="how_good"),
    path("people/<slug:measure>/", views.people, name="people"),
]
