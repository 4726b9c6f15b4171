from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    label = "exchange_sessions"

    def ready(self) -> None:
        from patients.services import follow  # noqa: PLC0415 -- app ready
        from sessions.services import follow_change  # noqa: PLC0415 -- app ready

        follow(follow_change)
