"""What was really given and drawn against the stops of a session, while it runs.

A plan is judged before it is signed; a step that is left out, done twice or done with other volumes takes Hb, saline or
the blood drawn where no plan took them. The stops are those of `planning.numeric.limits`, or what the signed plan
itself reaches, where a prescriber signed for more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from programme.planning.numeric.limits import Limits
from sessions.day.numeric.volume_stops import SLACK_ML, is_past

SLACK_G_L = 1.0
"""So much past a stop is not said: Hb is measured in whole g/L. Chosen here."""
HOW = (
    "Hb here is the most likely one, without the margin that a plan keeps; "
    f"up to {SLACK_G_L:.0f} g/L or {SLACK_ML:.0f} mL past a stop is not said."
)
"""Said beside the sentences of `passed_now`."""


@dataclass(frozen=True, slots=True)
class Stops:
    """How far a session may go by the site's stops and its signed plan: Hb [g/L], saline in and blood out [mL]."""

    hb_low_g_l: float
    hb_high_g_l: float
    saline_ml: float
    out_ml: float


def stops_of(limits: Limits, *, hb_g_l: Sequence[float], saline_ml: float, out_ml: float) -> Stops:
    """Return the stops of one person's session.

    limits: of this one person, arrays [1]. hb_g_l: before the session and after each step of the signed plan.
    saline_ml, out_ml: of that plan in all.
    """
    return Stops(
        hb_low_g_l=min(float(limits.hb_floor_stop_g_l[0]), *hb_g_l),
        hb_high_g_l=max(float(limits.hb_after_stop_g_l[0]), *hb_g_l),
        saline_ml=max(float(limits.saline_stop_ml[0]), saline_ml),
        out_ml=max(float(limits.blood_out_stop_ml[0]), out_ml),
    )


def left_high_words(hb_g_l: float, *, allowed_g_l: float, planned_g_l: float) -> str:
    """Return what speaks against ending now with Hb as it will settle; '' up to what is allowed or was planned."""
    if hb_g_l <= max(allowed_g_l, planned_g_l) + SLACK_G_L:
        return ""
    return (
        f"If it ends now, Hb settles at about {hb_g_l:.0f} g/L, over the {allowed_g_l:.0f} g/L allowed; planned was "
        f"{planned_g_l:.0f} g/L. Draw first what was given last, or ask the prescriber."
    )


def passed_now(stops: Stops, *, hb_g_l: float | None, saline_ml: float, out_ml: float) -> tuple[str, ...]:
    """Return a sentence for every stop that is passed by now.

    hb_g_l: of the blood at this moment, in the middle; None where it cannot be said.
    """
    found = []
    now = "" if hb_g_l is None else f"By what was given and drawn Hb is now about {hb_g_l:.0f} g/L,"
    if hb_g_l is not None and hb_g_l < stops.hb_low_g_l - SLACK_G_L:
        found.append(f"{now} under the {stops.hb_low_g_l:.0f} g/L it may fall to. Draw no more; tell the prescriber.")
    if hb_g_l is not None and hb_g_l > stops.hb_high_g_l + SLACK_G_L:
        most = f"over the {stops.hb_high_g_l:.0f} g/L it may rise to"
        found.append(f"{now} {most}. Give no more red cells; tell the prescriber.")
    volumes = ("saline are in", saline_ml, stops.saline_ml), ("blood are out", out_ml, stops.out_ml)
    for words, done_ml, most_ml in volumes:
        if is_past(done_ml, most_ml):
            found.append(f"{done_ml:,.0f} mL of {words}; {most_ml:,.0f} mL is the most. Tell the prescriber.")
    return tuple(found)
