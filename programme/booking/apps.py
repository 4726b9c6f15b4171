from django.apps import AppConfig


class BookingConfig(AppConfig):
    name = "programme.booking"
    label = "booking"

    def ready(self) -> None:
        from programme.booking.queries.free import known_days  # noqa: PLC0415 -- app ready
        from programme.planning import inputs  # noqa: PLC0415 -- app ready

        inputs.ask_also(known_days)
