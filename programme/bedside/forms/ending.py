"""Forms about the end of a session and what comes after: finishing, giving up, sample, going home, putting right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from patients.models import Analyte
from programme.bedside.forms.vitals import vital_field
from programme.core.numeric.days import written_day
from programme.worklist.forms.fields import (
    ChoiceField,
    DayField,
    EdgeField,
    EdgeForm,
    HaemoglobinField,
    LongField,
    MomentField,
    Part,
    QuantityField,
    TickField,
    TicksField,
)
from programme.worklist.forms.reading import LONGEST_AHEAD, TypedMoment
from programme.worklist.forms.sessions import HB_SOFT, share, volume
from sessions.day.numeric.entries import LONGEST_END_WORDS, MOST_IN_TOTAL_ML, MOST_UNITS, VITALS
from sessions.day.numeric.machine import Totals
from sessions.models import HaemolysisSign

RESULTS = {"hb_g_l": Analyte.HB, "hbs_pct": Analyte.HBS, "hbc_pct": Analyte.HBC}
MISSING_VOLUME = "missing"
CLOCK_TYPED = r"(.* )?([01]?\d|2[0-3])[:.][0-5]\d"


class TimedForm(EdgeForm):
    """A form with times of day: on the session's day at the unit, unless another day stands before them.

    started_at: of the session; a time more than 12 h before it is of the day after, for the session went on past
    midnight.
    """

    times: tuple[str, ...] = ()

    def __init__(self, *args: Any, zone: ZoneInfo, on: date, started_at: datetime | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone, self.on, self.started_at = zone, on, started_at

    def clean(self) -> dict[str, Any]:
        super().clean()
        for name in self.times:
            typed = self.cleaned_data.get(name)
            if isinstance(typed, TypedMoment):
                try:
                    self.cleaned_data[name] = self._moment(typed)
                except ValueError as error:
                    self.refuse(name, f"{self.fields[name].label}: {error}")
        return self.cleaned_data

    def _moment(self, typed: TypedMoment) -> datetime:
        moment = typed.in_zone(self.zone, self.on)
        if typed.on is None and self.started_at is not None and self.started_at - moment > LONGEST_AHEAD:
            return typed.in_zone(self.zone, self.on + timedelta(days=1))
        return moment


def shown_moment(moment: datetime | None, zone: ZoneInfo, on: date) -> str:
    """Write a moment as the fields read it: '14:40', with the day before it where it is not the form's own."""
    if moment is None:
        return ""
    local = moment.astimezone(zone)
    return f"{local:%H:%M}" if local.date() == on else f"{written_day(local.date())} {local:%H:%M}"


