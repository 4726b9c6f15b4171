"""Writing about the unit's settings, which reach every person's figures."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import raise_data_version
from programme.core import trail
from programme.core.models import Site, SiteSetting, User
from programme.core.numeric.setting_table import DEFAULTS
from sessions.facts import rebuild_facts

IN_FACTS = frozenset({
    "unit_volume_ml", "unit_hb_g", "hbs_assay_sd_pct", "hb_assay_sd_g_l", "iron_mg_per_g_hb",
    "untransfused_default_pct",
})  # fmt: skip
"""Settings that the stored facts of past sessions were reckoned with."""


@transaction.atomic
def change_setting(
    *, site: Site, name: str, value: float, reason: str, was: float, actor: User, at: datetime
) -> SiteSetting:
    """Put a dated value of one setting in force, with who and why; whatever was reckoned with the old one is stale.

    was: the value in force when the form was opened. Raises ValidationError for a value outside the range, a missing
    reason, no change, or a value that somebody else changed meanwhile.
    """
    Site.objects.select_for_update().get(pk=site.pk)  # two changes at once would both find the same value in force
    newest = SiteSetting.objects.filter(site=site, name=name).newest_first().first()
    in_force = DEFAULTS.get(name) if newest is None else newest.value
    if in_force != was:
        raise ValidationError({"value": f"Somebody changed it to {in_force:g} meanwhile; look at their reason first."})
    if value == in_force:
        raise ValidationError({"value": f"{value:g} is in force already."})
    if not reason.strip():
        raise ValidationError({"reason": "Say why: the reason is kept with the change."})
    row = SiteSetting(site=site, name=name, value=value, since=at, by=actor, reason=reason.strip())
    row.full_clean()
    row.save()
    said = trail.Change(
        site.pk, None, "change setting", "core.SiteSetting", row.pk, why=row.reason,
        before={"name": name, "value": in_force}, after={"name": name, "value": value},
    )  # fmt: skip
    trail.write([said], actor=actor, at=at)
    people = list(Patient.objects.of_site(site).values_list("pk", flat=True))
    if name in IN_FACTS:
        rebuild_facts(people, at)
    raise_data_version(people)
    return row
