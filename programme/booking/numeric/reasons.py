"""What a place needs before it is booked all the same: why so late, and that it is known; why a second so soon."""

from dataclasses import dataclass
from datetime import date

from programme.booking.numeric.places import Seeker, spoken, spoken_days


@dataclass(frozen=True, slots=True)
class Reasons:
    """The reasons given with a booking.

    late: for a day after the last safe one. far_late_known: the consultant knows of one that is far too late. second:
    for one within the shortest interval of another place of theirs.
    """

    late: str = ""
    far_late_known: bool = False
    second: str = ""

    def missing(self, who: Seeker, on: date) -> dict[str, str]:
        """Return what a day still needs, by the name of its field: why, and what is allowed; empty where nothing is."""
        faults: dict[str, str] = {}
        if who.latest_safe is not None and who.is_late(on) and not self.late.strip():
            faults["late_reason"] = f"{spoken(on)} is after the last safe day, {spoken(who.latest_safe)}: say why."
        if who.is_far_late(on) and not self.far_late_known:
            faults["far_late"] = far_late_words(who, on)
        if who.booked_near(on) and not self.second.strip():
            faults["second_reason"] = near_words(who, on)
        return faults

    def late_for(self, who: Seeker, on: date) -> str:
        """The reason for being late, where the day is."""
        return self.late.strip() if who.is_late(on) else ""

    def kept(self, who: Seeker, on: date) -> str:
        """Return what the trail keeps: of all that was given what the day needed."""
        known = "Far too late, and the consultant knows." if who.is_far_late(on) else ""
        second = f"A second exchange: {self.second.strip()}" if who.booked_near(on) else ""
        return " ".join(filter(None, [known, self.late_for(who, on), second]))


NONE = Reasons()


def far_late_words(who: Seeker, on: date) -> str:
    """Say why a day is far too late, and what is allowed; '' where it is not."""
    if not who.is_far_late(on):
        return ""
    after = 0 if who.latest_safe is None else (on - who.latest_safe).days
    parts = [f"{spoken_days(after)} after the last safe day"] if after > 0 else []
    parts += [f"{100 * who.chance[on]:.0f} in 100 to be over the ceiling"] if on in who.chance else []
    return (
        f"{spoken(on)} is far too late: {', '.join(parts)}. Allowed is an earlier place, or this one where the "
        "consultant knows: tick that."
    )


def near_in_short(who: Seeker, on: date) -> str:
    """'8 days before their place on Wed 30 Dec 2026; the shortest interval is 14 days.'; '' where it is not so near."""
    near = who.booked_near(on)
    if near is None:
        return ""
    where = f"{spoken_days(abs((on - near).days))} {'before' if on < near else 'after'}"
    return f"{where} their place on {spoken(near)}; the shortest interval is {spoken_days(who.shortest_days)}."


def near_words(who: Seeker, on: date) -> str:
    """Say that a day is too near another booked one, and what is allowed; '' where it is not."""
    near = who.booked_near(on)
    if near is None:
        return ""
    where = f"{spoken_days(abs((on - near).days))} {'before' if on < near else 'after'}"
    return (
        f"{spoken(on)} is {where} {spoken(near)}, for which they are booked already; the shortest interval is "
        f"{spoken_days(who.shortest_days)}. Allowed is to move that booking, or this place with the reason for a "
        "second exchange so soon."
    )
