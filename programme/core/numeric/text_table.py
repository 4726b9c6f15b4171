"""Texts that a site may word itself: what each is for and the words that everybody starts with, in one table.

The defaults are common practice in our own words; the signs of a late reaction are those described for delayed
haemolytic reactions (Gardner K et al., Br J Haematol 2015; Hendrickson JE, Fasano RM, Hematology 2021:704-9). Local
policy decides: a site replaces a text by a dated one, with who and why.
"""

from dataclasses import dataclass

LONGEST_TEXT = 4000


@dataclass(frozen=True, slots=True)
class TextRow:
    """One text: `words` say what it is for, `by_lines` whether each line stands for itself."""

    name: str
    words: str
    default: str
    by_lines: bool = False

    def check(self, text: str) -> str:
        """Return the text without blanks at its ends; raise ValueError for one that is too long."""
        if len(text.strip()) > LONGEST_TEXT:
            raise ValueError(f"{self.words}: {len(text.strip())} characters; allowed are up to {LONGEST_TEXT}.")
        return text.strip()


TEXT_TABLE: tuple[TextRow, ...] = (
    TextRow(
        "first_actions",
        "first actions at a reaction, one a line",
        "Stop the transfusion; leave the cannula or line in.\n"
        "Call for help; airway, breathing and circulation first.\n"
        "Keep the line open with saline through a new giving set.\n"
        "Check again: this person, this wristband, this unit, its tag.\n"
        "Observations now, and again every few minutes.\n"
        "Call the doctor, and say that it is a reaction to red cells.\n"
        "Keep the unit, its giving set and the tags; nothing is thrown away.\n"
        "Tell the transfusion laboratory; take the samples that they ask for.\n"
        "No further unit before the doctor and the laboratory have agreed.",
        by_lines=True,
    ),
    TextRow(
        "leaflet",
        "leaflet on late reactions",
        "Up to four weeks after red cells a late reaction can come. Call at once for dark or red urine, new or worse "
        "pain, fever, yellow eyes, or if you are more tired or breathless than before.",
    ),
    TextRow(
        "whom_to_call",
        "whom to call about a late reaction",
        "The day unit in working hours; at other times the number for urgent help that the unit gave you.",
    ),
    TextRow(
        "going_home",
        "words before going home",
        "Drink well today, keep the dressing on and dry until tomorrow, press on it if it bleeds, and lift nothing "
        "heavy with that arm. Take the medicines that were held today as agreed.",
    ),
    TextRow(
        "reminder",
        "what a reminder letter says below day and time",
        "Please come at this time. If you cannot come, call us as soon as you know: we will look for another day with "
        "you.\nIt helps to drink well the day before, to eat as usual, and to bring the list of your medicines.\n"
        "If you feel unwell before then, do not wait for this day: call us, or the number for urgent help that we "
        "gave you.",
    ),
    TextRow(
        "group_codes",
        "codes of blood groups on the unit's own labels, one a line such as 99 = O+",
        "",
        by_lines=True,
    ),
    TextRow(
        "family_doctor",
        "what the summary says to the family doctor",
        "Fever, dark urine, new pain or sudden tiredness within four weeks of an exchange can be a late reaction to "
        "red cells: call the unit the same day, and give no blood before.",
    ),
    TextRow(
        "own_summary",
        "what a person's own summary says about the exchange, one a line",
        "In an exchange some of your blood is taken out and red cells from donors are given in its place.\n"
        "HbS is the part of your blood that sickles. The lower it is, the less it can harm you.\n"
        "Between visits your body makes HbS again, so it climbs. The ceiling is the line it should stay under.\n"
        "Coming on your day is what keeps it there. If you cannot come, call: another day is better than none.\n"
        "Donor cells bring iron. We watch it with blood tests and scans.",
        by_lines=True,
    ),
)

TEXTS: dict[str, TextRow] = {row.name: row for row in TEXT_TABLE}
DEFAULT_TEXTS: dict[str, str] = {row.name: row.default for row in TEXT_TABLE}
