from celery.signals import task_failure
from django.apps import AppConfig
from django.db.models.signals import post_migrate


class CoreConfig(AppConfig):
    name = "programme.core"
    label = "core"

    def ready(self) -> None:
        from programme.core import counted, guards  # noqa: PLC0415 -- app ready

        post_migrate.connect(guards.make_after_migrate, sender=self)
        task_failure.connect(counted.note_failed_task)
