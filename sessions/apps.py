from django.apps import AppConfig


class SessionsConfig(AppConfig):
    name = "sessions"
    label = "exchange_sessions"

    def ready(self) -> None:
        from patients import services  # noqa: PLC0415 -- app ready
        from sessions import facts  # noqa: PLC0415 -- app ready

        services.follow(facts.rebuild_facts)
