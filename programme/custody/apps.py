from django.apps import AppConfig


class CustodyConfig(AppConfig):
    name = "programme.custody"
    label = "custody"
