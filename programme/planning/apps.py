from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "programme.planning"
    label = "planning"

    def ready(self) -> None:
        from programme.core import changes  # noqa: PLC0415 -- app ready
        from programme.planning import services  # noqa: PLC0415 -- app ready

        changes.subscribe(services.renew)
