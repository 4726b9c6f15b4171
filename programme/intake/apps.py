from django.apps import AppConfig


class IntakeConfig(AppConfig):
    name = "programme.intake"
    label = "intake"

    def ready(self) -> None:
        from patients.services import follow  # noqa: PLC0415 -- app ready
        from programme.intake.services.high_hb import follow_typed_hb  # noqa: PLC0415 -- app ready

        follow(follow_typed_hb)
