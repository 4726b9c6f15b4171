from django.urls import path

from programme.core.views import account, provider, signing_in, users, watching

app_name = "core"
urlpatterns = [
    path("health/", watching.health, name="health"),
    path("ready/", watching.ready, name="ready"),
    path("sign-in/", signing_in.sign_in, name="sign_in"),
    path("sign-in/second/", signing_in.second_step, name="second_step"),
    path("sign-in/provider/", provider.to_provider, name="to_provider"),
    path("sign-in/provider/back/", provider.from_provider, name="from_provider"),
    path("sign-out/", signing_in.sign_out, name="sign_out"),
    path("sign-out/provider/", provider.signed_out, name="signed_out"),
    path("sign-out/provider/end/", provider.sign_out_there, name="sign_out_there"),
    path("account/", account.own_account, name="own_account"),
    path("account/password/", account.change_password, name="change_password"),
    path("account/second-proof/", account.set_second_proof, name="second_proof"),
    path("account/second-proof/codes/", account.new_codes, name="new_codes"),
    path("account/second-proof/off/", account.second_proof_off, name="second_proof_off"),
    path("account/provider/", provider.own_account, name="own_outside_account"),
    path("account/what-it-is/", account.what_it_is, name="what_it_is"),
    path("account/sign-ins/", account.own_sign_ins, name="own_sign_ins"),
    path("users/", users.users, name="users"),
    path("users/add/", users.add, name="add_user"),
    path("users/<int:key>/", users.user, name="user"),
    path("users/<int:key>/sign-in/", users.help_to_sign_in, name="help_to_sign_in"),
    path("users/<int:key>/provider/", users.outside_account, name="outside_account"),
    path("account/pin/", account.change_pin, name="change_pin"),
]
