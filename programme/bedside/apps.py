from django.apps import AppConfig


class BedsideConfig(AppConfig):
    name = "programme.bedside"
    label = "bedside"

    def ready(self) -> None:
        from programme.core import changes  # noqa: PLC0415 -- app ready
        from sessions.day.services.prescribing import lapse_where_changed  # noqa: PLC0415 -- app ready

        # After the forecast was renewed, which planning does before: figures may have locked somebody.
        changes.subscribe(lapse_where_changed)
