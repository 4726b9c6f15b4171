from django.apps import AppConfig


class WorklistConfig(AppConfig):
    name = "programme.worklist"
    label = "worklist"
