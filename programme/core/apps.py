from celery.signals import task_failure
from django.apps import AppConfig
from django.db.models.signals import post_migrate


class CoreConfig(AppConfig):
    name = "programme.core"
    label = "core"

    def ready(self) -> None:
        from programme.core import counted, trail  # noqa: PLC0415 -- app ready

        # SQLite drops triggers when it rebuilds a table, so they are made again after every migrate.
        post_migrate.connect(trail.make_triggers_after_migrate, sender=self)
        task_failure.connect(counted.note_failed_task)
