"""The forms that change one site setting, or one of the site's own texts."""

from __future__ import annotations

from typing import Any

from programme.core.numeric.setting_table import SettingRow
from programme.core.numeric.text_table import LONGEST_TEXT
from programme.worklist.forms.fields import EdgeField, EdgeForm, LongField, Part, QuantityField


class SettingForm(EdgeForm):
    """A new value and why. `version` carries the value in force when the form was opened."""

    value = QuantityField(label="New value", required=True, low=0, high=0, unit="")
    reason = EdgeField(label="Why", required=True, most=400, wide=True)

    parts = (Part("Setting", ("value", "reason"), note="dated, with your name; the old value stays in the record"),)

    def __init__(self, *args: Any, row: SettingRow, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["value"] = QuantityField(
            label="New value", required=True, low=row.low, high=row.high, unit=row.unit,
            help_text=f"{row.low:g} to {row.high:g} {row.unit}".strip(),
        )  # fmt: skip


class TextForm(EdgeForm):
    """A new wording and why. `version` carries the key of the wording in force when the form was opened, 0 for none."""

    text = LongField(label="Text", most=LONGEST_TEXT, wide=True)
    reason = EdgeField(label="Why", required=True, most=400, wide=True)

    parts = (Part("Text", ("text", "reason"), note="dated, with your name; the old wording stays in the record"),)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["text"].widget.attrs["rows"] = 10