class FinishForm(EdgeForm):
    """Why a session is finished although something is asked about."""

    reason = EdgeField(label="Reason", most=400, wide=True, help_text="needed where a line above is not in order")
    parts = (Part("Why", ("reason",)),)

    def __init__(self, *args: Any, asks: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not asks:
            del self.fields["reason"]


class AbandonForm(FinishForm):
    """Why a session is given up."""

    reason = EdgeField(label="Why it is given up", required=True, most=400, wide=True)


class TotalsForm(TimedForm):
    """What the machine states at the end of an automated session."""

    started = MomentField(label="Started", required=True, help_text="such as 09:30")
    ended = MomentField(label="Ended", required=True, help_text="such as 12:05")
    saline_in_ml = volume("Saline in", MOST_IN_TOTAL_ML["saline_in_ml"], required=True)
    red_cells_in_ml = volume("Red cells in", MOST_IN_TOTAL_ML["red_cells_in_ml"], required=True)
    blood_out_ml = volume("Blood out", MOST_IN_TOTAL_ML["blood_out_ml"], required=True)
    units = QuantityField(label="Red cell units", required=True, low=0, high=MOST_UNITS, unit="units", whole=True)
    end_words = EdgeField(
        label="End figures", most=LONGEST_END_WORDS, wide=True, help_text="as the machine states them, word for word"
    )

    times = ("started", "ended")
    totals = ("saline_in_ml", "red_cells_in_ml", "blood_out_ml", "units", "started", "ended", "end_words")
    parts: tuple[Part, ...] = (Part("Totals", totals, note="of the machine; its own record stays with the machine"),)

    def __init__(self, *args: Any, beside: Mapping[str, str] | None = None, **kwargs: Any) -> None:
        """beside: what is planned, in words, by field."""
        super().__init__(*args, **kwargs)
        for name, words in (beside or {}).items():
            self.fields[name].help_text = words
        for name in self.totals:  # asked of the browser by the script before an entry is sent
            self.fields[name].widget.attrs |= {"required": True} if self.fields[name].required else {}
            self.fields[name].widget.attrs |= {"pattern": CLOCK_TYPED} if name in self.times else {}

    def said(self) -> Totals:
        """Return the totals as typed."""
        given = self.cleaned_data
        return Totals(
            saline_in_ml=given["saline_in_ml"],
            red_cells_in_ml=given["red_cells_in_ml"],
            blood_out_ml=given["blood_out_ml"],
            units=int(given["units"]),
            started_at=given["started"],
            ended_at=given["ended"],
            end_words=given["end_words"] or "",
        )


class RightTotalsForm(TotalsForm):
    """The right totals, and why those that stand are wrong."""

    why = EdgeField(label="Why", required=True, most=400, wide=True)
    parts = (*TotalsForm.parts, Part("Record", ("why",)))


class ReasonForm(EdgeForm):
    """A reason and nothing else."""

    reason = EdgeField(label="Reason", required=True, most=400, wide=True)
    parts = (Part("Why", ("reason",)),)


class CloseForm(EdgeForm):
    """Why a session is closed although a line is not in order; empty where all are."""

    reason = EdgeField(label="Reason", most=400, wide=True)


class SampleForm(TimedForm):
    """When and from where the after-sample was taken, and its results as they come in."""

    taken = MomentField(label="Sample taken", required=True, help_text="such as 14:40")
    place = EdgeField(label="Arm or line", required=True, most=60, help_text="such as left arm, fresh puncture")
    from_return = TickField(label="This arm or line was used to give fluid")
    hb_g_l = HaemoglobinField(label="Hb after", soft=HB_SOFT)
    hbs_pct = share("HbS after")
    hbc_pct = share("HbC after")
    method = EdgeField(label="HbS method", most=60, help_text="as the laboratory names it")

    times: tuple[str, ...] = ("taken",)
    parts = (
        Part("Sample", ("taken", "place", "from_return"),
             note="a tube diluted by what is left in a line is a common cause of results that make no sense"),
        Part("Results", ("hb_g_l", "hbs_pct", "hbc_pct", "method"), note="empty until they are in"),
    )  # fmt: skip

    def __init__(
        self, *args: Any, follows_hbc: bool, known: Sequence[str] = (), without: Sequence[str] = (), **kwargs: Any
    ) -> None:
        """known: analytes that are recorded already. without: fields of the sample that can no longer be entered."""
        super().__init__(*args, **kwargs)
        self.times = tuple(name for name in self.times if name not in without)
        gone = [*without, *(name for name, analyte in RESULTS.items() if analyte in known)]
        gone += [] if follows_hbc or "hbc_pct" in gone else ["hbc_pct"]
        gone += ["method"] if set(RESULTS) <= set(gone) else []
        for name in gone:
            del self.fields[name]

    def values(self) -> dict[str, float]:
        """Return the results entered, by analyte, in stored units."""
        given = {analyte: self.cleaned_data.get(name) for name, analyte in RESULTS.items()}
        return {analyte: float(value) for analyte, value in given.items() if value is not None}


class HomeForm(EdgeForm):
    """Before going home: observations, what became of the blood drawn, and the leaflet."""

    bp_sys = vital_field("bp_sys", "Systolic")
    bp_dia = vital_field("bp_dia", "Diastolic")
    pulse = vital_field("pulse", "Pulse")
    temp_c = vital_field("temp_c", "Temperature")
    spo2 = vital_field("spo2", "Oxygen saturation")
    resp = vital_field("resp", "Breaths")
    words = EdgeField(label="How they are", most=200, wide=True)
    disposal = EdgeField(
        label="Blood drawn", most=200, wide=True, help_text="what became of it, such as clinical waste"
    )
    leaflet = TickField(label="Leaflet on late reactions given, and told whom to call")

    parts = (
        Part("Going-home observations", (*VITALS, "words")),
        Part("Disposal", ("disposal",)),
        Part("Late reactions", ("leaflet",)),
    )

    def observation(self) -> dict[str, Any]:
        """Return the observations as an entry keeps them; empty where none was made."""
        said = {name: self.cleaned_data[name] for name in VITALS if self.cleaned_data.get(name) is not None}
        if self.cleaned_data.get("words"):
            said["words"] = self.cleaned_data["words"]
        return {"moment": "going_home", **said} if said else {}

    def clean(self) -> dict[str, Any]:
        super().clean()
        if not self.errors and not (
            self.observation() or self.cleaned_data["disposal"] or self.cleaned_data["leaflet"]
        ):
            self.refuse("bp_sys", "Nothing is entered yet.")
        return self.cleaned_data


class VolumeForm(TimedForm):
    """One volume of a finished session put right in amount or time, taken out, or added where it is missing."""

    entry = ChoiceField(label="Which volume", required=True, wide=True)
    in_ml = volume("In", 1500, help_text="0 in both takes it out; empty in both leaves the volumes")
    out_ml = volume("Out", 1500)
    happened = MomentField(label="When", help_text="the right time, or that of a missing volume")
    why = EdgeField(label="Why", required=True, most=400, wide=True)

    times = ("happened",)
    parts = (
        Part("Volume", ("entry", "in_ml", "out_ml", "happened"), note="what was missing counts as saline and blood"),
        Part("Record", ("why",)),
    )

    def __init__(self, *args: Any, entries: Sequence[tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        missing = (MISSING_VOLUME, "a volume that is missing, such as blood drawn afterwards")
        # None stands ready: the first volume would be put right by whoever forgets to say which.
        self.fields["entry"].choices = [("", "choose"), *entries, missing]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        volumes = [given.get("in_ml"), given.get("out_ml")]
        if volumes.count(None) == 1 and "in_ml" not in self.errors and "out_ml" not in self.errors:
            self.refuse("in_ml", "In and out: enter both, or leave both empty to put only the time right.")
        if given.get("entry") == MISSING_VOLUME:
            if not given.get("happened"):
                self.refuse("happened", "When: say when the missing volume was given or drawn.")
            if not any(volumes):
                self.refuse("in_ml", "In: a missing volume is more than nothing.")
        elif volumes == [None, None] and not given.get("happened"):
            self.refuse("in_ml", "Nothing is put right yet: enter the right volumes, or the right time.")
        return given


class RecheckForm(EdgeForm):
    """When Hb is checked again."""

    due_on = DayField(label="Due on", required=True)
    words = EdgeField(label="What for", most=300, wide=True)
    parts = (Part("Check Hb again", ("due_on", "words")),)


NOT_REACHED, REACHED = "not_reached", "reached"


class CallForm(EdgeForm):
    """What came of a contact that was due."""

    reached = ChoiceField(
        label="What happened", required=True,
        choices=[("", "choose"), (REACHED, "reached, or done"), (NOT_REACHED, "not reached; try again")],
    )  # fmt: skip
    outcome = LongField(label="What came of it, or what was tried", required=True, most=400, wide=True)
    again_on = DayField(label="Try again on", help_text="only where nobody was reached")
    signs = TicksField(label="Signs since the session", choices=HaemolysisSign.Sign.choices)
    signs_on = DayField(label="Noticed on", help_text="needed with a sign")

    parts = (
        Part("The contact", ("reached", "outcome", "again_on")),
        Part("Signs of a late reaction", ("signs", "signs_on"),
             note="any of them stops further red cells until a consultant has decided"),
    )  # fmt: skip

    def __init__(self, *args: Any, ask_signs: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in () if ask_signs else ("signs", "signs_on"):
            del self.fields[name]

    def clean(self) -> dict[str, Any]:
        super().clean()
        given = self.cleaned_data
        self.refuse_future(*[name for name in ("signs_on",) if name in self.fields])
        if given.get("reached") == NOT_REACHED and not given.get("again_on"):
            self.refuse("again_on", "Try again on: say on which day.")
        if given.get("reached") == NOT_REACHED and given.get("signs"):
            self.refuse("signs", "Signs: nobody was reached who could tell of any.")
        if given.get("signs") and not given.get("signs_on"):
            self.refuse("signs_on", "Noticed on: say on which day.")
        return given
