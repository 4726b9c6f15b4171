"""Every table that says something of a person, how its rows lead to that person, and what is left out and why.

A test walks all tables: a new one must be named in one of the three lists here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Held:
    """One table. paths: look-ups from its rows to the key of the person, each of which alone makes a row theirs.

    on_paper: the fields that the readable paper prints, None for all of them, empty where it prints none. unless: a
    field that may lead to somebody else, whose the row then is.
    """

    table: str
    title: str
    paths: tuple[str, ...] = ("patient",)
    on_paper: tuple[str, ...] | None = None
    unless: str = ""


IN_SESSION = ("exchange_session__patient",)
HELD: tuple[Held, ...] = (
    Held("patients.Patient", "The person", ("pk",)),
    Held("patients.TransfusionNeeds", "Blood to give"),
    Held("patients.Antibody", "Antibodies ever found"),
    Held("patients.Goals", "Goals"),
    Held("patients.BodyMeasure", "Weight and height"),
    Held("patients.Consent", "Consents"),
    Held("patients.CrossmatchSample", "Crossmatch samples"),
    Held("patients.LabResult", "Results"),
    Held("patients.CourseNote", "Notes on the course"),
    Held("patients.CheckDone", "Checks done"),
    Held("exchange_sessions.ExchangeSession", "Exchange sessions"),
    Held("exchange_sessions.ExchangeStep", "Steps of sessions", IN_SESSION),
    Held("exchange_sessions.DonationUnit", "Units of sessions", IN_SESSION),
    Held("exchange_sessions.ResultLink", "Results that belong to a session", IN_SESSION, ()),
    Held("exchange_sessions.OtherTransfusion", "Other transfusions"),
    Held("exchange_sessions.HaemolysisSign", "Signs after red cells"),
    Held("exchange_sessions.LockLift", "Locks lifted"),
    Held("exchange_sessions.SessionFacts", "Reckoned from sessions", on_paper=()),
    Held("exchange_sessions.StoredForecast", "Forecast in force", on_paper=()),
    Held("exchange_day.Prescription", "Plans of sessions", IN_SESSION, (
        "exchange_session", "number", "method", "made_at", "made_by", "why", "weight_kg", "hb_g_l", "hbs_pct", "units",
        "authorised_by", "authorised_at", "lapsed_at", "lapsed_why", "replaced_at",
    )),
    Held("exchange_day.Entry", "Entries at the chair", IN_SESSION, (
        "exchange_session", "number", "happened_at", "kind", "body", "by", "why",
    )),
    Held("exchange_day.AdverseEvent", "Reactions"),
    Held("exchange_day.FollowUp", "Calls and checks after sessions"),
    Held("intake.ReadResult", "Results as they were sent", ("result__patient", "inbox_items__patient"), ()),
    Held("intake.InboxItem", "What waited for a decision", ("patient", "result__patient"), (
        "at", "sentence", "state", "choice", "why", "settled_at", "settled_by",
    )),
    Held("planning.KeptForecast", "Forecasts that were in force before sessions", on_paper=()),
    Held("planning.Suggestion", "Suggestion in force", on_paper=("as_of", "status", "reason", "next_date",
                                                                 "latest_safe_date", "interval_days")),
    Held("booking.Wishes", "What suits"),
    Held("booking.Away", "Days away"),
    Held("booking.Booking", "Places booked"),
    Held("booking.Occupied", "Chairs held", ("booking__patient",), ()),
    Held("booking.Contact", "Calls about places"),
    Held("booking.Waiting", "Waiting for an earlier place"),
    Held("booking.CalendarFeed", "Calendar addresses"),
    Held("supply.BloodOrder", "Orders for blood", on_paper=(
        "number", "for_at", "units", "needs", "order_by", "state", "confirmed_units", "substitution", "late_reason",
        "ended_reason",
    )),
    Held("supply.OrderEvent", "What happened to orders", ("order__patient",)),
    Held("supply.SuppliedUnit", "Units that came for orders", ("order__patient", "given_to"), unless="given_to"),
    Held("core.BrokenGlass", "Read by other units", ("patient_key",)),
    Held("core.TrailEntry", "The trail: changes", ("patient_key",), ("at", "actor", "action", "why")),
)  # fmt: skip

NOT_GIVEN: frozenset[tuple[str, str]] = frozenset({
    ("booking.CalendarFeed", "secret_digest"), ("exchange_day.Entry", "key"),
    ("exchange_sessions.SessionFacts", "packed"),
})  # fmt: skip
"""Fields that open or identify something of the programme, or say the figures of the same row once more as bytes."""

NAMES_OTHERS: Mapping[str, tuple[str, ...]] = {
    "intake.InboxItem": ("sentence", "about"),
    "intake.ReadResult": ("said",),
}
"""Fields that may name other people beside this one: given only where no other can be meant."""

LEFT_OUT: Mapping[str, str] = {
    "intake.RawMessage": "may hold results of other people too; what was read of this person is in ReadResult",
    "intake.Reading": "how far the reading of a whole message is",
    "booking.Proposal": "places of everybody at once; what was accepted of this person is in Booking",
    "planning.ReplanChunk": "keys of the people of one share of a nightly run, replaced by the next",
    "supply.DemandForecast": "sums of the unit, with references of people of whom nothing could be foreseen",
    "core.Erasure": "who asked and who agreed to erase the record: it outlives it, and names nobody",
    "core.Receipt": "one-time keys of forms, with the address that a form led to",
}
"""Tables that name people besides others, and why they are not exported."""

OF_NOBODY: frozenset[str] = frozenset({
    "core.Site", "core.SiteSetting", "core.SiteText", "core.User", "core.SignInTries", "core.KnownBrowser",
    "core.SignedIn", "core.OutsideAccount", "core.RecoveryCode", "exchange_sessions.ModelFit",
    "exchange_sessions.BacktestRun", "intake.Sender", "intake.LocalCode", "intake.Refusal", "planning.ReplanRun",
    "planning.ForecastWatch", "booking.Chair", "booking.Slot",
    "booking.OpeningHours", "booking.ClosedDay", "booking.StaffLimit", "booking.OtherUse", "supply.DemandLookBack",
})  # fmt: skip
"""Tables that say nothing of anybody who is treated."""
