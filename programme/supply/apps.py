from django.apps import AppConfig


class SupplyConfig(AppConfig):
    name = "programme.supply"
    label = "supply"
