from django.apps import AppConfig


class DayConfig(AppConfig):
    name = "sessions.day"
    label = "exchange_day"

    def ready(self) -> None:
        from patients.services import follow  # noqa: PLC0415 -- app ready
        from sessions.day.services.prescribing import lapse_where_changed  # noqa: PLC0415 -- app ready

        follow(lapse_where_changed)
