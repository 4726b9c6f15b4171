from django.urls import path

from programme.review import views

app_name = "review"
urlpatterns = [path("", views.how_good, name="how_good")]
