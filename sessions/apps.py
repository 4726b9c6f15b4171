from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    label = "exchange_sessions"
