"""A made-up programme as the file that a unit would bring in, for tests and benches that need real-looking records."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

import numpy as np

from sessions.numeric.history.table import COLUMNS
from sessions.numeric.mechanisms.habit import prescribe_by_habit
from sessions.numeric.mechanisms.made_up import MadeUp

REASONS = ("routine", "early_unwell", "early_other", "late_missed")
NO_TARGET_PCT = 12.0


def volumes_of(made: MadeUp) -> tuple[Any, Any, Any]:
    """Saline, red cells and blood out of every session [mL], each [n], as the made-up unit would prescribe them."""
    columns, people = made.columns, made.people
    steps = prescribe_by_habit(
        blood_volume_ml=columns.blood_volume_ml,
        weight_kg=people.weight_kg[columns.person],
        hb_g_l=np.nan_to_num(columns.hb_before_g_l, nan=88.0),
        hbs_pct=made.truth.before_pct,
        end_target_pct=np.nan_to_num(columns.hbs_after_pct, nan=NO_TARGET_PCT),
        hb_goal_g_l=people.hb_goal_g_l[columns.person],
    )
    return np.round(steps.in_ml[:, 0]), np.round(steps.in_ml[:, 1]), np.round(steps.out_ml.sum(axis=1))


def history_file(made: MadeUp, *, last_on: date, ref: str = "P{:04d}") -> bytes:
    """The records of a made-up programme, moved so that the newest session is on `last_on`."""
    columns, people = made.columns, made.people
    saline, cells, out = volumes_of(made)
    moved = last_on.toordinal() - int(columns.day.max())
    file = io.StringIO()
    writer = csv.DictWriter(file, COLUMNS, restval="")
    writer.writeheader()
    for row, person in enumerate(columns.person):
        admission = "no" if columns.gap_known[row] else "unknown"
        writer.writerow(
            {
                "patient_ref": ref.format(person),
                "sex": "FM"[person % 2],
                "birth_date": date(1985 + person % 20, 1 + person % 12, 1 + person % 28),
                "height_cm": 160 + person % 20,
                "baseline_hbs_pct": people.believed_untransfused_pct[person],
                "threshold_hbs_pct": people.ceiling_pct[person],
                "session_date": date.fromordinal(int(columns.day[row]) + moved),
                "weight_kg": round(float(people.weight_kg[person]), 1),
                "hb_pre_g_l": _cell(columns.hb_before_g_l[row]),
                "hb_post_g_l": _cell(columns.hb_after_g_l[row]),
                "hbs_pre_pct": _cell(columns.hbs_before_pct[row]),
                "hbs_post_pct": _cell(columns.hbs_after_pct[row]),
                "saline_in_ml": saline[row],
                "red_cells_in_ml": cells[row],
                "blood_out_ml": out[row],
                "units": int(cells[row] // 260),
                "visit_reason": REASONS[columns.reason[row]],
                "admission_in_gap": "transfused" if columns.topup_hb_g[row] > 0 else admission,
            }
        )
    return file.getvalue().encode()


def _cell(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.1f}"
