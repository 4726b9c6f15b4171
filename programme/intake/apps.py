from django.apps import AppConfig


class IntakeConfig(AppConfig):
    name = "programme.intake"
    label = "intake"
