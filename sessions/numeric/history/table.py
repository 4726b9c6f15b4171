"""What a file of past records may hold: its columns, and what is found wrong or worth asking.

One row is one finished exchange session. Ranges are hard: a value outside is refused. Chosen here, as wide as what can
be stored; not from a source.
"""

from dataclasses import dataclass
from datetime import date, datetime

HB_RANGE_G_L = (30.0, 200.0)
"""Hb that a living person can have. Chosen here; a value in g/dL never lies in it."""


@dataclass(frozen=True, slots=True)
class NumberColumn:
    """A column of numbers: allowed range in `unit`; `whole` where only whole numbers make sense."""

    low: float
    high: float
    unit: str
    required: bool = False
    whole: bool = False

    @property
    def allowed(self) -> str:
        number = "a whole number" if self.whole else "a number"
        return f"{number} {self.low:g} to {self.high:g} {self.unit}" + ("" if self.required else ", or blank")


NUMBERS: dict[str, NumberColumn] = {
    "height_cm": NumberColumn(40, 230, "cm"),
    "baseline_hbs_pct": NumberColumn(30, 100, "%"),
    "threshold_hbs_pct": NumberColumn(20, 60, "%"),
    "weight_kg": NumberColumn(2, 300, "kg", required=True),
    "hb_pre_g_l": NumberColumn(*HB_RANGE_G_L, "g/L"),
    "hb_post_g_l": NumberColumn(*HB_RANGE_G_L, "g/L"),
    "hbs_pre_pct": NumberColumn(0, 100, "%"),
    "hbs_post_pct": NumberColumn(0, 100, "%"),
    "saline_in_ml": NumberColumn(0, 6000, "mL"),
    "red_cells_in_ml": NumberColumn(0, 6000, "mL"),
    "blood_out_ml": NumberColumn(0, 8000, "mL"),
    "units": NumberColumn(0, 20, "units", whole=True),
}

CHOICES: dict[str, tuple[str, ...]] = {
    "sex": ("F", "M"),
    "visit_reason": ("routine", "early_unwell", "early_other", "late_missed"),
    "admission_in_gap": ("yes", "no", "transfused", "unknown"),
}
TEXTS: dict[str, int] = {"patient_ref": 40, "hbs_method": 60}
DATES = ("birth_date", "session_date")
SAMPLE_TIMES = ("pre_sample_at", "post_sample_at")

REQUIRED = ("patient_ref", "session_date", "weight_kg")
REQUIRED_OF_NEW_PEOPLE = ("sex", "height_cm")
COLUMNS = (
    "patient_ref", "sex", "birth_date", "height_cm", "baseline_hbs_pct", "threshold_hbs_pct", "session_date",
    "weight_kg", "hb_pre_g_l", "hb_post_g_l", "hbs_pre_pct", "hbs_post_pct", "saline_in_ml", "red_cells_in_ml",
    "blood_out_ml", "units", "pre_sample_at", "post_sample_at", "hbs_method", "visit_reason", "admission_in_gap",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Fault:
    """Something to be put right in the file. row: as a spreadsheet counts, the header is row 1; 0 for the file."""

    row: int
    column: str
    value: str
    allowed: str
    words: str

    def line(self) -> str:
        """Return the fault in one line, as the command prints it."""
        where = f"row {self.row}, " if self.row else ""
        return f"{where}{self.column}: {self.value!r}; allowed: {self.allowed}. {self.words}".rstrip()


@dataclass(frozen=True, slots=True)
class Question:
    """Something possible but unlikely, to be confirmed. kind: questions of one kind can be answered together."""

    kind: str
    rows: tuple[int, ...]
    patient_ref: str
    found: str
    asks: str

    def line(self) -> str:
        """Return the question in one line, as the command prints it."""
        numbers = ", ".join(str(row) for row in self.rows)
        where = f"row{'s' if len(self.rows) > 1 else ''} {numbers}, " if self.rows else ""
        return f"{where}{self.patient_ref + ': ' if self.patient_ref else ''}{self.found}. {self.asks}"


@dataclass(frozen=True, slots=True)
class SampleTime:
    """When a sample was taken; time_known False where the file gives the day only (then `at` is None)."""

    on: date
    at: datetime | None


@dataclass(frozen=True, slots=True)
class KnownPerson:
    """What is stored of a person already; None where nobody recorded it."""

    sex: str
    birth_date: date | None
    baseline_hbs_pct: float | None
    height_cm: float | None


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One finished session as the file has it; None or '' where a cell is blank. Units are in the names.

    The weight is nan only where its cell has a fault.
    """

    row: int
    patient_ref: str
    sex: str
    birth_date: date | None
    height_cm: float | None
    baseline_hbs_pct: float | None
    threshold_hbs_pct: float | None
    session_date: date
    weight_kg: float
    hb_pre_g_l: float | None
    hb_post_g_l: float | None
    hbs_pre_pct: float | None
    hbs_post_pct: float | None
    saline_in_ml: float | None
    red_cells_in_ml: float | None
    blood_out_ml: float | None
    units: int | None
    pre_sample_at: SampleTime | None
    post_sample_at: SampleTime | None
    hbs_method: str
    visit_reason: str
    admission_in_gap: str


@dataclass(frozen=True, slots=True)
class HistoryFile:
    """A file read whole. `rows` are those without a fault of their own, by person and day; `n_rows` counts all."""

    digest: str
    n_rows: int
    rows: tuple[HistoryRow, ...]
    faults: tuple[Fault, ...]
    questions: tuple[Question, ...]
