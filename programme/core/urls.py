from django.urls import path

from programme.core import views

app_name = "core"
urlpatterns = [
    path("sign-in/", views.sign_in, name="sign_in"),
    path("sign-out/", views.sign_out, name="sign_out"),
    path("account/", views.own_account, name="own_account"),
    path("account/password/", views.change_password, name="change_password"),
    path("account/pin/", views.change_pin, name="change_pin"),
]
