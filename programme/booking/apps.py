from django.apps import AppConfig


class BookingConfig(AppConfig):
    name = "programme.booking"
    label = "booking"
