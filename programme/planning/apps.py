from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "programme.planning"
    label = "planning"
