from django.apps import AppConfig


class DayConfig(AppConfig):
    name = "sessions.day"
    label = "exchange_day"
