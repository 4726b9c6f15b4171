import struct
import zlib

from django.db import migrations, models

FIGURES = (
    "day", "known_day", "hbs_before_pct", "hbs_after_pct", "hbs_ratio", "hbs_ratio_sd", "hb_before_g_l",
    "hb_after_g_l", "hb_reckoned_g_l", "hb_reckoned_sd", "untransfused_pct", "reason", "gap_known", "topup_hb_g",
    "topup_day", "blood_volume_ml", "method", "share_of_ideal", "share_of_ideal_sd", "hbs_before_result",
    "hbs_after_result", "hb_before_result", "hb_after_result",
)  # fmt: skip
ROWS_AT_ONCE = 1000


def pack_all(apps, schema_editor):
    facts = apps.get_model("exchange_sessions", "SessionFacts")
    connection = schema_editor.connection
    update = f"UPDATE {facts._meta.db_table} SET packed = %s WHERE exchange_session_id = %s"
    rows = facts._default_manager.using(connection.alias).order_by("pk").values_list("pk", *FIGURES)
    last = -1
    with connection.cursor() as cursor:
        while some := list(rows.filter(pk__gt=last)[:ROWS_AT_ONCE]):
            cursor.executemany(update, [(packed(figures), key) for key, *figures in some])
            last = some[-1][0]


def packed(figures):
    method = FIGURES.index("method")
    figures[method] = zlib.crc32(figures[method].encode()) if figures[method] else -1
    return struct.pack(f"<{len(FIGURES)}d", *(float("nan") if one is None else one for one in figures))


class Migration(migrations.Migration):
    """The figures of each row of facts beside them in one column, packed as the drift model reads them."""

    dependencies = [("exchange_sessions", "0009_units_by_donation")]

    operations = [
        migrations.AddField(
            model_name="sessionfacts",
            name="packed",
            field=models.BinaryField(default=b""),
            preserve_default=False,
        ),
        migrations.RunPython(pack_all, migrations.RunPython.noop),
    ]
