"""Forms about what is kept of a person."""

from __future__ import annotations

from programme.worklist.forms.fields import EdgeField, EdgeForm, Part


class ExportForm(EdgeForm):
    """Why all that is stored of a person is given away, and to whom."""

    why = EdgeField(
        label="To whom and why", required=True, most=300, wide=True, help_text="for example: asked for by herself"
    )

    parts = (Part("The reason", ("why",), note="it stands in the person’s trail with your name"),)
