from django.apps import AppConfig


class BedsideConfig(AppConfig):
    name = "programme.bedside"
    label = "bedside"
