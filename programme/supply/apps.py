from django.apps import AppConfig


class SupplyConfig(AppConfig):
    name = "programme.supply"
    label = "supply"

    def ready(self) -> None:
        from programme.booking.services import booking  # noqa: PLC0415 -- app ready
        from programme.core import changes  # noqa: PLC0415 -- app ready
        from programme.supply.queries import reserved  # noqa: PLC0415 -- app ready
        from programme.supply.services import chair, following  # noqa: PLC0415 -- app ready
        from sessions.day.services import units as at_chair  # noqa: PLC0415 -- app ready

        booking.follow(following.follow_booking)
        changes.subscribe(chair.follow_bedside)
        at_chair.refuse_also(reserved.not_for_this_person)
